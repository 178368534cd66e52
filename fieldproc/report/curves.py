"""The curves of ANSI/CTA-2034-A over frequency, and the directivity indices in a panel below.

Both panels have the aspect ratio of IEC 60263: one decade is as long as 25 dB.
"""

from __future__ import annotations

import math
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator
from scipy.optimize import isotonic_regression

from fieldproc.conventions import Booleans, Floats, Integers
from fieldproc.records import Table, Verdict
from fieldproc.report import panels, style

DB_PER_DECADE = 25.0
LEVEL_COLUMNS = (
    "on_axis_db",
    "listening_window_db",
    "early_reflections_db",
    "sound_power_db",
    "in_room_estimate_db",
)
INDEX_COLUMNS = ("early_reflections_di_db", "sound_power_di_db")

_INCHES_PER_DB = panels.DECADE_INCHES / DB_PER_DECADE
_STEP_DB = 5.0
_LEVEL_SPANS_DB = (50.0, 80.0)
_INDEX_SPANS_DB = (20.0, 35.0)
_GAP_INCHES = 0.22
_RIGHT_INCHES = 2.0
_AXIS_WORDS_INCHES = 0.5
_LABEL_PITCH_INCHES = 0.19
# Fewer rows than this are also drawn as dots: the lines between them are no measurement.
_SPARSE_ROWS = 40


@style.applied()
def curve_family(curves: Table, quality: Table | None = None, *, title: str) -> Figure:
    """Draw the level curves and the directivity indices of a ``cta2034a`` table.

    ``quality`` (columns ``frequency_hz``, ``verdict_code``) marks what is not to be trusted: grey where
    caution is due, hatched where the curves must not be used; the curves thin out there, and each where its own
    ``verdict_code`` says so. Raises ``KeyError`` for a missing column.
    """
    curves = panels.near_axis(curves)
    bands = panels.verdict_bands(quality)
    frequency_hz = curves.column("frequency_hz")
    usable = (panels.verdict_at(frequency_hz, bands) < Verdict.DO_NOT_USE) & panels.on_axis(frequency_hz)
    level_range = decibel_range(_stacked(curves, LEVEL_COLUMNS), usable, _LEVEL_SPANS_DB)
    index_range = decibel_range(_stacked(curves, INDEX_COLUMNS), usable, _INDEX_SPANS_DB, grow="up")
    level_inches = (level_range[1] - level_range[0]) * _INCHES_PER_DB
    index_inches = (index_range[1] - index_range[0]) * _INCHES_PER_DB
    figure = panels.new_figure(
        panels.BOTTOM_INCHES + index_inches + _GAP_INCHES + level_inches + panels.TOP_INCHES, _RIGHT_INCHES
    )
    index_axes = panels.add_panel(figure, panels.BOTTOM_INCHES, index_inches)
    level_axes = panels.add_panel(figure, panels.BOTTOM_INCHES + index_inches + _GAP_INCHES, level_inches)
    _fill_panel(level_axes, curves, LEVEL_COLUMNS, level_range, bands)
    _fill_panel(index_axes, curves, INDEX_COLUMNS, index_range, bands)
    words = panels.level_words(curves.facts)
    level_axes.set_ylabel(words.replace(" re 20", "\nre 20"))
    level_axes.tick_params(axis="x", which="both", labelbottom=False)
    index_axes.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=1.5)
    index_axes.set_ylabel("directivity index\nin dB")
    index_axes.set_xlabel("frequency in Hz")
    for axes in (level_axes, index_axes):
        axes.yaxis.set_label_coords(-_AXIS_WORDS_INCHES / panels.PANEL_WIDTH_INCHES, 0.5)
    panels.write_heading(figure, title, "curves of ANSI/CTA-2034-A")
    panels.write_key(figure, panels.key_patches(bands), "aspect ratio 25 dB per decade, IEC 60263")
    return figure


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


def _stacked(table: Table, columns: tuple[str, ...]) -> Floats:
    return np.stack([table.column(name) for name in columns], axis=1)


def _fill_panel(
    axes: Axes,
    table: Table,
    columns: tuple[str, ...],
    limits_db: tuple[float, float],
    bands: list[panels.Band],
) -> None:
    """Grid, verdict bands, curves and their labels in one panel."""
    axes.set_ylim(*limits_db)
    axes.yaxis.set_major_locator(MultipleLocator(_STEP_DB))
    axes.grid(True, which="both")
    for band in bands:
        if band.verdict != Verdict.GOOD:
            axes.axvspan(band.low_hz, band.high_hz, zorder=0.5, **panels.verdict_patch(band.verdict))
    frequency_hz = table.column("frequency_hz")
    for name in columns:
        verdict = np.maximum(panels.verdict_at(frequency_hz, bands), _own_verdict(table, name))
        _draw_curve(axes, frequency_hz, table.column(name), style.PENS[name], verdict)
    _note_what_is_cut(axes, frequency_hz, _stacked(table, columns))
    _label_curves(axes, frequency_hz, {name: table.column(name) for name in columns})


def _own_verdict(table: Table, name: str) -> Integers:
    """What the curve's own band comes to, (frequency,); good where the table does not say."""
    own = f"{name.removesuffix('_db')}_verdict_code"
    known = own in table.header
    return table.column(own).astype(np.int64) if known else np.zeros(len(table.values), dtype=np.int64)


