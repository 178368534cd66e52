"""From tables to figures, as SVG and PNG.

Figures are drawn from ``Table`` records, the balloon from a ``FarField``, with the object-oriented interface of
matplotlib: no window, no global state, the same bytes from the same tables. ``style.py`` holds everything about
looks.
"""

from fieldproc.report.curves import curve_family
from fieldproc.report.differences import difference_figure
from fieldproc.report.directivity import directivity_figure
from fieldproc.report.in_room import in_room_figure
from fieldproc.report.maps import level_map
from fieldproc.report.polar import polar_figure
from fieldproc.report.report import draw, draw_differences, draw_sweep
from fieldproc.report.sweep import sweep_figure
from fieldproc.report.time_figure import time_figure

__all__ = [
    "curve_family",
    "difference_figure",
    "directivity_figure",
    "draw",
    "draw_differences",
    "draw_sweep",
    "in_room_figure",
    "level_map",
    "polar_figure",
    "sweep_figure",
    "time_figure",
]
