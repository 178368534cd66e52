"""Level over frequency and angle in one plane, with contours at -3, -6 and -12 dB re the axis."""

from __future__ import annotations

import math
import re
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import FixedFormatter, FixedLocator

from fieldproc.conventions import Booleans, Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import panels, style

Plane = Literal["horizontal", "vertical"]

CONTOURS_DB = (-12.0, -6.0, -3.0)
_CONTOUR_WIDTHS_PT = (0.8, 1.5, 0.8)
_CONTOUR_DASHES = ("dashed", "solid", "dotted")
# Fixed, so that one colour means one level in every map. What lies within 3 dB of the axis is one step:
# a boundary at 0 dB would turn the last digits of an even coverage into blotches.
_RELATIVE_STEPS_DB = np.array([*range(-30, 0, 3), 3], dtype=np.float64)
_ABSOLUTE_STEP_DB = 6.0
_ABSOLUTE_STEPS = 10
_MAP_INCHES = 3.9
_RAIL_INCHES = 0.1
_RIGHT_INCHES = 1.3
_ANGLE_TICKS_DEG = tuple(range(-180, 181, 30))
_SIDES = {"horizontal": ("left", "right"), "vertical": ("up", "down")}
_LEVEL_COLUMN = re.compile(r"level_([+-]\d{3})_db")


@style.applied()
def level_map(
    table: Table, plane: Plane, quality: Table | None = None, *, title: str, normalised: bool = True
) -> Figure:
    """Draw the levels of a ``horizontal`` or ``vertical`` table over frequency and angle.

    ``normalised`` colours the level relative to the axis, otherwise the level itself; the contours are
    relative to the axis either way. ``quality`` as in ``curve_family``. Raises ``KeyError`` for a missing
    column.
    """
    table = panels.near_axis(table)
    bands = panels.verdict_bands(quality)
    angle_deg, level_db = _levels(table)
    axis_db = table.column("level_+000_db")[:, np.newaxis]
    relative_db = level_db - np.where(np.isfinite(axis_db), axis_db, np.nan)
    shown_db = relative_db if normalised else level_db
    edges_hz = panels.cell_edges(table.column("frequency_hz"))
    # Each row holds from midpoint to midpoint, so the first and last reach half a step further.
    frequency_hz = np.concatenate([edges_hz[:1], table.column("frequency_hz"), edges_hz[-1:]])
    usable = panels.verdict_at(frequency_hz, bands) < Verdict.DO_NOT_USE
    shown_db, relative_db = _with_ends(shown_db), _with_ends(relative_db)

    figure = panels.new_figure(panels.BOTTOM_INCHES + _MAP_INCHES + panels.TOP_INCHES + 0.1, _RIGHT_INCHES)
    axes = panels.add_panel(figure, panels.BOTTOM_INCHES, _MAP_INCHES)
    _angle_axis(axes, plane)
    steps_db = _RELATIVE_STEPS_DB if normalised else _absolute_steps(shown_db, usable)
    mesh = (frequency_hz, angle_deg)
    filled = _fill(axes, mesh, shown_db, steps_db)
    lines = _contour_lines(axes, mesh, np.where(usable[:, np.newaxis], relative_db, np.nan))
    _mark_verdicts(figure, axes, bands)
    words = "level in dB re the axis" if normalised else panels.level_words(table.facts)
    if filled is not None:
        _colour_bar(figure, filled, words, lines if normalised else None)
    what = f"{plane} plane, level re the axis" if normalised else f"{plane} plane"
    panels.write_heading(figure, title, f"{what}, over frequency and angle")
    keys = panels.key_patches(bands)
    if np.isnan(shown_db).any():
        keys.append(Patch(facecolor="white", edgecolor=style.HATCH_INK, linewidth=0.6, label="undefined"))
    panels.write_key(figure, keys, "contours: level re the axis")
    return figure


