"""The scan itself: every point by its surface, those that took no part with the reason, cabinet and axis."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from fieldproc.conventions import Floats, Integers, output_axes
from fieldproc.records import Table
from fieldproc.report import panels, style, views

# Seen from the front, left and above; and straight from above with the front at the top.
_VIEW_DEG, _ABOVE_DEG = (40.0, 24.0), (180.0, 90.0)
_CELL_INCHES, _GAP_INCHES, _RIGHT_INCHES, _LINE_INCHES, _TICKS_INCHES = 3.7, 0.9, 0.25, 0.2, 0.6
# Points that lie behind are paler, up to so much; so many that took no part get labels, so many reasons words.
_PALEST, _SHADES, _LABELLED, _REASONS = 0.62, 4, 6, 4
_CORNERS = np.array(list(itertools.product((-0.5, 0.5), repeat=3)))
# Reasons of table ``points`` from 2 on are reasons to leave a point out.
_FIRST_REASON = 2


@dataclass(frozen=True, slots=True)
class _Scan:
    """Points (point, 3), their surfaces and reason codes, in output axes about the origin of the reference axis."""

    index: Integers
    places_m: Floats
    surface: Integers
    code: Integers
    # corners of the cabinet, (corner, 3), none if it is not known
    box_m: Floats
    reasons: Mapping[int, str]

    @classmethod
    def of(cls, points: Table) -> _Scan:
        facts = points.facts
        origin_m, front, up = (
            _vector(facts, name, default)
            for name, default in (
                ("axis_origin_m", (0.0, 0.0, 0.0)),
                ("axis_direction", (1.0, 0.0, 0.0)),
                ("up_direction", (0.0, 0.0, 1.0)),
            )
        )
        turn = output_axes(front, up).T
        places_m = np.stack([points.column(f"{axis}_m") for axis in "xyz"], axis=1)
        box_m = np.empty((0, 3))
        if "cabinet_size_m" in facts:
            size_m, center_m = (_vector(facts, f"cabinet_{name}_m", (0.0, 0.0, 0.0)) for name in ("size", "center"))
            box_m = (center_m + size_m * _CORNERS - origin_m) @ turn
        reasons = {
            int(found[1]): str(words)
            for name, words in facts.items()
            if (found := re.fullmatch(r"reason_(\d+)", name)) and int(found[1]) >= _FIRST_REASON
        }
        whole = [points.column(name).astype(np.int64) for name in ("point", "surface", "reason_code")]
        return cls(whole[0], (places_m - origin_m) @ turn, whole[1], whole[2], box_m, reasons)

    @property
    def middle_m(self) -> Floats:
        """Of the points, (3,)."""
        return np.asarray(0.5 * (self.places_m.min(axis=0) + self.places_m.max(axis=0)))

    @property
    def left_out(self) -> Integers:
        """Rows of points that took no part."""
        return np.flatnonzero(self.code >= _FIRST_REASON)


@style.applied()
def scan_figure(points: Table, *, title: str) -> Figure:
    """Draw a ``points`` table from the front left and from above.

    Facts ``axis_origin_m``, ``axis_direction``, ``up_direction``, ``cabinet_size_m`` and ``cabinet_center_m`` hold
    three numbers each, parted by spaces; without the first three the axes are those of the scan, without the others
    no cabinet is drawn. Raises ``KeyError`` for a missing column.
    """
    scan = _Scan.of(points)
    told = _reason_words(scan)
    foot_inches = _TICKS_INCHES + _LINE_INCHES * (2 + len(told))
    right_inches = 2 * _CELL_INCHES + _GAP_INCHES + _RIGHT_INCHES - panels.PANEL_WIDTH_INCHES
    figure = panels.new_figure(foot_inches + _CELL_INCHES + panels.TOP_INCHES, right_inches)
    for at, view_deg in enumerate((_VIEW_DEG, _ABOVE_DEG)):
        left_inches = panels.LEFT_INCHES + at * (_CELL_INCHES + _GAP_INCHES)
        axes = views.add_view(figure, (left_inches, foot_inches, _CELL_INCHES, _CELL_INCHES))
        _draw(axes, scan, views.view_axes(*view_deg))
    _scale_above(axes)
    panels.write_heading(figure, title, "points of the scan, from the front left and from above")
    width, height = figure.get_size_inches()
    for line, words in enumerate(reversed(told)):
        bottom = (0.2 + _LINE_INCHES * (line + 1)) / height
        figure.text(panels.LEFT_INCHES / width, bottom, words, fontsize=style.SMALL_SIZE_PT, va="center")
    panels.write_key(figure, _keys(scan))
    return figure


def _vector(facts: Mapping[str, Any], name: str, default: tuple[float, float, float]) -> Floats:
    stated = str(facts.get(name, "")).split()
    return np.array([float(one) for one in stated] if len(stated) == 3 else default)


def _draw(axes: Axes, scan: _Scan, view: Floats) -> None:
    seen = scan.places_m @ view.T
    depth = seen[:, 2] - float(scan.middle_m @ view[2])
    taking_part = np.setdiff1d(np.arange(len(seen)), scan.left_out)
    for rank, surface in enumerate(np.unique(scan.surface)):
        own = taking_part[scan.surface[taking_part] == surface]
        own = own[np.argsort(depth[own], kind="stable")]
        color, marker = _mark(rank)
        # what lies behind the cabinet is drawn before it
        for side, zorder in ((depth[own] <= 0.0, 1.0), (depth[own] > 0.0, 3.0)):
            at = own[side]
            axes.scatter(
                seen[at, 0],
                seen[at, 1],
                s=_size(len(seen)),
                c=_paler(color, depth[at] / max(float(np.abs(depth).max()), 1e-9)),
                marker=marker,
                linewidths=0.0,
                zorder=zorder,
                rasterized=True,
            )
    _draw_box(axes, scan.box_m @ view.T)
    _mark_left_out(axes, scan, seen)
    tip = np.array([1.1 * max(float(scan.places_m[:, 0].max()), 0.1), 0.0, 0.0]) @ view.T
    views.draw_arrow(axes, np.zeros(3), tip, "axis")
    _frame(axes, np.concatenate([seen, scan.box_m @ view.T, tip[None]]))


def _frame(axes: Axes, seen: Floats) -> None:
    """A square about all that is seen, (place, right up towards), with some room for words."""
    low, high = seen[:, :2].min(axis=0), seen[:, :2].max(axis=0)
    middle, half = 0.5 * (low + high), 0.58 * float((high - low).max())
    axes.set_xlim(middle[0] - half, middle[0] + half)
    axes.set_ylim(middle[1] - half, middle[1] + half)


def _mark(rank: int) -> tuple[str, str]:
    return style.SURFACE_MARKS[rank % len(style.SURFACE_MARKS)]


def _size(count: int) -> float:
    """Area of a marker in square points: smaller where there are many."""
    return float(np.clip(12_000.0 / max(count, 1), 4.0, 16.0))


def _paler(color: str, depth: Floats) -> Floats:
    """Colours (point, 3) that fade towards white in steps with the depth, 1 in front and -1 behind."""
    share = _PALEST * np.round(_SHADES * np.clip(0.5 - 0.5 * depth, 0.0, 1.0))[:, None] / _SHADES
    return np.asarray((1.0 - share) * np.array(to_rgb(color)) + share)


def _draw_box(axes: Axes, corners: Floats) -> None:
    """Faces that are seen, and all edges of the outline; corners (corner, right up towards)."""
    if not len(corners):
        return
    faces, normals = [], []
    for axis, side in itertools.product(range(3), (0, 1)):
        on_face = [at for at in range(8) if (at >> (2 - axis)) & 1 == side]
        ring = corners[[on_face[0], on_face[1], on_face[3], on_face[2]]]
        faces.append(ring[:, :2])
        normals.append(ring.mean(axis=0)[2] - corners.mean(axis=0)[2])
    seen = [face for face, toward in zip(faces, normals, strict=True) if toward > 1e-9]
    look: dict[str, Any] = {"facecolors": (0.89, 0.9, 0.91, 0.8), "edgecolors": style.INK, "linewidths": 0.9}
    axes.add_collection(PolyCollection(seen, zorder=2.0, **look), autolim=False)


def _mark_left_out(axes: Axes, scan: _Scan, seen: Floats) -> None:
    """Crosses, and at the first few the number of the point with the letter of its reason."""
    left_out = scan.left_out
    axes.scatter(
        seen[left_out, 0], seen[left_out, 1], s=34.0, c=style.LEFT_OUT, marker="x", linewidths=1.5, zorder=3.7
    )
    letters = _letters(scan)
    for row in left_out[:_LABELLED]:
        axes.annotate(
            f"{scan.index[row]} {letters.get(int(scan.code[row]), '')}".strip(),
            xy=(seen[row, 0], seen[row, 1]),
            xytext=(5.0, 4.0),
            textcoords="offset points",
            fontsize=style.SMALL_SIZE_PT,
            zorder=3.6,
            bbox={"facecolor": (1.0, 1.0, 1.0, 0.75), "edgecolor": "none", "pad": 0.6},
        )


def _letters(scan: _Scan) -> dict[int, str]:
    """A letter for each reason that occurs."""
    codes = np.unique(scan.code[scan.left_out]).tolist()
    return dict(zip(codes, "abcdefghijklmnopqrstuvwxyz", strict=False))


def _reason_words(scan: _Scan) -> list[str]:
    """A line for each of the first reasons."""
    letters, left_out = _letters(scan), scan.left_out
    lines = []
    for code, letter in list(letters.items())[:_REASONS]:
        count = int(np.sum(scan.code[left_out] == code))
        reason = style.plain_text(scan.reasons.get(code, "reason not told"), 90)
        lines.append(f"{letter}   {reason}: {count} point{'' if count == 1 else 's'}")
    rest = len(letters) - len(lines)
    return [*lines, f"and {rest} more reason{'' if rest == 1 else 's'}: tables/points.csv"] if rest > 0 else lines


def _keys(scan: _Scan) -> list[Line2D]:
    """Surfaces with their counts, and the mark of points that took no part."""
    surfaces, counts = np.unique(scan.surface, return_counts=True)
    entries = []
    for rank, (surface, count) in enumerate(zip(surfaces.tolist(), counts.tolist(), strict=True)):
        if rank == len(style.SURFACE_MARKS):
            entries.append(Line2D([], [], linestyle="none", label=f"and {len(surfaces) - rank} more"))
            break
        color, marker = _mark(rank)
        words = f"{count} points" if surface < 0 else f"surface {surface}: {count} points"
        entries.append(Line2D([], [], color=color, marker=marker, linestyle="none", markersize=5.0, label=words))
    if scan.left_out.size:
        words = f"left out: {scan.left_out.size}"
        look: dict[str, Any] = {"marker": "x", "linestyle": "none", "markersize": 6.0, "markeredgewidth": 1.5}
        entries.append(Line2D([], [], color=style.LEFT_OUT, label=words, **look))
    return entries


def _scale_above(axes: Axes) -> None:
    """Axes in metres about the view from above, whose right is the loudspeaker's right."""
    axes.set_axis_on()
    axes.set_axisbelow(True)
    axes.grid(True)
    for spine in axes.spines.values():
        spine.set_color(style.GRID)
    axes.xaxis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 5, 10]))
    axes.xaxis.set_major_formatter(lambda value, _: style.signed(round(-value, 6) + 0.0))
    axes.yaxis.set_major_formatter(lambda value, _: style.signed(round(value, 6) + 0.0))
    axes.set_xlabel("y in m, from the axis to its left (+) and right")
    axes.set_ylabel("x in m, along the axis")
