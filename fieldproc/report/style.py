"""One look for every figure: colours, dash patterns, type, sizes, and text that cannot misfire.

The line colours step up in lightness, so that a grey print keeps them apart, and stay apart for readers
with red-green colour vision deficiency; the dash pattern tells them apart a second time. Quantities of the
same set of directions (early reflections and their index, sound power and its index) share a dash pattern.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Literal

import matplotlib
from matplotlib.font_manager import findfont, get_font

from fieldproc.records import Verdict

INK = "#18222d"
FAINT = "#5d6772"
GRID = "#d2d7dc"
CAUTION_FILL = "#e3e5e8"
HATCH_INK = "#9aa1a8"
HATCH = "////"
NO_DATA_HATCH = "..."
# Perceptually uniform, rising lightness, made for colour-blind readers; its ends match the line colours.
LEVEL_MAP = "cividis"

SANS = "DejaVu Sans"
SIZE_PT = 9.0
TITLE_SIZE_PT = 12.5
SMALL_SIZE_PT = 8.0
PNG_DPI = 180

Dash = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Pen:
    """How one quantity is drawn everywhere: its words, colour and dash pattern (in line widths)."""

    words: str
    color: str
    dash: Dash = ()

    @property
    def linestyle(self) -> Literal["solid"] | tuple[float, Dash]:
        """The pattern as matplotlib takes it."""
        return (0.0, self.dash) if self.dash else "solid"


PENS = {
    "on_axis_db": Pen("on axis", INK),
    "listening_window_db": Pen("listening window", "#2440b8", (7.0, 1.8)),
    "early_reflections_db": Pen("early reflections", "#b8332f", (5.0, 1.6, 1.2, 1.6)),
    "sound_power_db": Pen("sound power", "#2f8fd8", (2.8, 1.4)),
    "in_room_estimate_db": Pen("in-room estimate", "#c9a227", (1.2, 1.2)),
    "early_reflections_di_db": Pen("early reflections DI", "#6a1f7a", (5.0, 1.6, 1.2, 1.6)),
    "sound_power_di_db": Pen("sound power DI", "#2f8a6a", (2.8, 1.4)),
    "directivity_index_db": Pen("directivity index", "#551100"),
}
PLANE_PENS = {
    "horizontal": Pen("horizontal", "#2aa0b4"),
    "vertical": Pen("vertical", "#7d22e0", (2.8, 1.4)),
}
# One per octave from the lowest: colours that rise in lightness, in dashes of which four neighbours are never alike.
OCTAVE_LOOKS: tuple[tuple[str, Dash], ...] = (
    ("#160b39", ()),
    ("#450a69", (7.0, 1.8)),
    ("#721a6e", (5.0, 1.6, 1.2, 1.6)),
    ("#9d2964", (1.6, 1.2)),
    ("#c73e4c", ()),
    ("#e8602d", (7.0, 1.8)),
    ("#f98e09", (5.0, 1.6, 1.2, 1.6)),
)

# Bands are there to be seen beside their curves, and through one another.
BAND_ALPHA = 0.16
# A curve is drawn at full weight only where it may be believed.
LINE_WIDTHS_PT = {Verdict.GOOD: 1.9, Verdict.CAUTION: 1.1, Verdict.DO_NOT_USE: 0.5}
VERDICT_WORDS = {Verdict.GOOD: "unmarked: good", Verdict.CAUTION: "caution", Verdict.DO_NOT_USE: "do not use"}

_SETTINGS: dict[Any, Any] = {
    "font.family": SANS,
    "font.size": SIZE_PT,
    "text.color": INK,
    "text.parse_math": False,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.labelsize": SIZE_PT,
    "axes.linewidth": 0.8,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": SIZE_PT,
    "ytick.labelsize": SIZE_PT,
    "xtick.major.size": 4.0,
    "xtick.minor.size": 2.0,
    "lines.dash_capstyle": "butt",
    "lines.solid_capstyle": "butt",
    "hatch.linewidth": 0.6,
    "hatch.color": HATCH_INK,
    "legend.frameon": False,
    "legend.fontsize": SMALL_SIZE_PT,
    # Glyphs as outlines: the same picture whatever fonts the reader has.
    "svg.fonttype": "path",
    # Names of clip paths and markers in the SVG come from this salt instead of a random number.
    "svg.hashsalt": "fieldproc",
}


@contextmanager
def applied() -> Iterator[None]:
    """The house style for the time of a ``with`` block; whatever was set before returns afterwards."""
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        yield


def plain_text(text: str, longest: int = 200) -> str:
    """Text from a file made safe to draw: one line, no control or direction marks, known glyphs only.

    Characters that the font lacks become U+FFFD; more than ``longest`` characters end in an ellipsis.
    """
    spaced = "".join(" " if character.isspace() else character for character in text)
    visible = "".join(character for character in spaced if unicodedata.category(character)[0] != "C")
    words = " ".join(visible.split())
    if len(words) > longest:
        words = words[: longest - 1] + "…"
    known = get_font(findfont(SANS)).get_charmap()
    return "".join(character if ord(character) in known else "\ufffd" for character in words)


def signed(value: float, plus: bool = False) -> str:
    """A number with a true minus sign (and a plus sign if asked for), without needless decimals."""
    return f"{value:{'+' if plus else ''}g}".replace("-", "\N{MINUS SIGN}")


# The two sets of waves, and what both come to.
WAVE_PENS = {
    "outgoing": Pen("outgoing", "#2440b8"),
    "regular": Pen("arriving from the room", "#b8332f", (5.0, 1.6, 1.2, 1.6)),
    "whole": Pen("whole sound", INK, (1.2, 1.2)),
}
# Measures of quality, by the columns of their table.
QUALITY_PENS = {
    "residual_db": Pen("residual", INK),
    "leave_one_out_db": Pen("left-out points", "#2f8fd8", (2.8, 1.4)),
    "random_error_db": Pen("random error", "#b8332f", (5.0, 1.6, 1.2, 1.6)),
    "overlap_difference_db": Pen("gated against whole", "#c9a227", (1.2, 1.2)),
    "hold_out_db": Pen("left-out surface", "#2f8a6a"),
}
# Surfaces of a scan, one after another: a colour that steps up in lightness, and a marker.
SURFACE_MARKS = (("#1b2a6b", "o"), ("#2f8fd8", "^"), ("#c9a227", "s"), ("#8a8f96", "D"))
LEFT_OUT = GATE = "#b8332f"
