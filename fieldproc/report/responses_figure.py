"""The recorded responses over time, point by point, and where their gates end."""

from __future__ import annotations

from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from fieldproc.conventions import Floats
from fieldproc.records import Table
from fieldproc.report import panels, style

_MAP_INCHES, _RIGHT_INCHES = 4.4, 1.3
_LOWEST_DB = -60.0
_STEPS_DB = 5.0
_POINT = ("point_", "_db")


@style.applied()
def responses_figure(responses: Table, *, title: str) -> Figure:
    """Draw a ``responses`` table: level over time and point, the end of the gate of each as a line.

    Raises ``KeyError`` for a missing column.
    """
    time_ms = 1e3 * responses.column("time_s")
    names = [name for name in responses.header if name.startswith(_POINT[0]) and name.endswith(_POINT[1])]
    level_db = np.stack([responses.column(name) for name in names])
    figure = panels.new_figure(panels.BOTTOM_INCHES + _MAP_INCHES + panels.TOP_INCHES, _RIGHT_INCHES)
    axes = _map_axes(figure)
    step_ms = (time_ms[-1] - time_ms[0]) / max(len(time_ms) - 1, 1) or 1.0
    # rows of the picture from above: the first point stands at the top
    extent = (time_ms[0] - step_ms / 2, time_ms[-1] + step_ms / 2, len(names) - 0.5, -0.5)
    colours = matplotlib.colormaps[style.LEVEL_MAP].resampled(int(-_LOWEST_DB / _STEPS_DB))
    shown = axes.imshow(
        np.clip(level_db, _LOWEST_DB, 0.0),
        cmap=colours,
        vmin=_LOWEST_DB,
        vmax=0.0,
        extent=extent,
        aspect="auto",
        interpolation="nearest",
    )
    gate_ms = 1e3 * _listed(responses, "gate_end_s", len(names))
    gated = bool(np.isfinite(gate_ms).any())
    if gated:
        _gate_line(axes, gate_ms)
    axes.set_xlim(extent[0], extent[1])
    axes.set_xlabel("time after the earliest direct sound in ms")
    _name_points(axes, names, responses)
    _colour_bar(figure, shown)
    panels.write_heading(figure, title, "responses as recorded, and where the gate ends")
    words = "the gate has closed: before the first reflection" if gated else "no gate"
    line = Line2D([], [], color=style.GATE, linewidth=2.0 if gated else 0.0, label=words)
    panels.write_key(figure, [line], f"{len(names)} points, evenly over the scan")
    return figure


def _map_axes(figure: Figure) -> Axes:
    width, height = figure.get_size_inches()
    place = (panels.LEFT_INCHES, panels.BOTTOM_INCHES, panels.PANEL_WIDTH_INCHES, _MAP_INCHES)
    return figure.add_axes((place[0] / width, place[1] / height, place[2] / width, place[3] / height))


def _listed(responses: Table, name: str, count: int) -> Floats:
    """A list of numbers among the facts, one per point; nan where there is none."""
    stated = str(responses.facts.get(name, "")).split()
    return np.array([float(one) for one in stated]) if len(stated) == count else np.full(count, np.nan)


def _gate_line(axes: Axes, gate_ms: Floats) -> None:
    """An upright stroke for each point, as high as its row."""
    rows = np.arange(len(gate_ms))
    axes.vlines(gate_ms, rows - 0.5, rows + 0.5, color="white", linewidth=4.0)
    axes.vlines(gate_ms, rows - 0.5, rows + 0.5, color=style.GATE, linewidth=2.0)


def _name_points(axes: Axes, names: list[str], responses: Table) -> None:
    """The angle off the axis at some rows, and where another surface begins."""
    off_deg, surface = (_listed(responses, name, len(names)) for name in ("off_axis_deg", "surfaces"))
    starts = np.flatnonzero(np.diff(surface, prepend=np.nan) != 0)
    for row in starts[1:]:
        axes.axhline(row - 0.5, color="white", linewidth=1.2)
    rows = _some_rows(len(names), starts)
    if np.isfinite(off_deg).all():
        axes.set_yticks(rows, [f"{off_deg[row]:.0f}°" for row in rows])
        axes.set_ylabel("angle of the point off the axis")
    else:
        axes.set_yticks(rows, [names[row][len(_POINT[0]) : -len(_POINT[1])] for row in rows])
        axes.set_ylabel("point")
    axes.yaxis.set_label_coords(-0.6 / panels.PANEL_WIDTH_INCHES, 0.5)
    for start, stop in zip(starts, [*starts[1:], len(names)], strict=True):
        if len(starts) > 1 and stop - start > 3:
            axes.text(
                0.99,
                (stop - 1.5),
                f"surface {surface[start]:.0f}",
                transform=axes.get_yaxis_transform(),
                ha="right",
                va="center",
                fontsize=style.SMALL_SIZE_PT,
                color=style.INK,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
            )


def _some_rows(count: int, starts: Any) -> list[int]:
    """Every so many rows of each surface, the first of it among them, none too near to the next surface."""
    step = max(1, count // 16)
    return [
        row
        for start, stop in zip(starts, [*starts[1:], count + step], strict=True)
        for row in range(start, min(stop - step + 1, count), step)
    ]


def _colour_bar(figure: Figure, shown: Any) -> None:
    width, height = figure.get_size_inches()
    left = panels.LEFT_INCHES + panels.PANEL_WIDTH_INCHES + 0.25
    place = (left / width, panels.BOTTOM_INCHES / height, 0.18 / width, _MAP_INCHES / height)
    bar = figure.colorbar(shown, cax=figure.add_axes(place), extend="min", extendfrac=0.03)
    ticks = np.arange(_LOWEST_DB, 1.0, 10.0)
    bar.set_ticks(ticks.tolist(), labels=[style.signed(float(tick)) for tick in ticks])
    bar.set_label("level in dB re the largest sample", labelpad=6)
