"""Lines of a panel: as heavy as they may be believed, over their bands, with their names at their ends."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from scipy.optimize import isotonic_regression

from fieldproc.conventions import Floats, Integers
from fieldproc.records import Table, Verdict
from fieldproc.report import panels, style

_LABEL_PITCH_INCHES = 0.19
# Fewer rows than this are also drawn as dots: the lines between them are no measurement.
_SPARSE_ROWS = 40
# Bands reach at most so many heights of the panel beyond it: infinities cannot be filled.
_BAND_REACH = 1.0


def mark_verdicts(axes: Axes, bands: Sequence[panels.Band]) -> None:
    """Grey where caution is due, hatched where nothing must be used."""
    for band in bands:
        if band.verdict != Verdict.GOOD:
            axes.axvspan(band.low_hz, band.high_hz, zorder=0.5, **panels.verdict_patch(band.verdict))


def draw_column(
    axes: Axes,
    table: Table,
    name: str,
    bands: Sequence[panels.Band],
    pen: style.Pen | None = None,
    scale: float = 1.0,
) -> None:
    """A column of a table over its band (where it has one), times ``scale``; limits of the panel must be set before.

    Its weight follows the worse of ``bands`` and of its own ``verdict_code``. The band is left out where nothing must
    be used: it would only say once more that nothing is known there.
    """
    pen = style.PENS[name] if pen is None else pen
    frequency_hz = table.column("frequency_hz")
    of_frequency = panels.verdict_at(frequency_hz, list(bands))
    ends = band_of(table, name)
    if ends is not None:
        fill_between(axes, frequency_hz, (scale * ends[0], scale * ends[1]), pen, of_frequency)
    draw_curve(
        axes, frequency_hz, scale * table.column(name), pen, np.maximum(of_frequency, own_verdict(table, name))
    )


def own_verdict(table: Table, name: str) -> Integers:
    """What the column's own band comes to, (frequency,); good where the table does not say."""
    own = f"{name.rpartition('_')[0]}_verdict_code"
    known = own in table.header
    return table.column(own).astype(np.int64) if known else np.zeros(len(table.values), dtype=np.int64)


def band_of(table: Table, name: str) -> tuple[Floats, Floats] | None:
    """Low and high ends of a column, each (frequency,); ``None`` where the table has none."""
    stem, _, unit = name.rpartition("_")
    ends = f"{stem}_low_{unit}", f"{stem}_high_{unit}"
    return (table.column(ends[0]), table.column(ends[1])) if ends[0] in table.header else None


def has_band(table: Table, names: Sequence[str]) -> bool:
    """Is any end of the bands of these columns known?"""
    return any(np.isfinite(ends[0]).any() for name in names if (ends := band_of(table, name)) is not None)


def fill_between(
    axes: Axes, frequency_hz: Floats, ends: tuple[Floats, Floats], pen: style.Pen, verdict: Integers
) -> None:
    """The band between two curves where ``verdict`` (frequency,) lets it be used; gaps where it is not known."""
    bottom, top = sorted(axes.get_ylim())
    reach = _BAND_REACH * (top - bottom)
    low, high = (np.clip(end, bottom - reach, top + reach) for end in ends)
    axes.fill_between(frequency_hz, low, high, where=verdict < Verdict.DO_NOT_USE, zorder=1.2, **band_face(pen))


def band_face(pen: style.Pen) -> dict[str, Any]:
    """How the band of a curve is filled, in panels and in the key."""
    return {"facecolor": pen.color, "edgecolor": "none", "alpha": style.BAND_ALPHA, "linewidth": 0.0}


def band_key(pen: style.Pen) -> tuple[Artist, ...]:
    """The key entry of bands: one about its curve, since grey alone would look like "caution"."""
    return Patch(label="band of 95 %", **band_face(pen)), sample(pen)


def draw_curve(axes: Axes, frequency_hz: Floats, value: Floats, pen: style.Pen, verdict: Integers) -> None:
    """One curve in pieces, each as heavy as the worse verdict of its ends allows; gaps where undefined."""
    value = np.where(np.isfinite(value), value, np.nan)
    if len(frequency_hz) < _SPARSE_ROWS:
        low, high = axes.get_ylim()
        shown = panels.on_axis(frequency_hz) & (value >= low) & (value <= high)
        dots: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 3.2, "color": pen.color}
        # Not clipped: a dot on the frame stays whole.
        axes.plot(frequency_hz[shown], value[shown], clip_on=False, zorder=2.6, **dots)
    between = np.maximum(verdict[:-1], verdict[1:])
    for start, stop in panels.runs(between):
        axes.plot(
            frequency_hz[start : stop + 1],
            value[start : stop + 1],
            color=pen.color,
            linestyle=pen.linestyle,
            linewidth=style.LINE_WIDTHS_PT[Verdict(between[start])],
        )


