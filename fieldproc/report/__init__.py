"""From tables to figures: the curves of ANSI/CTA-2034-A and level maps over angle, as SVG and PNG.

Figures are drawn from ``Table`` records alone, with the object-oriented interface of matplotlib: no
window, no global state, the same bytes from the same tables. ``style.py`` holds everything about looks.
"""

from fieldproc.report.curves import curve_family
from fieldproc.report.differences import difference_figure
from fieldproc.report.maps import level_map
from fieldproc.report.report import draw, draw_differences, draw_sweep
from fieldproc.report.sweep import sweep_figure

__all__ = [
    "curve_family",
    "difference_figure",
    "draw",
    "draw_differences",
    "draw_sweep",
    "level_map",
    "sweep_figure",
]
