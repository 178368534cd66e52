"""Directivity over frequency: index and indices, and the coverage angles of both planes, all with their bands.

The indices have an aspect ratio of IEC 60263: one decade is as long as 25 dB.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldproc.conventions import Booleans
from fieldproc.records import Table, Verdict
from fieldproc.report import curves, lines, panels, style
from fieldproc.report.maps import PLANES, Plane

INDICES = ("directivity_index_db", *curves.INDEX_COLUMNS)
_TICKS_DEG = range(-120, 121, 60)
_SIDES = {"horizontal": ("left", "right"), "vertical": ("up", "down")}
_COVERAGE_INCHES, _SIDES_INCHES, _GAP_INCHES, _RIGHT_INCHES = 1.9, 1.7, 0.22, 2.0
_SUBTITLE = "directivity indices, and coverage: where the level first falls to \N{MINUS SIGN}6 dB re the axis"
# An angle that is not reached stands where a half turn would, and two of them side by side.
_AIR_DEG, _APART_DEG = 20.0, 8.0


@style.applied()
def directivity_figure(
    directivity: Table, curve_table: Table | None = None, quality: Table | None = None, *, title: str
) -> Figure:
    """Draw a ``directivity`` table, and the two indices of a ``cta2034a`` table where there is one.

    Both are over the same frequencies. ``quality`` as in ``curve_family``. Raises ``KeyError`` for a missing column.
    """
    bands = panels.verdict_bands(quality)
    indices = panels.near_axis(_indices(directivity, curve_table))
    names = [name for name in INDICES if name in indices.header]
    directivity = panels.near_axis(directivity)
    usable = curves.usable_rows(indices, bands)
    limits_db = curves.decibel_range(curves.columns_of(indices, names), usable, curves.INDEX_SPANS_DB, grow="up")
    heights = [_SIDES_INCHES, _SIDES_INCHES, _COVERAGE_INCHES, (limits_db[1] - limits_db[0]) * curves.INCHES_PER_DB]
    total = panels.BOTTOM_INCHES + sum(heights) + (len(heights) - 1) * _GAP_INCHES + panels.TOP_INCHES
    figure = panels.new_figure(total, _RIGHT_INCHES)
    bottoms = panels.BOTTOM_INCHES + np.cumsum([0.0, *(height + _GAP_INCHES for height in heights[:-1])])
    made = [panels.add_panel(figure, float(at), height) for at, height in zip(bottoms, heights, strict=True)]
    vertical, horizontal, full, index = made
    curves.fill_panel(index, indices, names, limits_db, bands)
    index.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=1.5)
    index.set_ylabel("directivity index\nin dB")
    _draw_full_angles(full, directivity, bands)
    _draw_sides(horizontal, directivity, "horizontal", bands)
    _draw_sides(vertical, directivity, "vertical", bands)
    for axes in made[1:]:
        axes.tick_params(axis="x", which="both", labelbottom=False)
    vertical.set_xlabel("frequency in Hz")
    panels.write_heading(figure, title, _SUBTITLE)
    panels.write_key(figure, curves.key_of(directivity, INDICES[:1], bands), curves.ASPECT_WORDS)
    return figure


def _indices(directivity: Table, curve_table: Table | None) -> Table:
    """The columns of all indices, with their bands and verdicts, side by side."""
    stems = tuple(name.removesuffix("db") for name in INDICES)
    columns = {"frequency_hz": directivity.column("frequency_hz")}
    for table in (directivity, curve_table):
        if table is not None:
            columns |= {name: table.column(name) for name in table.header if name.startswith(stems)}
    return Table.of_columns("indices", columns, directivity.facts)


def _draw_full_angles(axes: Axes, table: Table, bands: list[panels.Band]) -> None:
    """Full angles of both planes."""
    _prepare(axes, (0.0, 360.0 + _AIR_DEG), bands)
    ticks = {angle: f"{angle}°" for angle in range(0, 360, 60)} | {360: "not reached"}
    axes.set_yticks(list(ticks), list(ticks.values()))
    for plane, way in zip(PLANES, (0.5, -0.5), strict=True):
        _draw_angle(axes, table, f"{plane}_coverage_deg", style.PLANE_PENS[plane], bands, 360.0 + way * _APART_DEG)
    lines.legend(axes, list(style.PLANE_PENS.values()), title="coverage angle", alignment="left")


def _prepare(axes: Axes, limits_deg: tuple[float, float], bands: list[panels.Band]) -> None:
    axes.set_ylim(*limits_deg)
    axes.grid(True, which="both")
    lines.mark_verdicts(axes, bands)


def _draw_sides(axes: Axes, table: Table, plane: Plane, bands: list[panels.Band]) -> None:
    """How far the coverage of a plane reaches to either side of the axis."""
    positive, negative = _SIDES[plane]
    _prepare(axes, (-180.0 - _AIR_DEG, 180.0 + _AIR_DEG), bands)
    ticks = {
        angle: f"{style.signed(angle, plus=True)}° {positive if angle > 0 else negative}" for angle in _TICKS_DEG
    }
    ticks |= {-180: "not reached", 0: "on axis", 180: "not reached"}
    axes.set_yticks(list(ticks), list(ticks.values()))
    axes.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=1.5)
    pen = style.PLANE_PENS[plane]
    for side, sign in ((positive, 1.0), (negative, -1.0)):
        _draw_angle(axes, table, f"{plane}_coverage_{side}_deg", pen, bands, sign * 180.0, sign)
    words = f"{positive} and {negative} ends"
    lines.legend(axes, [style.Pen(words, pen.color, pen.dash)], title=f"{plane} plane", alignment="left")


def _draw_angle(
    axes: Axes,
    table: Table,
    name: str,
    pen: style.Pen,
    bands: list[panels.Band],
    limit_deg: float,
    sign: float = 1.0,
) -> None:
    """One angle, turned by ``sign``; strokes at ``limit_deg`` where it is not reached."""
    lines.draw_column(axes, table, name, bands, pen, sign)
    frequency_hz, missing = table.column("frequency_hz"), not_reached(table, name)
    edges_hz = panels.cell_edges(frequency_hz)
    for start, stop in panels.runs(missing):
        if missing[start]:
            ends = (edges_hz[start], edges_hz[stop]), (limit_deg, limit_deg)
            axes.plot(
                *ends, color=pen.color, linestyle=pen.linestyle, linewidth=style.LINE_WIDTHS_PT[Verdict.CAUTION]
            )


def not_reached(table: Table, name: str) -> Booleans:
    """Where an angle is undefined though the directivity index is not, (frequency,)."""
    known = np.isfinite(table.column("directivity_index_db"))
    return np.asarray(known & np.isnan(table.column(name)), dtype=np.bool_)