def _draw_curve(axes: Axes, frequency_hz: Floats, level_db: Floats, pen: style.Pen, verdict: Integers) -> None:
    """One curve in pieces, each as heavy as the worse verdict of its ends allows; gaps where undefined."""
    level_db = np.where(np.isfinite(level_db), level_db, np.nan)
    if len(frequency_hz) < _SPARSE_ROWS:
        low_db, high_db = axes.get_ylim()
        shown = panels.on_axis(frequency_hz) & (level_db >= low_db) & (level_db <= high_db)
        dots: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 3.2, "color": pen.color}
        # Not clipped: a dot on the frame stays whole.
        axes.plot(frequency_hz[shown], level_db[shown], clip_on=False, zorder=2.6, **dots)
    between = np.maximum(verdict[:-1], verdict[1:])
    for start, stop in panels.runs(between):
        axes.plot(
            frequency_hz[start : stop + 1],
            level_db[start : stop + 1],
            color=pen.color,
            linestyle=pen.linestyle,
            linewidth=style.LINE_WIDTHS_PT[Verdict(between[start])],
        )


def _note_what_is_cut(axes: Axes, frequency_hz: Floats, levels_db: Floats) -> None:
    """Words at the frame where curves leave the panel; a curve must not end there unnoticed."""
    low_db, high_db = axes.get_ylim()
    finite = np.isfinite(levels_db) & panels.on_axis(frequency_hz)[:, np.newaxis]
    sides = (("below", levels_db < low_db, 0.015, "bottom"), ("above", levels_db > high_db, 0.985, "top"))
    for side, beyond, height, edge in sides:
        cut = np.any(finite & beyond, axis=1)
        if not cut.any():
            continue
        # Beside the longest stretch cut off, where there is more room, and within the panel.
        start, stop = max((run for run in panels.runs(cut) if cut[run[0]]), key=lambda run: run[1] - run[0])
        left, right = (panels.across(frequency_hz[row]) for row in (start, stop - 1))
        place, aligned = (max(left - 0.02, 0.2), "right") if left > 1 - right else (min(right + 0.02, 0.8), "left")
        axes.text(
            place,
            height,
            f"curves continue {side}",
            transform=axes.transAxes,
            fontsize=style.SMALL_SIZE_PT,
            color=style.FAINT,
            ha=aligned,
            va=edge,
            zorder=1.5,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )


def _label_curves(axes: Axes, frequency_hz: Floats, columns: dict[str, Floats]) -> None:
    """Words beside the right ends of the curves; a legend in the margin where the curves end early."""
    inside = panels.on_axis(frequency_hz)
    drawn = {name: np.flatnonzero(np.isfinite(level) & inside) for name, level in columns.items()}
    if not any(rows.size for rows in drawn.values()):
        axes.text(0.5, 0.5, "no value is defined", transform=axes.transAxes, ha="center", color=style.FAINT)
        return
    low_db, high_db = axes.get_ylim()
    # Within half an octave of the edge, a short lead line finds its curve; from further off it gets lost.
    nearby_hz = panels.HIGHEST_HZ / math.sqrt(2)
    if not all(rows.size and frequency_hz[rows[-1]] > nearby_hz for rows in drawn.values()):
        _legend(axes, [style.PENS[name] for name, rows in drawn.items() if rows.size])
        return
    ends_db = np.array([level[drawn[name][-1]] for name, level in columns.items()])
    places_db = spread(np.clip(ends_db, low_db, high_db), _LABEL_PITCH_INCHES / _INCHES_PER_DB, (low_db, high_db))
    for name, end_db, place_db in zip(columns, ends_db, places_db, strict=True):
        _lead_and_words(axes, style.PENS[name], frequency_hz[drawn[name][-1]], (end_db, place_db))


def _lead_and_words(axes: Axes, pen: style.Pen, end_hz: float, levels_db: tuple[float, float]) -> None:
    """A lead line in the curve's own colour and dashes, from its end (if within the panel) to its words."""
    low_db, high_db = axes.get_ylim()
    end, place = ((level - low_db) / (high_db - low_db) for level in levels_db)
    bend, stop = (1 + inches / panels.PANEL_WIDTH_INCHES for inches in (0.16, 0.52))
    thin, heavy = 0.6, style.LINE_WIDTHS_PT[Verdict.GOOD]
    shared: dict[str, Any] = {"transform": axes.transAxes, "color": pen.color, "clip_on": False}
    if 0.0 <= end <= 1.0:
        axes.add_line(Line2D([panels.across(end_hz), bend], [end, place], linewidth=thin, **shared))
    axes.add_line(Line2D([bend, stop], [place, place], linewidth=heavy, linestyle=pen.linestyle, **shared))
    words_at = stop + 0.06 / panels.PANEL_WIDTH_INCHES
    axes.text(words_at, place, pen.words, transform=axes.transAxes, va="center_baseline")


def _legend(axes: Axes, pens: list[style.Pen]) -> None:
    handles = [
        Line2D(
            [],
            [],
            color=pen.color,
            linestyle=pen.linestyle,
            linewidth=style.LINE_WIDTHS_PT[Verdict.GOOD],
            label=pen.words,
        )
        for pen in pens
    ]
    axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.0, 1.0), handlelength=3.0)


def spread(places: Floats, pitch: float, limits: tuple[float, float]) -> Floats:
    """Move ``places`` as little as possible (least squares) until neighbours are ``pitch`` apart, in order.

    After subtracting the pitch times its rank, the places only need to rise: an isotonic regression.
    """
    # Of equal places, the first comes highest: labels then stand in the order of the curves.
    order = np.lexsort((-np.arange(len(places)), places))
    ranks = pitch * np.arange(len(places))
    low, high = limits[0] + pitch / 2, limits[1] - pitch / 2
    level = np.clip(isotonic_regression(places[order] - ranks).x, low, high - ranks[-1])
    moved = np.empty_like(places)
    moved[order] = level + ranks
    return moved
