"""Differences of results from one of them over frequency, with their bands: one panel to a curve.

The panels have an aspect ratio of IEC 60263: one decade is as long as 10 dB, or as 25 or 50 dB where differences are
large.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MultipleLocator

from fieldproc.records import Table, Verdict
from fieldproc.report import panels, style

CURVES = ("on_axis_db", "listening_window_db", "sound_power_db", "in_room_estimate_db")
# dB per decade, dB from line to line, dB that a panel reaches at least on either side, longest range in dB.
_SCALES = ((10.0, 1.0, 2.0, 10.0), (25.0, 5.0, 5.0, 30.0), (50.0, 10.0, 10.0, 60.0))
_GAP_INCHES, _RIGHT_INCHES, _NAME_INCHES = 0.42, 1.9, 0.12
# Results take colours and dashes of curves, one after another; ink is for frames. The first is solid: most often it
# is the only one.
_COLORS_OF = ("listening_window", "early_reflections", "sound_power_di", "in_room_estimate", "early_reflections_di")
_PENS = [
    style.Pen("", style.PENS[f"{name}_db"].color, pen.dash)
    for name, pen in zip(_COLORS_OF, style.PENS.values(), strict=False)
]
_BAND_ALPHA = 0.16
_BEYOND_DB = 200.0
_LONGEST_NAME = 22


@style.applied()
def difference_figure(
    differences: Sequence[Table], names: Sequence[str], quality: Table | None = None, *, title: str
) -> Figure:
    """Draw tables ``difference_cta2034a``, one for each of the ``names`` of results.

    ``quality`` as in ``curve_family``. Raises ``KeyError`` for a missing column.
    """
    tables = [panels.near_axis(table) for table in differences]
    bands = panels.verdict_bands(quality)
    per_decade_db, step_db, lowest_db, highest_db = _scale(tables, bands)
    inches = (highest_db - lowest_db) * panels.DECADE_INCHES / per_decade_db
    pitch = inches + _GAP_INCHES
    height = panels.BOTTOM_INCHES + len(CURVES) * pitch - _GAP_INCHES + _NAME_INCHES + panels.TOP_INCHES
    figure = panels.new_figure(height, _RIGHT_INCHES)
    for at, curve in enumerate(reversed(CURVES)):
        axes = panels.add_panel(figure, panels.BOTTOM_INCHES + at * pitch, inches)
        axes.set_ylim(lowest_db, highest_db)
        axes.yaxis.set_major_locator(MultipleLocator(step_db))
        axes.grid(True, which="both")
        axes.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=1.5)
        for band in bands:
            if band.verdict != Verdict.GOOD:
                axes.axvspan(band.low_hz, band.high_hz, zorder=0.5, **panels.verdict_patch(band.verdict))
        for number, table in enumerate(tables):
            _draw(axes, table, curve, _PENS[number % len(_PENS)], bands)
        axes.set_title(style.PENS[curve].words, loc="left", fontsize=style.SIZE_PT, pad=4.0)
        axes.set_ylabel("dB")
        axes.yaxis.set_label_coords(-0.5 / panels.PANEL_WIDTH_INCHES, 0.5)
        axes.tick_params(axis="x", which="both", labelbottom=at == 0)
        if at == 0:
            axes.set_xlabel("frequency in Hz")
        if at == len(CURVES) - 1:
            _write_legend(axes, names, any(_has_band(table) for table in tables))
    panels.write_heading(figure, title, "curves of ANSI/CTA-2034-A, other minus reference")
    panels.write_key(figure, panels.key_patches(bands), f"aspect ratio {per_decade_db:g} dB per decade, IEC 60263")
    return figure


def _scale(tables: Sequence[Table], bands: list[panels.Band]) -> tuple[float, float, float, float]:
    """dB per decade, dB from line to line, lowest and highest dB of the panels.

    They hold every usable difference, and the ends of bands at half of the frequencies.
    """
    needed_db = [0.0]
    for table in tables:
        frequency_hz = table.column("frequency_hz")
        usable = (panels.verdict_at(frequency_hz, bands) < Verdict.DO_NOT_USE) & panels.on_axis(frequency_hz)
        for curve in CURVES:
            needed_db += table.column(curve)[usable].tolist()
            for end in ("low", "high"):
                ends = table.column(f"{curve.removesuffix('_db')}_{end}_db")[usable]
                needed_db += [float(np.median(ends))] if ends.size else []
    finite_db = np.array(needed_db)[np.isfinite(needed_db)]
    for per_decade_db, step_db, least_db, longest_db in _SCALES:
        lowest_db = min(step_db * float(np.floor(finite_db.min() / step_db)), -least_db)
        highest_db = max(step_db * float(np.ceil(finite_db.max() / step_db)), least_db)
        if highest_db - lowest_db <= longest_db:
            return per_decade_db, step_db, lowest_db, highest_db
    # larger ones leave the panel at its edge
    return per_decade_db, step_db, -longest_db / 2.0, longest_db / 2.0


def _has_band(table: Table) -> bool:
    return bool(np.isfinite(table.column("on_axis_low_db")).any())


def _draw(axes: Axes, table: Table, curve: str, pen: style.Pen, bands: list[panels.Band]) -> None:
    """One difference as heavy as its verdict allows, over its band; gaps where undefined."""
    frequency_hz, value_db = table.column("frequency_hz"), table.column(curve)
    stem = curve.removesuffix("_db")
    # what is infinite cannot be filled
    low_db, high_db = (np.clip(table.column(f"{stem}_{end}_db"), -_BEYOND_DB, _BEYOND_DB) for end in ("low", "high"))
    axes.fill_between(frequency_hz, low_db, high_db, color=pen.color, alpha=_BAND_ALPHA, linewidth=0.0, zorder=1.2)
    verdict = panels.verdict_at(frequency_hz, bands)
    between = np.maximum(verdict[:-1], verdict[1:])
    shown_db = np.where(np.isfinite(value_db), value_db, np.nan)
    for start, stop in panels.runs(between):
        axes.plot(
            frequency_hz[start : stop + 1],
            shown_db[start : stop + 1],
            color=pen.color,
            linestyle=pen.linestyle,
            linewidth=style.LINE_WIDTHS_PT[Verdict(between[start])],
        )


def _write_legend(axes: Axes, names: Sequence[str], banded: bool) -> None:
    """Names of the results beside the top panel."""
    handles: list[Line2D | Patch] = []
    for number, name in enumerate(names):
        pen = _PENS[number % len(_PENS)]
        words = style.plain_text(name, _LONGEST_NAME)
        width = style.LINE_WIDTHS_PT[Verdict.GOOD]
        handles.append(Line2D([], [], color=pen.color, linestyle=pen.linestyle, linewidth=width, label=words))
    if banded:
        handles.append(Patch(label="band of 95 %", facecolor=_PENS[0].color, alpha=_BAND_ALPHA, edgecolor="none"))
    axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.0, 1.0), handlelength=3.0)
