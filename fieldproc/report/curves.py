"""The curves of ANSI/CTA-2034-A over frequency with their bands, and the directivity indices in a panel below.

Both panels have the aspect ratio of IEC 60263: one decade is as long as 25 dB.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MultipleLocator

from fieldproc.conventions import Booleans, Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import lines, panels, style

DB_PER_DECADE = 25.0
INCHES_PER_DB = panels.DECADE_INCHES / DB_PER_DECADE
ASPECT_WORDS = f"aspect ratio {DB_PER_DECADE:g} dB per decade, IEC 60263"
LEVEL_COLUMNS = (
    "on_axis_db",
    "listening_window_db",
    "early_reflections_db",
    "sound_power_db",
    "in_room_estimate_db",
)
INDEX_COLUMNS = ("early_reflections_di_db", "sound_power_di_db")
LEVEL_SPANS_DB = (50.0, 80.0)
INDEX_SPANS_DB = (20.0, 35.0)

_STEP_DB = 5.0
_GAP_INCHES = 0.22
_RIGHT_INCHES = 2.0


@style.applied()
def curve_family(curves: Table, quality: Table | None = None, *, title: str) -> Figure:
    """Draw the level curves and the directivity indices of a ``cta2034a`` table, over their bands where it has them.

    ``quality`` (columns ``frequency_hz``, ``verdict_code``) marks what is not to be trusted: grey where
    caution is due, hatched where the curves must not be used; the curves thin out there, and each where its own
    ``verdict_code`` says so. Raises ``KeyError`` for a missing column.
    """
    curves = panels.near_axis(curves)
    bands = panels.verdict_bands(quality)
    usable = usable_rows(curves, bands)
    level_range = decibel_range(columns_of(curves, LEVEL_COLUMNS), usable, LEVEL_SPANS_DB)
    index_range = decibel_range(columns_of(curves, INDEX_COLUMNS), usable, INDEX_SPANS_DB, grow="up")
    level_inches, index_inches = ((high - low) * INCHES_PER_DB for low, high in (level_range, index_range))
    figure = panels.new_figure(
        panels.BOTTOM_INCHES + index_inches + _GAP_INCHES + level_inches + panels.TOP_INCHES, _RIGHT_INCHES
    )
    index_axes = panels.add_panel(figure, panels.BOTTOM_INCHES, index_inches)
    level_axes = panels.add_panel(figure, panels.BOTTOM_INCHES + index_inches + _GAP_INCHES, level_inches)
    fill_panel(level_axes, curves, LEVEL_COLUMNS, level_range, bands)
    fill_panel(index_axes, curves, INDEX_COLUMNS, index_range, bands)
    level_axes.set_ylabel(two_lines(panels.level_words(curves.facts)))
    level_axes.tick_params(axis="x", which="both", labelbottom=False)
    index_axes.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=1.5)
    index_axes.set_ylabel("directivity index\nin dB")
    index_axes.set_xlabel("frequency in Hz")
    panels.write_heading(figure, title, "curves of ANSI/CTA-2034-A")
    panels.write_key(figure, key_of(curves, LEVEL_COLUMNS, bands), ASPECT_WORDS)
    return figure


def two_lines(words: str) -> str:
    """What a level is, broken before its reference: an axis is shorter than that."""
    return words.replace(" re 20", "\nre 20")


def usable_rows(table: Table, bands: list[panels.Band]) -> Booleans:
    """Rows that may be used and can be seen, (frequency,)."""
    frequency_hz = table.column("frequency_hz")
    return np.asarray(
        (panels.verdict_at(frequency_hz, bands) < Verdict.DO_NOT_USE) & panels.on_axis(frequency_hz), dtype=np.bool_
    )


def decibel_range(
    levels_db: Floats,
    usable: Booleans,
    spans_db: tuple[float, float],
    *,
    grow: Literal["down", "up"] = "down",
) -> tuple[float, float]:
    """Axis limits in steps of 5 dB around the finite values of the usable rows (all rows if none is usable).

    ``levels_db`` has shape (row, curve). The top clears the highest value; the bottom reaches the lowest
    one as far as the longest of ``spans_db`` (shortest, longest) allows. A range below the shortest grows
    ``down`` (levels, which hang from the sensitivity) or ``up`` (indices, which stand on 0 dB); what grows
    down keeps so much room above that a narrow family of curves lies in the middle of the upper half.
    """
    finite = levels_db[usable & np.isfinite(levels_db).any(axis=1)]
    finite = finite if finite.size else levels_db
    finite = finite[np.isfinite(finite)]
    shortest, longest = spans_db
    if not finite.size:
        return 0.0, shortest
    # 1 dB of air, so that no curve runs along the frame.
    top = _STEP_DB * math.ceil((finite.max() + 1.0) / _STEP_DB)
    bottom = _STEP_DB * math.floor((finite.min() - 1.0) / _STEP_DB)
    bottom = max(bottom, top - longest)
    missing = max(shortest - (top - bottom), 0.0)
    if grow == "up":
        return bottom, top + missing
    above = max(_STEP_DB * math.floor((shortest / 2 - (top - bottom)) / 2 / _STEP_DB), 0.0)
    return bottom - (missing - above), top + above


def columns_of(table: Table, names: Sequence[str]) -> Floats:
    """Columns side by side, (frequency, column)."""
    return np.stack([table.column(name) for name in names], axis=1)


def fill_panel(
    axes: Axes,
    table: Table,
    names: Sequence[str],
    limits_db: tuple[float, float],
    bands: list[panels.Band],
) -> None:
    """Grid, verdicts, curves over their bands, and their labels, in one panel of levels or indices."""
    axes.set_ylim(*limits_db)
    axes.yaxis.set_major_locator(MultipleLocator(_STEP_DB))
    axes.grid(True, which="both")
    lines.mark_verdicts(axes, bands)
    for name in names:
        lines.draw_column(axes, table, name, bands)
    frequency_hz = table.column("frequency_hz")
    lines.note_what_is_cut(axes, frequency_hz, columns_of(table, names))
    lines.label_curves(axes, frequency_hz, [(style.PENS[name], table.column(name)) for name in names])
    panels.place_axis_words(axes)


def key_of(
    table: Table, names: Sequence[str], bands: list[panels.Band], pen: style.Pen | None = None
) -> list[Artist | tuple[Artist, ...]]:
    """Entries of the verdicts, and of bands where the table has them (``pen``: that of the first by default)."""
    banded = [lines.band_key(pen or style.PENS[names[0]])] if lines.has_band(table, names) else []
    return [*panels.key_patches(bands), *banded]
