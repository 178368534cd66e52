"""Differences of results from one of them over frequency, with their bands: one panel to a curve.

The panels have an aspect ratio of IEC 60263: one decade is as long as 10 dB, or as 25 or 50 dB where differences are
large.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MultipleLocator

from fieldproc.records import Table, Verdict
from fieldproc.report import lines, panels, style

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
        lines.mark_verdicts(axes, bands)
        for number, table in enumerate(tables):
            lines.draw_column(axes, table, curve, bands, _PENS[number % len(_PENS)])
        axes.set_title(style.PENS[curve].words, loc="left", fontsize=style.SIZE_PT, pad=4.0)
        axes.set_ylabel("dB")
        panels.place_axis_words(axes)
        axes.tick_params(axis="x", which="both", labelbottom=at == 0)
        if at == 0:
            axes.set_xlabel("frequency in Hz")
        if at == len(CURVES) - 1:
            _write_legend(axes, names, any(lines.has_band(table, CURVES) for table in tables))
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


def _write_legend(axes: Axes, names: Sequence[str], banded: bool) -> None:
    """Names of the results beside the top panel."""
    pens = [_PENS[number % len(_PENS)] for number in range(len(names))]
    words = [style.plain_text(name, _LONGEST_NAME) for name in names]
    handles = [lines.sample(replace(pen, words=name)) for pen, name in zip(pens, words, strict=True)]
    keys = [lines.band_key(_PENS[0])] if banded else []
    labels = [*words, *(str(key[0].get_label()) for key in keys)]
    axes.legend([*handles, *keys], labels, loc="upper left", bbox_to_anchor=(1.0, 1.0), handlelength=3.0)
