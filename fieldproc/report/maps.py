"""Level over frequency and angle in one plane, with contours at -3, -6 and -12 dB re the axis."""

from __future__ import annotations

import math
import re
from typing import Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator

from fieldproc.conventions import Booleans, Floats, Integers
from fieldproc.records import Table, Verdict
from fieldproc.report import lines, panels, style

Plane = Literal["horizontal", "vertical"]
PLANES: tuple[Plane, Plane] = ("horizontal", "vertical")

CONTOURS_DB = (-12.0, -6.0, -3.0)
_CONTOUR_WIDTHS_PT = (0.8, 1.5, 0.8)
_CONTOUR_DASHES: tuple[Literal["dashed", "solid", "dotted"], ...] = ("dashed", "solid", "dotted")
# Fixed, so that one colour means one level in every map; finest near the axis, where 2 dB matter. What lies
# within 1.5 dB of the axis is one step: a boundary at 0 dB would turn an even coverage into blotches.
_RELATIVE_STEPS_DB = np.array([-30.0, -24.0, -18.0, -12.0, -9.0, -6.0, -4.5, -3.0, -1.5, 1.5, 3.0])
_ABSOLUTE_STEP_DB = 6.0
_ABSOLUTE_STEPS = 10
# Levels further beyond the scale are drawn as if this far: infinities cannot be interpolated.
_REACH_DB = 30.0
_MAP_INCHES = 3.9
_RAIL_INCHES = 0.1
_RIGHT_INCHES = 1.3
_ANGLE_TICKS_DEG = tuple(range(-180, 181, 30))
_SIDES = {"horizontal": ("left", "right"), "vertical": ("up", "down")}
_LEVEL_COLUMN = re.compile(r"level_([+-]\d{3})_db")


@style.applied()
def level_map(
    table: Table,
    plane: Plane,
    quality: Table | None = None,
    *,
    title: str,
    normalised: bool = True,
) -> Figure:
    """Draw the levels of a ``horizontal`` or ``vertical`` table over frequency and angle.

    ``normalised`` colours the level relative to the axis, otherwise the level itself; the contours are
    relative to the axis either way. ``quality`` as in ``curve_family``; where the table's own ``verdict_code`` says
    that a single level must not be used, nothing is drawn. Raises ``KeyError`` for a missing column.
    """
    table = panels.near_axis(table)
    bands = panels.verdict_bands(quality)
    frequency_hz = table.column("frequency_hz")
    usable = panels.verdict_at(frequency_hz, bands) < Verdict.DO_NOT_USE
    angle_deg, level_db, own = polar_levels(table)
    # a frequency that must not be used is hatched, not blank
    level_db = np.where((own == Verdict.DO_NOT_USE) & usable[:, np.newaxis], np.nan, level_db)
    axis_db = table.column("level_+000_db")[:, np.newaxis]
    relative_db = level_db - np.where(np.isfinite(axis_db), axis_db, np.nan)
    shown_db = relative_db if normalised else level_db
    trusted_db = np.where(usable[:, np.newaxis], relative_db, np.nan)

    figure = panels.new_figure(panels.BOTTOM_INCHES + _MAP_INCHES + panels.TOP_INCHES + 0.1, _RIGHT_INCHES)
    axes = panels.add_panel(figure, panels.BOTTOM_INCHES, _MAP_INCHES)
    _angle_axis(axes, plane)
    steps_db = _RELATIVE_STEPS_DB if normalised else _absolute_steps(shown_db, usable)
    held_hz, held_db = _held(frequency_hz, _within_reach(shown_db, steps_db))
    filled = _fill(axes, (held_hz, angle_deg), held_db, steps_db)
    lines_hz, lines_db = _held(frequency_hz, _within_reach(trusted_db, _RELATIVE_STEPS_DB))
    _contour_lines(axes, (lines_hz, angle_deg), lines_db)
    _mark_verdicts(figure, axes, bands)
    words = "level in dB re the axis" if normalised else panels.level_words(table.facts)
    if filled is not None:
        _colour_bar(figure, filled, words, contours=normalised)
    what = f"{plane} plane, level re the axis" if normalised else f"{plane} plane, level"
    panels.write_heading(figure, title, f"{what}, over frequency and angle")
    unknown = "no data" if not own.any() else "no data or unsure"
    no_data = [panels.no_data_key(unknown)] if _has_gaps(held_hz, held_db) else []
    panels.write_key(figure, [*panels.key_patches(bands), *no_data, *_contour_keys()])
    return figure


