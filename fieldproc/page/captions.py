"""What stands under each figure of the page: its heading, what to look for, and its content in numbers.

The last is for readers who cannot see the figure. It is read off the tables that the figure was drawn from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.records import Table
from fieldproc.report import style

Tables = Mapping[str, Table]

# Frequencies that descriptions name, the nearest of the table to each.
_TOLD_HZ = (100.0, 1000.0, 10_000.0)
# Farther from a told frequency than this, a row is another frequency: a third of an octave.
_NEAR = 2.0 ** (1 / 3)


@dataclass(frozen=True, slots=True)
class Caption:
    """``columns``: a table, and which of its columns are told in which words."""

    heading: str
    look: str
    table: str = ""
    columns: Sequence[tuple[str, str, str]] = ()

    def described(self, tables: Tables) -> str:
        """The figure in words and numbers."""
        table = tables.get(self.table)
        told = [] if table is None else [_told(table, *column) for column in self.columns]
        return f"{self.heading}. {' '.join(part for part in told if part)}".strip()


def _told(table: Table, column: str, words: str, unit: str) -> str:
    """Values of a column at the told frequencies; nothing where there are none."""
    if column not in table.header or "frequency_hz" not in table.header or not len(table.values):
        return ""
    frequency_hz, values = table.column("frequency_hz"), table.column(column)
    known = np.flatnonzero(np.isfinite(values) & (frequency_hz > 0.0))
    parts = []
    for told_hz in _TOLD_HZ:
        away = np.abs(np.log(frequency_hz[known] / told_hz))
        if away.size and away.min() < np.log(_NEAR):
            row = known[int(np.argmin(away))]
            parts.append(f"{style.signed(round(float(values[row]), 1))} {unit} at {frequency_hz[row]:.4g} Hz")
    return f"{words}: {', '.join(parts)}." if parts else ""


_LEFT, _UP = "positive to the loudspeaker's left", "positive up"
_EVEN = "Colours that run along the frequency axis without steps mean a beam that narrows gradually."
_VERTICAL = f"{_EVEN} Holes above and below the axis are where drivers cancel each other."


def _plane(plane: str, kind: str, side: str, look: str) -> Caption:
    columns = [
        (f"level_{angle:+04d}_db", f"level at {style.signed(angle)} degrees", "dB") for angle in (0, 30, 60, 90)
    ]
    return Caption(f"{plane.capitalize()} plane: {kind} over angle ({side}) and frequency", look, plane, columns)


CAPTIONS: Mapping[str, Caption] = {
    "cta2034a": Caption(
        "Curves of ANSI/CTA-2034-A",
        "Look for an on-axis curve without ripple and for curves below it that fall evenly. What all curves share is "
        "in the sound itself; what one curve has alone comes from its angles. Grey asks for caution, hatched is not "
        "to be used.",
        "cta2034a",
        [
            ("on_axis_db", "On axis", "dB"),
            ("listening_window_db", "Listening window", "dB"),
            ("sound_power_db", "Sound power", "dB"),
        ],
    ),
    "findings": Caption(
        "Trends, and what departs from them",
        "Bars are the departures that the sentences above tell of, with their sizes; a filled one is in every "
        "direction, so that an equaliser mends it. The lower panel is what the proposed equaliser makes of them.",
        "cta2034a",
        [("listening_window_db", "Listening window", "dB"), ("in_room_estimate_db", "In-room estimate", "dB")],
    ),
    "horizontal": _plane("horizontal", "level re the axis", _LEFT, _EVEN),
    "vertical": _plane("vertical", "level re the axis", _UP, _VERTICAL),
    "horizontal_absolute": _plane("horizontal", "level", _LEFT, _EVEN),
    "vertical_absolute": _plane("vertical", "level", _UP, _VERTICAL),
    "polar": Caption(
        "Polar diagrams",
        "Look for shapes that are alike on both sides and shrink steadily with frequency.",
        "directivity",
        [("horizontal_coverage_deg", "Horizontal coverage", "degrees")],
    ),
    "directivity": Caption(
        "Directivity",
        "Look for an index that rises without steps. A step is a change of beam width between drivers, which no "
        "filter can undo.",
        "directivity",
        [
            ("directivity_index_db", "Directivity index", "dB"),
            ("horizontal_coverage_deg", "Horizontal coverage", "degrees"),
            ("vertical_coverage_deg", "Vertical coverage", "degrees"),
        ],
    ),
    "in_room": Caption(
        "In-room estimate",
        "Look for a gentle, straight fall. This is an average over ordinary rooms: below a few hundred hertz the "
        "room itself decides.",
        "cta2034a",
        [("in_room_estimate_db", "In-room estimate", "dB")],
    ),
    "time": Caption(
        "Time behaviour on axis",
        "Look for an impulse that ends soon, and for a group delay without peaks above the lowest octaves: long "
        "ripples of the one and narrow peaks of the other are resonances.",
    ),
    "balloon": Caption(
        "Level in all directions",
        "Distance from the centre and colour are level. Look for what the two planes cannot show: lobes at a slant.",
        "directivity",
        [("directivity_index_db", "Directivity index", "dB")],
    ),
    "points": Caption(
        "Where the microphone was",
        "Look for gaps: directions without points rest on what was measured elsewhere. Points that were left out "
        "are marked.",
    ),
    "responses": Caption(
        "Measured responses and the gate",
        "Look for the gate line ahead of the first reflection at every point.",
    ),
    "separation": Caption(
        "The whole sound at the microphones, and the loudspeaker's own share of it",
        "Where the two differ, the room spoke. The loudspeaker's own curve should lack the ripple of the whole.",
    ),
    "quality": Caption(
        "How far to believe it",
        "Look where the error measures rise: the strip below says what that means for use.",
        "quality",
        [
            ("residual_db", "Residual", "dB"),
            ("leave_one_out_db", "Error at left-out points", "dB"),
            ("level_uncertainty_db", "Standard uncertainty of levels", "dB"),
        ],
    ),
}
# Said beside the quality numbers and not among the results.
OF_QUALITY = ("quality", "separation", "points", "responses")


def caption_of(name: str) -> Caption:
    """Of a figure by its file name; of one unknown here, its name alone."""
    return CAPTIONS.get(name, Caption(name.replace("_", " ").capitalize(), "Its numbers are in the tables."))
