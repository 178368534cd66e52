"""Sound at points of the innermost surface before and after the room is taken out of it."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator

from fieldproc.conventions import Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import panels, style
from fieldproc.report.quality_figure import draw_with_gaps

# As the columns of the table begin, and as a reader looks at a loudspeaker.
_SIDES = {"front": "in front", "left": "at its left side", "behind": "behind"}
_PENS = {
    "whole": style.WAVE_PENS["whole"],
    "own": style.Pen("the loudspeaker alone", style.WAVE_PENS["outgoing"].color),
}
_GAP_INCHES, _RIGHT_INCHES = 0.2, 0.35
# IEC 60263: a decade is as long as 50 dB; the longest range shown, and steps of its axis.
_DB_PER_DECADE, _LONGEST_DB, _SHORTEST_DB, _STEP_DB = 50.0, 50.0, 30.0, 10.0
_INCHES_PER_DB = panels.DECADE_INCHES / _DB_PER_DECADE


@style.applied()
def separation_figure(separation: Table, quality: Table | None = None, *, title: str) -> Figure | None:
    """Draw a ``separation`` table: a panel for each of its three points, all of one range.

    ``None`` of a table without any level. ``quality`` as in ``curve_family``. Raises ``KeyError`` for a missing
    column.
    """
    separation = panels.near_axis(separation)
    if not np.isfinite(separation.values[:, 1:]).any():
        return None
    bands = panels.verdict_bands(quality)
    low_db, high_db = _range(separation, bands)
    inches = (high_db - low_db) * _INCHES_PER_DB
    height = panels.BOTTOM_INCHES + len(_SIDES) * (inches + _GAP_INCHES) - _GAP_INCHES + panels.TOP_INCHES
    figure = panels.new_figure(height, _RIGHT_INCHES)
    for at, side in enumerate(reversed(_SIDES)):
        axes = panels.add_panel(figure, panels.BOTTOM_INCHES + at * (inches + _GAP_INCHES), inches)
        axes.set_ylim(low_db, high_db)
        _fill(axes, separation, side, bands)
        if at == 0:
            axes.set_xlabel("frequency in Hz")
        else:
            axes.tick_params(axis="x", which="both", labelbottom=False)
    what = "sound at points of the innermost surface, before and after separation"
    panels.write_heading(figure, title, f"{what}; {_DB_PER_DECADE:g} dB per decade (IEC 60263)")
    lines = [
        Line2D([], [], color=pen.color, linestyle=pen.linestyle, linewidth=1.5, label=pen.words)
        for pen in _PENS.values()
    ]
    panels.write_key(figure, [*lines, *panels.key_patches(bands)])
    return figure


def _fill(axes: Axes, separation: Table, side: str, bands: list[panels.Band]) -> None:
    axes.yaxis.set_major_locator(MultipleLocator(_STEP_DB))
    axes.grid(True, which="both")
    for band in bands:
        if band.verdict != Verdict.GOOD:
            axes.axvspan(band.low_hz, band.high_hz, zorder=0.5, **panels.verdict_patch(band.verdict))
    frequency_hz = separation.column("frequency_hz")
    for name, pen in _PENS.items():
        draw_with_gaps(axes, frequency_hz, separation.column(f"{side}_{name}_db"), pen)
    relative = separation.facts.get("calibrated", 1) == 0
    axes.set_ylabel("relative level\nin dB" if relative else "level in dB\nre 20 µPa")
    box = {"facecolor": "white", "edgecolor": "none", "pad": 2.0}
    words = _SIDES[side] + _place(separation, side)
    axes.text(0.012, 0.955, words, transform=axes.transAxes, ha="left", va="top", bbox=box)
    _say_what_is_missing(axes, frequency_hz, separation.column(f"{side}_own_db"))


def _place(separation: Table, side: str) -> str:
    """Where the point is, as far as the table knows."""
    stated = separation.facts.get(f"{side}_position_m")
    if not isinstance(stated, str):
        return ""
    return f", at ({', '.join(style.signed(round(float(x), 3) + 0.0) for x in stated.split())}) m"


def _say_what_is_missing(axes: Axes, frequency_hz: Floats, own_db: Floats) -> None:
    """Words where the lines end before the axis does."""
    known = np.flatnonzero(np.isfinite(own_db) & panels.on_axis(frequency_hz))
    if not known.size:
        axes.text(0.5, 0.5, "not known here", transform=axes.transAxes, ha="center", color=style.FAINT)
        return
    end = panels.across(frequency_hz[known[-1]])
    if end < 0.85:
        axes.text(
            end + 0.015,
            0.06,
            "not separated above",
            transform=axes.transAxes,
            fontsize=style.SMALL_SIZE_PT,
            color=style.FAINT,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )


def _range(separation: Table, bands: list[panels.Band]) -> tuple[float, float]:
    """Limits in whole steps about the levels of all points where they may be used, no longer than the longest."""
    frequency_hz = separation.column("frequency_hz")
    levels_db = np.stack([separation.column(f"{side}_{name}_db") for side in _SIDES for name in _PENS], axis=1)
    usable = (panels.verdict_at(frequency_hz, bands) < Verdict.DO_NOT_USE) & panels.on_axis(frequency_hz)
    chosen = levels_db[usable] if np.isfinite(levels_db[usable]).any() else levels_db
    finite = chosen[np.isfinite(chosen)]
    high = _STEP_DB * math.ceil((float(finite.max()) + 1.0) / _STEP_DB)
    low = _STEP_DB * math.floor((float(finite.min()) - 1.0) / _STEP_DB)
    return min(max(low, high - _LONGEST_DB), high - _SHORTEST_DB), high