def polar_levels(table: Table) -> tuple[Floats, Floats, Integers]:
    """Angles from -180 to 180 degrees, (angle,), with levels and their own verdicts, each (frequency, angle).

    Verdicts are good where the table has none.
    """
    found = [(int(match[1]), name) for name in table.header if (match := _LEVEL_COLUMN.fullmatch(name))]
    # 180 degrees closes the circle: it is drawn at both ends.
    found += [(-180, name) for angle, name in found if angle == 180]
    found.sort()
    angles = np.array([angle for angle, _ in found], dtype=np.float64)
    names = [name for _, name in found]
    own = np.stack([lines.own_verdict(table, name) for name in names], axis=1)
    return angles, np.stack([table.column(name) for name in names], axis=1), own


def _within_reach(level_db: Floats, steps_db: Floats) -> Floats:
    return np.clip(level_db, steps_db[0] - _REACH_DB, steps_db[-1] + _REACH_DB)


def _held(frequency_hz: Floats, level_db: Floats) -> tuple[Floats, Floats]:
    """Frequencies and levels with rows added so that defined levels hold to the limits of their cells.

    Between two defined rows the level is interpolated; next to an undefined one, and at both ends, the last
    level holds for half a step.
    """
    nothing = np.full((1, level_db.shape[1]), np.nan)
    before, after = np.concatenate([nothing, level_db]), np.concatenate([level_db, nothing])
    ends = np.flatnonzero((np.isnan(before) != np.isnan(after)).any(axis=1))
    middle_db = np.where(np.isnan(before), after, np.where(np.isnan(after), before, (before + after) / 2))
    return (
        np.insert(frequency_hz, ends, panels.cell_edges(frequency_hz)[ends]),
        np.insert(level_db, ends, middle_db[ends], axis=0),
    )


def _has_gaps(held_hz: Floats, held_db: Floats) -> bool:
    """Whether any part of the map is left without a level."""
    undefined = np.isnan(held_db[panels.on_axis(held_hz)]).any()
    return bool(undefined or not held_hz.size or held_hz[0] > panels.LOWEST_HZ or held_hz[-1] < panels.HIGHEST_HZ)


def _absolute_steps(level_db: Floats, usable: Booleans) -> Floats:
    """Limits of the colour steps, rising: 60 dB downwards from the highest usable level."""
    finite = np.where(np.isfinite(level_db), level_db, np.nan)
    trusted = finite[usable] if np.isfinite(finite[usable]).any() else finite
    highest = float(np.nanmax(trusted)) if np.isfinite(trusted).any() else 0.0
    top = _ABSOLUTE_STEP_DB * math.ceil(highest / _ABSOLUTE_STEP_DB)
    steps_db: Floats = top + _ABSOLUTE_STEP_DB * np.arange(-_ABSOLUTE_STEPS, 1, dtype=np.float64)
    return steps_db


def _angle_axis(axes: Axes, plane: Plane) -> None:
    positive, negative = _SIDES[plane]
    words = {0: "on axis", 180: "180° rear", -180: "180° rear"}
    labels = [
        words.get(angle, f"{style.signed(angle, plus=True)}° {positive if angle > 0 else negative}")
        for angle in _ANGLE_TICKS_DEG
    ]
    axes.set_ylim(-180, 180)
    axes.yaxis.set_major_locator(FixedLocator(_ANGLE_TICKS_DEG))
    axes.yaxis.set_major_formatter(FixedFormatter(labels))
    axes.set_xlabel("frequency in Hz")