def note_what_is_cut(axes: Axes, frequency_hz: Floats, values: Floats) -> None:
    """Words at the frame where curves (frequency, curve) leave the panel; none must end there unnoticed."""
    low, high = axes.get_ylim()
    finite = np.isfinite(values) & panels.on_axis(frequency_hz)[:, np.newaxis]
    sides = (("below", values < low, 0.015, "bottom"), ("above", values > high, 0.985, "top"))
    for side, beyond, height, edge in sides:
        cut = np.any(finite & beyond, axis=1)
        if not cut.any():
            continue
        # Beside the longest stretch cut off, where there is more room, and within the panel.
        start, stop = max((run for run in panels.runs(cut) if cut[run[0]]), key=lambda run: run[1] - run[0])
        left, right = (panels.across(frequency_hz[row]) for row in (start, stop - 1))
        place, aligned = (max(left - 0.02, 0.2), "right") if left > 1 - right else (min(right + 0.02, 0.8), "left")
        remark(axes, (place, height), f"curves continue {side}", ha=aligned, va=edge)


def remark(axes: Axes, place: tuple[float, float], words: str, *, ha: str, va: str) -> None:
    """Small words on white, at a place in shares of the panel."""
    axes.text(
        *place,
        words,
        transform=axes.transAxes,
        fontsize=style.SMALL_SIZE_PT,
        color=style.FAINT,
        zorder=1.5,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        ha=ha,
        va=va,
    )


def label_curves(axes: Axes, frequency_hz: Floats, curves: Sequence[tuple[style.Pen, Floats]]) -> None:
    """Words beside the right ends of the curves; a legend in the margin where the curves end early."""
    inside = panels.on_axis(frequency_hz)
    drawn = [(pen, value, np.flatnonzero(np.isfinite(value) & inside)) for pen, value in curves]
    if not any(rows.size for *_, rows in drawn):
        axes.text(0.5, 0.5, "no value is defined", transform=axes.transAxes, ha="center", color=style.FAINT)
        return
    low, high = axes.get_ylim()
    # Within half an octave of the edge, a short lead line finds its curve; from further off it gets lost.
    nearby_hz = panels.HIGHEST_HZ / math.sqrt(2)
    if not all(rows.size and frequency_hz[rows[-1]] > nearby_hz for *_, rows in drawn):
        legend(axes, [pen for pen, _, rows in drawn if rows.size])
        return
    ends = np.array([value[rows[-1]] for _, value, rows in drawn])
    pitch = _LABEL_PITCH_INCHES * (high - low) / panels.height_inches(axes)
    places = spread(np.clip(ends, low, high), pitch, (low, high))
    for (pen, _, rows), end, place in zip(drawn, ends, places, strict=True):
        _lead_and_words(axes, pen, frequency_hz[rows[-1]], (end, place))


def _lead_and_words(axes: Axes, pen: style.Pen, end_hz: float, values: tuple[float, float]) -> None:
    """A lead line in the curve's own colour and dashes, from its end (if within the panel) to its words."""
    low, high = axes.get_ylim()
    end, place = ((value - low) / (high - low) for value in values)
    bend, stop = (1 + inches / panels.PANEL_WIDTH_INCHES for inches in (0.16, 0.52))
    thin, heavy = 0.6, style.LINE_WIDTHS_PT[Verdict.GOOD]
    shared: dict[str, Any] = {"transform": axes.transAxes, "color": pen.color, "clip_on": False}
    if 0.0 <= end <= 1.0:
        axes.add_line(Line2D([panels.across(end_hz), bend], [end, place], linewidth=thin, **shared))
    axes.add_line(Line2D([bend, stop], [place, place], linewidth=heavy, linestyle=pen.linestyle, **shared))
    words_at = stop + 0.06 / panels.PANEL_WIDTH_INCHES
    axes.text(words_at, place, pen.words, transform=axes.transAxes, va="center_baseline")


def legend(axes: Axes, pens: Sequence[style.Pen], **placed: Any) -> None:
    """Samples of the pens and their words, by default in the margin on the right."""
    where: Mapping[str, Any] = {"loc": "upper left", "bbox_to_anchor": (1.0, 1.0), "handlelength": 3.0, **placed}
    axes.legend(handles=[sample(pen) for pen in pens], **where)


def sample(pen: style.Pen) -> Line2D:
    """What a curve of full weight looks like, with its words, for a legend or a key."""
    width = style.LINE_WIDTHS_PT[Verdict.GOOD]
    return Line2D([], [], color=pen.color, linestyle=pen.linestyle, linewidth=width, label=pen.words)


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
