"""How well the sound field is determined, over frequency: panels above one another, the verdict below them all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator, MultipleLocator, NullLocator

from fieldproc.conventions import Floats
from fieldproc.records import Table
from fieldproc.report import panels, style

_GAP_INCHES, _RIGHT_INCHES, _STRIP_INCHES, _STRIP_GAP_INCHES = 0.16, 1.85, 0.15, 0.1
_WIDE_PT, _THIN_PT = 1.5, 0.8
_WORDS_INCHES = 0.55
# What lies beyond is drawn at the edge; a condition of a fit that leans on a prior has no bound.
_LOWEST_ERROR_DB, _HIGHEST_CONDITION, _CLOSURES = -120.0, 1e9, (-10.0, 100.0)


@dataclass(frozen=True, slots=True)
class _Panel:
    """Height, words at the axis, columns with their pens, scale, and a value that a line marks."""

    inches: float
    words: str
    pens: tuple[tuple[str, style.Pen], ...]
    scale: Literal["error", "log", "closure", "degree"]
    mark: float | None = None


def _alone(column: str, words: str = "") -> tuple[tuple[str, style.Pen], ...]:
    return ((column, style.Pen(words, style.INK)),)


_PANELS = (
    _Panel(1.75, "error in dB\nre the sound", tuple(style.QUALITY_PENS.items()), "error"),
    _Panel(
        0.95,
        "uncertainty of\nlevels in dB",
        _alone("level_uncertainty_db", "standard uncertainty,\nrms over the sphere"),
        "log",
    ),
    _Panel(0.8, "noise gain\nin dB", _alone("noise_gain_db", "far-field error per\nerror of a point"), "error"),
    _Panel(0.8, "condition", _alone("condition", "of the columns\nafter scaling"), "log"),
    _Panel(0.8, "leakage\nin dB", _alone("leakage_db", "ripples alike those of\nthe room, re the sound"), "error"),
    _Panel(
        0.8,
        "power closure",
        _alone("power_closure", "power re what outgoing\nwaves alone carry"),
        "closure",
        1.0,
    ),
    _Panel(
        1.0,
        "degree",
        (("outgoing_order", style.WAVE_PENS["outgoing"]), ("regular_order", style.WAVE_PENS["regular"])),
        "degree",
    ),
)


@style.applied()
def quality_figure(quality: Table, *, title: str) -> Figure | None:
    """Draw a ``quality`` table; ``None`` of one that holds no more than verdicts (a far field from elsewhere).

    Values that are nan leave gaps; a panel without any value says so.
    """
    if "residual_db" not in quality.header:
        return None
    quality = panels.near_axis(quality)
    strips = 2 * (_STRIP_INCHES + _STRIP_GAP_INCHES)
    stack = sum(panel.inches + _GAP_INCHES for panel in _PANELS) - _GAP_INCHES
    figure = panels.new_figure(panels.BOTTOM_INCHES + strips + stack + panels.TOP_INCHES, _RIGHT_INCHES)
    bands = panels.verdict_bands(quality)
    _draw_verdict(_strip(figure, panels.BOTTOM_INCHES, "verdict"), bands)
    gated = _strip(figure, panels.BOTTOM_INCHES + _STRIP_INCHES + _STRIP_GAP_INCHES, "gated share")
    _draw_share(gated, quality)
    bottom_inches = panels.BOTTOM_INCHES + strips
    for panel in reversed(_PANELS):
        axes = panels.add_panel(figure, bottom_inches, panel.inches)
        axes.tick_params(axis="x", which="both", labelbottom=False)
        axes.tick_params(axis="x", which="minor", bottom=False)
        _fill(axes, panel, quality)
        bottom_inches += panel.inches + _GAP_INCHES
    panels.write_heading(figure, title, "how well the sound field is determined")
    panels.write_key(figure, panels.key_patches(bands))
    return figure


def _fill(axes: Axes, panel: _Panel, quality: Table) -> None:
    axes.grid(True, which="major")
    axes.set_ylabel(panel.words)
    axes.yaxis.set_label_coords(-_WORDS_INCHES / panels.PANEL_WIDTH_INCHES, 0.5)
    frequency_hz, drawn = quality.column("frequency_hz"), []
    for name, pen in panel.pens:
        values = _shown(panel, quality, name)
        if np.isfinite(values[panels.on_axis(frequency_hz)]).any():
            drawn.append((pen, values))
    _scale(axes, panel, np.concatenate([values for _, values in drawn]) if drawn else np.empty(0))
    if not drawn:
        words = "not known" if panel.scale != "degree" else "nothing was fitted"
        axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", va="center", color=style.FAINT)
        return
    if panel.mark is not None:
        axes.axhline(panel.mark, color=style.FAINT, linewidth=_THIN_PT, zorder=1.5)
    _name_lines(axes, [draw_with_gaps(axes, frequency_hz, values, pen) for pen, values in drawn])


def _shown(panel: _Panel, quality: Table, name: str) -> Floats:
    """Values of a column as far as its panel reaches; nan where there is none."""
    if name not in quality.header:
        return np.full(len(quality.values), np.nan)
    values = quality.column(name)
    if panel.scale == "degree":
        return np.where(values >= 0.0, values, np.nan)
    if panel.scale == "log":
        return np.where(values > 0.0, np.minimum(values, _HIGHEST_CONDITION), np.nan)
    if panel.scale == "closure":
        return np.clip(values, *_CLOSURES)
    return np.maximum(values, _LOWEST_ERROR_DB)


def draw_with_gaps(axes: Axes, frequency_hz: Floats, values: Floats, pen: style.Pen) -> Line2D:
    """A line over (frequency,) that ends at nan; a value with none beside it is a dot. Returns what a key shows."""
    known = np.isfinite(values)
    beside = np.append(known[1:], False) | np.insert(known[:-1], 0, False)
    lone = known & ~beside & panels.on_axis(frequency_hz)
    look: dict[str, Any] = {"color": pen.color, "label": pen.words}
    joined = np.where(known, values, np.nan)
    (line,) = axes.plot(frequency_hz, joined, linestyle=pen.linestyle, linewidth=_WIDE_PT, **look)
    if not lone.any():
        return line
    (dots,) = axes.plot(frequency_hz[lone], values[lone], linestyle="none", marker="s", markersize=3.5, **look)
    return line if (known & beside).any() else dots


def _scale(axes: Axes, panel: _Panel, values: Floats) -> None:
    """Limits and ticks to suit the finite ones of the values (any,)."""
    finite = values[np.isfinite(values)]
    if panel.scale == "log":
        _logarithmic(axes, finite)
    elif panel.scale == "closure":
        _closure(axes, finite)
    elif panel.scale == "degree":
        axes.set_ylim(0.0, max(1.0, 1.1 * float(finite.max(initial=0.0))))
        axes.yaxis.set_major_locator(MaxNLocator(integer=True, nbins=4))
    else:
        low, high = (float(finite.min()), float(finite.max())) if finite.size else (-10.0, 0.0)
        step = 20.0 if high - low > 30.0 else 10.0
        bottom = step * math.floor(low / step)
        axes.set_ylim(bottom, max(step * math.ceil(high / step), bottom + step))
        axes.yaxis.set_major_locator(MultipleLocator(step))


def _closure(axes: Axes, values: Floats) -> None:
    """Linear about 1, where it should be, logarithmic beyond."""
    low, high = float(values.min(initial=0.0)), float(values.max(initial=2.0))
    limits = (
        next(at for at in (0.0, -1.0, _CLOSURES[0]) if at <= low),
        next(at for at in (2.0, 10.0, _CLOSURES[1]) if at >= high),
    )
    axes.set_yscale("symlog", linthresh=1.0, linscale=0.8)
    axes.set_ylim(*limits)
    places = (0.0, 1.0, 2.0) if limits[1] <= 2.0 else (_CLOSURES[0], -1.0, 0.0, 1.0, 10.0, _CLOSURES[1])
    _ticks(axes, [at for at in places if limits[0] <= at <= limits[1]])


def _logarithmic(axes: Axes, values: Floats) -> None:
    """Whole decades about the values, at least one; every second one is named where there are many."""
    low, high = (float(values.min()), float(values.max())) if values.size else (1.0, 10.0)
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    last = max(last, first + 1)
    axes.set_yscale("log")
    axes.set_ylim(10.0**first, 10.0**last)
    _ticks(axes, [10.0**at for at in range(first, last + 1, 1 if last - first < 4 else 2)])


def _ticks(axes: Axes, places: Sequence[float]) -> None:
    axes.yaxis.set_major_locator(FixedLocator(list(places)))
    axes.yaxis.set_major_formatter(FixedFormatter([style.signed(place) for place in places]))
    axes.yaxis.set_minor_locator(NullLocator())


def _name_lines(axes: Axes, lines: Sequence[Line2D]) -> None:
    """Words in the margin: beside their dashes where the panel has several lines, else alone."""
    if len(lines) == 1 and lines[0].get_color() == style.INK:
        _margin_words(axes, str(lines[0].get_label()), "center")
        return
    axes.legend(handles=lines, loc="center left", bbox_to_anchor=(1.0, 0.5), handlelength=2.6, labelspacing=0.35)


def _margin_words(axes: Axes, words: str, alignment: Literal["center", "center_baseline"]) -> None:
    place = 1 + 0.12 / panels.PANEL_WIDTH_INCHES
    look: dict[str, Any] = {"fontsize": style.SMALL_SIZE_PT, "color": style.FAINT, "va": alignment}
    axes.text(place, 0.5, words, transform=axes.transAxes, **look)


def _strip(figure: Figure, bottom_inches: float, words: str) -> Axes:
    axes = panels.add_panel(figure, bottom_inches, _STRIP_INCHES)
    axes.set_ylim(0.0, 1.0)
    axes.tick_params(axis="y", which="both", left=False, labelleft=False)
    axes.text(-0.012, 0.5, words, transform=axes.transAxes, ha="right", va="center_baseline")
    if words == "verdict":
        axes.set_xlabel("frequency in Hz")
    else:
        axes.tick_params(axis="x", which="both", bottom=False, labelbottom=False)
    return axes


def _draw_verdict(axes: Axes, bands: Sequence[panels.Band]) -> None:
    if not bands or bands[0].low_hz > panels.LOWEST_HZ or bands[-1].high_hz < panels.HIGHEST_HZ:
        axes.axhspan(0.0, 1.0, zorder=0.4, **panels.NO_DATA_FACE)
    for band in bands:
        axes.axvspan(band.low_hz, band.high_hz, zorder=0.5, **panels.verdict_patch(band.verdict))


def _draw_share(axes: Axes, quality: Table) -> None:
    """As high as the share is: empty where whole responses count, full where gated ones do."""
    frequency_hz = quality.column("frequency_hz")
    share = quality.column("gated_share") if "gated_share" in quality.header else np.zeros(len(frequency_hz))
    edges_hz = panels.cell_edges(frequency_hz)
    if len(share):
        axes.stairs(np.nan_to_num(share), edges_hz, fill=True, color=style.FAINT, linewidth=0.0)
    _margin_words(axes, "from gated responses" if np.nansum(share) else "none", "center_baseline")
