"""Directivity balloons at a few frequencies: in every direction as far out, and as bright, as the level is high."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure
from scipy.spatial import ConvexHull, QhullError

from fieldproc.conventions import Complexes, Floats, Integers, amplitude_db, directions_from_angles
from fieldproc.records import FarField, Table, Verdict
from fieldproc.report import panels, style, views

FREQUENCIES_HZ = (500.0, 2000.0, 5000.0, 10_000.0)
REACH_DB = 30.0
# Fewer directions make no surface, nor do triangles that leave most of the sphere out. One with a longer edge would
# span directions that are not there.
_FEWEST_DIRECTIONS, _LEAST_COVERED, _LONGEST_EDGE = 200, 0.2, 0.45
# Directions nearer to each other than about 3 degrees say no more in a picture; triangles are cut up to a number.
_NEAREST, _THINNED_FROM, _CUT_UP_TO = 0.05, 8000, 25_000
# Another frequency stands for one that may not be used up to so far from it.
_NEAR_OCTAVES = 1.0 / 6.0
# Seen from the front, left and above; the light comes from above.
_VIEW_DEG, _LIGHT_DEG = (40.0, 22.0), (60.0, 55.0)
# Brightness of what the light does not reach. Colours go by steps: so levels can be told apart, and files stay small.
_SHADE, _SHADES, _STEP_DB = 0.72, 32, 3.0
_CELL_INCHES = panels.PANEL_WIDTH_INCHES / 2
_FOOT_INCHES, _RIGHT_INCHES, _BAR_INCHES = 0.5, 1.3, 0.18
# Half of a cell, re the largest level.
_SPAN = 1.27
_NAMED = {"front": (1.0, 0.0, 0.0), "left": (0.0, 1.0, 0.0), "up": (0.0, 0.0, 1.0)}


@style.applied()
def balloon_figure(
    far_field: FarField,
    quality: Table | None = None,
    *,
    channel: int = 0,
    frequencies_hz: Sequence[float] = FREQUENCIES_HZ,
    title: str,
) -> Figure | None:
    """Draw the balloons of one channel at those of ``frequencies_hz`` that may be used.

    ``quality`` as in ``curve_family``; without it, all that the far field has may be used. ``None`` where its
    directions are too few for a surface, and where none of the frequencies may be used.
    """
    drawn = []
    for row in usable_rows(far_field, quality, frequencies_hz):
        surface = Surface.of(far_field.directions, far_field.pressure_pa[row, channel])
        if surface is not None:
            drawn.append((float(far_field.frequency_hz[row]), surface))
    if not drawn:
        return None
    down = -(-len(drawn) // 2)
    figure = panels.new_figure(_FOOT_INCHES + down * _CELL_INCHES + panels.TOP_INCHES, _RIGHT_INCHES)
    steps = matplotlib.colormaps[style.LEVEL_MAP].resampled(round(REACH_DB / _STEP_DB))
    colours = ScalarMappable(Normalize(-REACH_DB, 0.0), steps)
    for at, (frequency_hz, surface) in enumerate(drawn):
        left_inches = panels.LEFT_INCHES + (at % 2) * _CELL_INCHES
        bottom_inches = _FOOT_INCHES + (down - 1 - at // 2) * _CELL_INCHES
        axes = views.add_view(figure, (left_inches, bottom_inches, _CELL_INCHES, _CELL_INCHES))
        _draw(axes, surface, colours)
        words: dict[str, Any] = {"transform": axes.transAxes, "va": "top"}
        axes.text(0.0, 0.985, _hertz(frequency_hz), fontweight="bold", **words)
        axes.text(0.0, 0.925, surface.axis_words, color=style.FAINT, fontsize=style.SMALL_SIZE_PT, **words)
    _colour_bar(figure, colours, down * _CELL_INCHES)
    panels.write_heading(figure, title, f"directivity balloons: from the largest level to {REACH_DB:g} dB below it")
    remark = "circles: the largest level, in the planes of front, left and up"
    width, height = figure.get_size_inches()
    place = (panels.LEFT_INCHES / width, 0.2 / height)
    figure.text(*place, remark, fontsize=style.SMALL_SIZE_PT, color=style.FAINT, va="center")
    return figure


def usable_rows(far_field: FarField, quality: Table | None, frequencies_hz: Sequence[float]) -> list[int]:
    """Row nearest to each frequency among those that may be used, if it is near, none twice."""
    verdict = panels.verdict_at(far_field.frequency_hz, panels.verdict_bands(quality))
    usable = np.flatnonzero((verdict < Verdict.DO_NOT_USE) & (far_field.frequency_hz > 0.0))
    rows: list[int] = []
    for wanted_hz in frequencies_hz:
        away = np.abs(np.log2(far_field.frequency_hz[usable] / wanted_hz))
        if usable.size and away.min() <= _NEAR_OCTAVES:
            rows.append(int(usable[away.argmin()]))
    return list(dict.fromkeys(rows))


@dataclass(frozen=True, slots=True)
class Surface:
    """Triangles (triangle, 3) between directions (vertex, 3), with the level of each (vertex,) re the largest."""

    directions: Floats
    level_db: Floats
    triangles: Integers

    @classmethod
    def of(cls, directions: Floats, pressure_pa: Complexes) -> Surface | None:
        """Between the directions that have a level; ``None`` where they make no surface."""
        known = np.flatnonzero(np.isfinite(pressure_pa))
        largest = np.abs(pressure_pa[known]).max(initial=0.0)
        if len(known) > _THINNED_FROM:
            known = known[np.unique(np.round(directions[known] / _NEAREST), axis=0, return_index=True)[1]]
        if len(known) < _FEWEST_DIRECTIONS or not largest:
            return None
        unit = directions[known] / np.linalg.norm(directions[known], axis=1, keepdims=True)
        try:
            triangles = _outward(unit, ConvexHull(unit).simplices.astype(np.int64))
        except QhullError:
            return None
        corners = unit[triangles]
        edge = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
        triangles = triangles[edge <= _LONGEST_EDGE]
        if _area(unit, triangles) < _LEAST_COVERED * 4.0 * np.pi:
            return None
        return cls(unit, amplitude_db(np.abs(pressure_pa[known]) / largest), triangles)

    def finer(self) -> Surface:
        """Every triangle cut into four, levels halfway between those of its corners."""
        count = len(self.directions)
        edges = np.sort(self.triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
        # as one number each, edges are sorted ten times as fast
        numbers, which = np.unique(edges[:, 0] * count + edges[:, 1], return_inverse=True)
        unique = np.stack(np.divmod(numbers, count), axis=1)
        middle = which.reshape(-1, 3) + count
        between = self.directions[unique].sum(axis=1)
        shown_db = np.maximum(self.level_db, -REACH_DB)
        (a, b, c), (ab, bc, ca) = self.triangles.T, middle.T
        cut = np.concatenate(
            [np.stack(corners, axis=1) for corners in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
        )
        return Surface(
            np.concatenate([self.directions, between / np.linalg.norm(between, axis=1, keepdims=True)]),
            np.concatenate([shown_db, shown_db[unique].mean(axis=1)]),
            cut,
        )

    @property
    def places(self) -> Floats:
        """Where the surface is, (vertex, 3): the largest level at 1, what is 30 dB or more below it at 0."""
        return self.directions * np.clip(1.0 + self.level_db / REACH_DB, 0.0, 1.0)[:, None]

    def normals(self) -> Floats:
        """Unit vectors across the surface, (vertex, 3), means over the triangles that meet there."""
        a, b, c = np.moveaxis(self.places[self.triangles], 1, 0)
        across = np.cross(b - a, c - a)
        corners = self.triangles.T.ravel()
        summed = np.stack([np.bincount(corners, np.tile(own, 3), len(self.directions)) for own in across.T], axis=1)
        length = np.linalg.norm(summed, axis=1, keepdims=True)
        return np.asarray(np.divide(summed, length, out=self.directions.copy(), where=length > 0.0))

    def reach(self, direction: Floats) -> float:
        """How far out the surface is in the nearest of its directions."""
        return float(np.linalg.norm(self.places[np.argmax(self.directions @ direction)]))

    @property
    def axis_words(self) -> str:
        """What the level in front is, re the largest."""
        nearest = int(np.argmax(self.directions[:, 0]))
        if self.directions[nearest, 0] < np.cos(np.radians(5.0)):
            return ""
        below_db = -round(float(self.level_db[nearest]), 1) + 0.0
        return "largest on axis" if below_db == 0.0 else f"on axis {style.signed(-below_db)} dB"


def _outward(unit: Floats, triangles: Integers) -> Integers:
    """Corners in such an order that normals point away from the centre."""
    a, b, c = np.moveaxis(unit[triangles], 1, 0)
    inward = np.sum(np.cross(b - a, c - a) * a, axis=1) < 0.0
    return np.where(inward[:, None], triangles[:, ::-1], triangles)


def _area(unit: Floats, triangles: Integers) -> float:
    a, b, c = np.moveaxis(unit[triangles], 1, 0)
    return 0.5 * float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())


def _draw(axes: Axes, surface: Surface, colours: ScalarMappable) -> None:
    view = views.view_axes(*_VIEW_DEG)
    axes.set_xlim(-_SPAN, _SPAN)
    axes.set_ylim(-_SPAN, _SPAN)
    _circles(axes, view)
    finer = surface
    while len(finer.triangles) <= _CUT_UP_TO:
        finer = finer.finer()
    seen = finer.places @ view.T
    depth = seen[finer.triangles, 2].mean(axis=1)
    a, b, c = np.moveaxis(seen[finer.triangles], 1, 0)
    # a closed surface hides its own inside
    closed = _area(surface.directions, surface.triangles) > 0.97 * 4.0 * np.pi
    shown = np.flatnonzero((np.cross(b - a, c - a)[:, 2] > 0.0) | (not closed))
    shown = shown[np.argsort(depth[shown], kind="stable")]
    triangles = finer.triangles[shown]
    faces = PolyCollection(
        list(seen[triangles][:, :, :2]),
        facecolors=_shaded(finer, triangles, colours),
        edgecolors="none",
        antialiaseds=False,
        zorder=2.0,
        rasterized=True,
    )
    axes.add_collection(faces, autolim=False)
    for words, direction in _NAMED.items():
        along = np.array(direction)
        tail, tip = (along * length @ view.T for length in (surface.reach(along), 1.14))
        views.draw_arrow(axes, tail, tip, words)


def _shaded(surface: Surface, triangles: Integers, colours: ScalarMappable) -> Floats:
    """Colours (triangle, 4) of the levels, darker where the light does not reach."""
    light = directions_from_angles(np.array(_LIGHT_DEG[0]), np.array(_LIGHT_DEG[1]))
    lit = np.clip(surface.normals()[triangles].mean(axis=1) @ light, 0.0, 1.0)
    lit = np.round(_SHADES * lit) / _SHADES
    rgba = colours.to_rgba(surface.level_db[triangles].mean(axis=1))
    rgba[:, :3] *= (_SHADE + (1.0 - _SHADE) * lit)[:, None]
    return np.asarray(rgba)


def _circles(axes: Axes, view: Floats) -> None:
    """The largest level in three planes, what lies behind the middle behind the balloon, the rest before it."""
    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    for plane in ((0, 1), (1, 2), (2, 0)):
        ring = np.zeros((len(turn), 3))
        ring[:, plane[0]], ring[:, plane[1]] = np.cos(turn), np.sin(turn)
        seen = ring @ view.T
        before = seen[:, 2] > 0.0
        for side, zorder in ((before, 3.0), (~before, 1.0)):
            # one more at either end, so that no gap is left
            wider = side | np.roll(side, 1) | np.roll(side, -1)
            places = np.where(wider[:, None], seen[:, :2], np.nan)
            axes.plot(*places.T, color=style.HATCH_INK, linewidth=0.7, zorder=zorder)


def _hertz(frequency_hz: float) -> str:
    return f"{frequency_hz / 1000.0:.3g} kHz" if frequency_hz >= 1000.0 else f"{frequency_hz:.3g} Hz"


def _colour_bar(figure: Figure, colours: ScalarMappable, tall_inches: float) -> None:
    width, height = figure.get_size_inches()
    left = panels.LEFT_INCHES + panels.PANEL_WIDTH_INCHES + 0.25
    bar_inches = min(tall_inches, 4.4)
    bottom = _FOOT_INCHES + 0.5 * (tall_inches - bar_inches)
    place = (left / width, bottom / height, _BAR_INCHES / width, bar_inches / height)
    bar = figure.colorbar(colours, cax=figure.add_axes(place), extend="min", extendfrac=0.03)
    ticks = np.arange(-REACH_DB, 1.0, 6.0)
    bar.set_ticks(ticks.tolist(), labels=[style.signed(float(tick)) for tick in ticks])
    bar.set_label("level in dB re the largest", labelpad=6)