def _levels(table: Table) -> tuple[Floats, Floats]:
    """Angles from -180 to 180 degrees, shape (angle,), and levels, shape (frequency, angle)."""
    found = [(int(match[1]), name) for name in table.header if (match := _LEVEL_COLUMN.fullmatch(name))]
    # 180 degrees closes the circle: it is drawn at both ends.
    found += [(-180, name) for angle, name in found if angle == 180]
    found.sort()
    angles = np.array([angle for angle, _ in found], dtype=np.float64)
    return angles, np.stack([table.column(name) for _, name in found], axis=1)


def _with_ends(level_db: Floats) -> Floats:
    """The first and the last row once more."""
    return np.concatenate([level_db[:1], level_db, level_db[-1:]])


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


def _fill(axes: Axes, mesh: tuple[Floats, Floats], shown_db: Floats, steps_db: Floats) -> QuadContourSet | None:
    """Colour steps between the measured directions, interpolated linearly as the contours are."""
    if np.isnan(shown_db).all():
        axes.text(0.5, 0.5, "no value is defined", transform=axes.transAxes, ha="center", color=style.FAINT)
        return None
    # One step beyond the scale is enough to be drawn as "beyond"; infinities cannot be interpolated.
    within = np.clip(shown_db, 2 * steps_db[0] - steps_db[1], 2 * steps_db[-1] - steps_db[-2])
    filled = axes.contourf(
        *mesh, np.ma.masked_invalid(within.T), levels=steps_db, cmap=style.LEVEL_MAP, extend="both"
    )
    # Without an edge, viewers show hairlines of the background between neighbouring steps.
    filled.set_edgecolor("face")
    filled.set_linewidth(0.3)
    return filled


def _contour_lines(axes: Axes, mesh: tuple[Floats, Floats], relative_db: Floats) -> QuadContourSet | None:
    finite = relative_db[np.isfinite(relative_db)]
    inside = [i for i, level in enumerate(CONTOURS_DB) if finite.size and finite.min() < level < finite.max()]
    if not inside:
        return None
    lines = axes.contour(
        *mesh,
        np.ma.masked_invalid(np.clip(relative_db, _RELATIVE_STEPS_DB[0], None).T),
        levels=[CONTOURS_DB[i] for i in inside],
        colors=style.INK,
        linewidths=[_CONTOUR_WIDTHS_PT[i] for i in inside],
        linestyles=[_CONTOUR_DASHES[i] for i in inside],
    )
    lines.clabel(fmt=lambda level: f"{style.signed(level)} dB", fontsize=style.SMALL_SIZE_PT, inline_spacing=3)
    return lines


def _mark_verdicts(figure: Figure, axes: Axes, bands: list[panels.Band]) -> None:
    """A rail above the map shows every verdict; the map itself is hatched only where it must not be used."""
    if not bands:
        return
    rail = panels.add_panel(figure, panels.BOTTOM_INCHES + _MAP_INCHES + 0.06, _RAIL_INCHES)
    rail.tick_params(which="both", bottom=False, labelbottom=False, left=False, labelleft=False)
    for band in bands:
        face = panels.verdict_patch(band.verdict)
        rail.axvspan(band.low_hz, band.high_hz, **face)
        if band.verdict == Verdict.DO_NOT_USE:
            axes.axvspan(band.low_hz, band.high_hz, zorder=2.4, **{**face, "facecolor": (1, 1, 1, 0.72)})


def _colour_bar(figure: Figure, filled: QuadContourSet, words: str, lines: QuadContourSet | None) -> None:
    width, height = figure.get_size_inches()
    left = panels.LEFT_INCHES + panels.PANEL_WIDTH_INCHES + 0.25
    place = (left / width, panels.BOTTOM_INCHES / height, 0.18 / width, _MAP_INCHES / height)
    bar = figure.colorbar(filled, cax=figure.add_axes(place), extendfrac=0.04, spacing="proportional")
    steps_db = [float(level) for level in filled.levels]
    ticks_db = [level for level in steps_db if level % 6 == 0 or abs(level) == 3]
    bar.set_ticks(ticks_db, labels=[style.signed(level) for level in ticks_db])
    bar.minorticks_off()
    bar.set_label(words, labelpad=6)
    if lines is not None:
        bar.add_lines(lines)
