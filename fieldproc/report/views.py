"""Solid things as they are seen from afar (parallel projection), in output axes: front x, left y, up z."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldproc.conventions import Floats
from fieldproc.report import style


def view_axes(azimuth_deg: float, elevation_deg: float) -> Floats:
    """Rows to the right, upwards, and towards an onlooker in this direction.

    From straight above, front is at the top with an azimuth of 180 degrees.
    """
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    onlooker = np.array([np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)])
    upwards = np.array(
        [-np.sin(elevation) * np.cos(azimuth), -np.sin(elevation) * np.sin(azimuth), np.cos(elevation)]
    )
    return np.stack([np.cross(upwards, onlooker), upwards, onlooker])


def add_view(figure: Figure, place_inches: tuple[float, float, float, float]) -> Axes:
    """Axes without frame and ticks at (left, bottom, width, height); lengths are alike both ways."""
    width, height = figure.get_size_inches()
    left, bottom, across, tall = place_inches
    axes = figure.add_axes((left / width, bottom / height, across / width, tall / height))
    axes.set_aspect("equal")
    axes.set_axis_off()
    return axes


def draw_arrow(axes: Axes, tail: Floats, tip: Floats, words: str, *, zorder: float = 4.0) -> None:
    """An arrow between two places (right, up), with words beyond its tip."""
    axes.annotate(
        "",
        xy=(tip[0], tip[1]),
        xytext=(tail[0], tail[1]),
        zorder=zorder,
        arrowprops={"arrowstyle": "-|>", "color": style.INK, "linewidth": 1.2, "shrinkA": 0.0, "shrinkB": 0.0},
    )
    away = tip[:2] - tail[:2]
    length = float(np.linalg.norm(away))
    toward = away / length if length > 0.0 else np.zeros(2)
    axes.annotate(
        words,
        xy=(tip[0], tip[1]),
        xytext=(9.0 * toward[0], 9.0 * toward[1]),
        textcoords="offset points",
        ha="center" if abs(toward[0]) < 0.5 else "left" if toward[0] > 0 else "right",
        va="center" if abs(toward[1]) < 0.5 else "bottom" if toward[1] > 0 else "top",
        zorder=zorder,
        bbox={"facecolor": (1.0, 1.0, 1.0, 0.75), "edgecolor": "none", "pad": 0.6},
    )