def _fill(axes: Axes, mesh: tuple[Floats, Floats], level_db: Floats, steps_db: Floats) -> QuadContourSet | None:
    """Colour steps between the measured directions, interpolated linearly as the contours are."""
    axes.axhspan(-180, 180, zorder=0.5, **panels.NO_DATA_FACE)
    if np.isnan(level_db).all():
        words = axes.text(0.5, 0.5, "no value is defined", transform=axes.transAxes, ha="center", color=style.FAINT)
        words.set_backgroundcolor("white")
        return None
    # Colours step evenly however wide the steps are: a narrow step must show as clearly as a wide one.
    colours = matplotlib.colormaps[style.LEVEL_MAP](np.linspace(0, 1, len(steps_db) + 1))
    filled = axes.contourf(*mesh, np.ma.masked_invalid(level_db.T), levels=steps_db, colors=colours, extend="both")
    # Without an edge, viewers show hairlines of the background between neighbouring steps.
    filled.set_edgecolor("face")
    filled.set_linewidth(0.3)
    # hundreds of outlines of little patches would make the file as large as a photograph
    filled.set_rasterized(True)
    return filled


def _contour_lines(axes: Axes, mesh: tuple[Floats, Floats], relative_db: Floats) -> None:
    defined = relative_db[~np.isnan(relative_db)]
    inside = [i for i, level in enumerate(CONTOURS_DB) if defined.size and defined.min() < level < defined.max()]
    if not inside:
        return
    axes.contour(
        *mesh,
        np.ma.masked_invalid(relative_db.T),
        levels=[CONTOURS_DB[i] for i in inside],
        colors=style.INK,
        linewidths=[_CONTOUR_WIDTHS_PT[i] for i in inside],
        linestyles=[_CONTOUR_DASHES[i] for i in inside],
    )


def _contour_keys() -> list[Line2D]:
    """Which dash pattern is which level: no labels in the map, where they would crowd or be cut."""
    labels = [f"{style.signed(level)} dB" for level in CONTOURS_DB]
    labels[0] += " re the axis"
    pens = zip(labels, _CONTOUR_WIDTHS_PT, _CONTOUR_DASHES, strict=True)
    lines = [
        Line2D([], [], color=style.INK, linewidth=width, linestyle=dash, label=words) for words, width, dash in pens
    ]
    return lines[::-1]


def _mark_verdicts(figure: Figure, axes: Axes, bands: list[panels.Band]) -> None:
    """A rail above the map shows every verdict; the map itself is hatched only where it must not be used."""
    if not bands:
        return
    rail = panels.add_panel(figure, panels.BOTTOM_INCHES + _MAP_INCHES + 0.06, _RAIL_INCHES)
    rail.axhspan(0, 1, zorder=0.5, **panels.NO_DATA_FACE)
    rail.tick_params(which="both", bottom=False, labelbottom=False, left=False, labelleft=False)
    for band in bands:
        face = panels.verdict_patch(band.verdict)
        rail.axvspan(band.low_hz, band.high_hz, **face)
        if band.verdict == Verdict.DO_NOT_USE:
            axes.axvspan(band.low_hz, band.high_hz, zorder=2.4, **{**face, "facecolor": (1, 1, 1, 0.72)})


def _colour_bar(figure: Figure, filled: QuadContourSet, words: str, *, contours: bool) -> None:
    width, height = figure.get_size_inches()
    left = panels.LEFT_INCHES + panels.PANEL_WIDTH_INCHES + 0.25
    place = (left / width, panels.BOTTOM_INCHES / height, 0.18 / width, _MAP_INCHES / height)
    bar = figure.colorbar(filled, cax=figure.add_axes(place), extendfrac=0.04, spacing="proportional")
    steps_db = [float(level) for level in filled.levels]
    bar.set_ticks(steps_db, labels=[style.signed(level) for level in steps_db])
    bar.minorticks_off()
    bar.set_label(words, labelpad=6)
    if contours:
        for level, width_pt, dash in zip(CONTOURS_DB, _CONTOUR_WIDTHS_PT, _CONTOUR_DASHES, strict=True):
            bar.ax.axhline(level, color=style.INK, linewidth=width_pt, linestyle=dash)
