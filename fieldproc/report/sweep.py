"""Degrees over frequency, what left-out points say of them, noise gain and condition: one figure of a sweep."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator, NullLocator

from fieldproc.conventions import Floats
from fieldproc.records import Table
from fieldproc.report import panels, style

_PANEL_INCHES, _GAP_INCHES, _RIGHT_INCHES = 1.55, 0.2, 0.35
# Recommended degrees are drawn heavy, automatic ones thin and dashed, in the colour of their set.
_OUTGOING, _REGULAR, _HELD_OUT = "#2440b8", "#b8332f", "#2f8a6a"
# Cells of a tall loudspeaker have conditions beyond any axis, by design.
_HIGHEST_CONDITION, _CONDITIONS = 2e4, (1, 10, 100, 1000, 10_000)
_WIDE, _THIN = 1.9, 1.0
_DASH = (0.0, (4.0, 2.0))


@style.applied()
def sweep_figure(orders: Table, judged: Table, sweep: Table, *, title: str) -> Figure:
    """Draw the tables ``orders``, ``judged`` and ``sweep`` of a tuned scan, in four panels over frequency.

    The grey span is what the pairs of the sweep came to, from the least to the largest. Raises ``KeyError`` for a
    missing column.
    """
    panel_count = 4
    height = panels.BOTTOM_INCHES + panel_count * _PANEL_INCHES + (panel_count - 1) * _GAP_INCHES + panels.TOP_INCHES
    figure = panels.new_figure(height, _RIGHT_INCHES)
    step = _PANEL_INCHES + _GAP_INCHES
    made = [panels.add_panel(figure, panels.BOTTOM_INCHES + at * step, _PANEL_INCHES) for at in range(panel_count)]
    condition, gain, error, degree = made
    for axes in made:
        axes.grid(True, which="both")
    for axes in made[1:]:
        axes.tick_params(axis="x", which="both", labelbottom=False)
    _draw_degrees(degree, orders)
    _draw_measure(error, judged, sweep, "leave_one_out_db", "prediction\nerror in dB")
    error.plot(
        judged.column("frequency_hz"),
        judged.column("held_out_db"),
        color=_HELD_OUT,
        marker="s",
        markersize=3.0,
        linewidth=_THIN,
    )
    _draw_measure(gain, judged, sweep, "noise_gain_db", "noise gain\nin dB")
    _draw_measure(condition, judged, sweep, "condition", "condition")
    condition.set_yscale("log")
    condition.set_ylim(1.0, _HIGHEST_CONDITION)
    condition.yaxis.set_major_locator(FixedLocator(list(_CONDITIONS)))
    condition.yaxis.set_major_formatter(FixedFormatter([f"{at:g}" for at in _CONDITIONS]))
    condition.yaxis.set_minor_locator(NullLocator())
    condition.set_xlabel("frequency in Hz")
    for axes in made:
        axes.yaxis.set_label_coords(-0.5 / panels.PANEL_WIDTH_INCHES, 0.5)
    panels.write_heading(figure, title, "degrees of both wave sets, and what the scan says of them")
    _write_key(figure)
    return figure


def _draw_degrees(axes: Axes, orders: Table) -> None:
    frequency_hz = orders.column("frequency_hz")
    for name, color in (("outgoing_order", _OUTGOING), ("regular_order", _REGULAR)):
        for column, look in ((name, _look(color)), (f"auto_{name}", _auto_look(color))):
            degree = orders.column(column)
            axes.step(frequency_hz, np.where(degree >= 0, degree, np.nan), where="mid", **look)
    axes.set_ylim(bottom=0.0)
    axes.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=5))
    axes.set_ylabel("degree")


def _draw_measure(axes: Axes, judged: Table, sweep: Table, name: str, words: str) -> None:
    """Recommended and automatic degrees over what all pairs of all candidates came to."""
    # an infinite condition leaves any panel
    tried_hz, values = sweep.column("frequency_hz"), np.minimum(sweep.column(name), 1e9)
    frequency_hz = np.unique(tried_hz)
    span = np.array([[values[tried_hz == at].min(), values[tried_hz == at].max()] for at in frequency_hz])
    axes.fill_between(frequency_hz, span[:, 0], span[:, 1], color=style.CAUTION_FILL, linewidth=0.0, zorder=0.5)
    at_hz = judged.column("frequency_hz")
    axes.plot(at_hz, judged.column(name), marker="o", markersize=3.2, **_look(style.INK))
    axes.plot(at_hz, _auto(judged, name), **_auto_look(style.INK))
    axes.set_ylabel(words)


def _auto(judged: Table, name: str) -> Floats:
    return judged.column(f"auto_{name}")


def _look(color: str) -> dict[str, Any]:
    return {"color": color, "linewidth": _WIDE}


def _auto_look(color: str) -> dict[str, Any]:
    return {"color": color, "linewidth": _THIN, "linestyle": _DASH}


def _write_key(figure: Figure) -> None:
    panels.write_key(
        figure,
        [
            Line2D([], [], label="outgoing", **_look(_OUTGOING)),
            Line2D([], [], label="regular", **_look(_REGULAR)),
            Line2D([], [], label="table", marker="o", markersize=3.2, **_look(style.INK)),
            Line2D([], [], label="auto", **_auto_look(style.INK)),
            Line2D([], [], label="surfaces left out", color=_HELD_OUT, marker="s", markersize=3.0, linewidth=_THIN),
            Patch(label="all pairs tried", facecolor=style.CAUTION_FILL, edgecolor="none"),
        ],
    )
