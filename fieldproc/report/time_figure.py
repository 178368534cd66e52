"""What arrives when, on axis: impulse and step response over time, group delay over frequency with its band."""

from __future__ import annotations

import math

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, MultipleLocator

from fieldproc.conventions import Booleans, Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import curves, lines, panels, style

RESPONSES = {"impulse_pa": "impulse response", "step_pa": "step response"}
DELAY = "on_axis_group_delay_s"
# Time shown ahead of the largest sample of the impulse response, and after it.
SHOWN_S = (0.001, 0.008)
_MS = 1000.0
_PANEL_INCHES, _GAP_INCHES, _RIGHT_INCHES = 1.75, 0.22, 0.35
_BETWEEN_INCHES = 0.75
# Group delays are shown as far as all but these shares of them reach: a few at the ends of the band must not rule.
_SHARES = (0.02, 0.98)
_PEN = style.PENS["on_axis_db"]


@style.applied()
def time_figure(
    impulse: Table | None, delay: Table | None, quality: Table | None = None, *, title: str
) -> Figure | None:
    """Draw the tables ``impulse`` (``time_s``, ``impulse_pa``, ``step_pa``) and ``time`` (group delay), or one.

    A table without numbers, as where phases are not known, is left out; ``None`` if nothing is left. ``quality`` as
    in ``curve_family``. Raises ``KeyError`` for a missing column.
    """
    impulse = _with_numbers(impulse, "impulse_pa")
    delay = _with_numbers(None if delay is None else panels.near_axis(delay), DELAY)
    responses = [] if impulse is None else list(RESPONSES)
    count = len(responses) + (delay is not None)
    if not count:
        return None
    between = _BETWEEN_INCHES if impulse is not None and delay is not None else 0.0
    heights = count * _PANEL_INCHES + max(len(responses) - 1, 0) * _GAP_INCHES + between
    figure = panels.new_figure(panels.BOTTOM_INCHES + heights + panels.TOP_INCHES, _RIGHT_INCHES)
    bands = panels.verdict_bands(quality)
    bottom = panels.BOTTOM_INCHES
    if delay is not None:
        _draw_delay(panels.add_panel(figure, bottom, _PANEL_INCHES), delay, bands)
        bottom += _PANEL_INCHES + between
    if impulse is not None:
        for name in reversed(responses):
            _draw_response(
                panels.add_plain_panel(figure, bottom, _PANEL_INCHES), impulse, name, name != responses[-1]
            )
            bottom += _PANEL_INCHES + _GAP_INCHES
    words = [*(RESPONSES[name] for name in responses), *(["group delay"] if delay is not None else [])]
    panels.write_heading(figure, title, f"{', '.join(words)} on axis, without the time that sound takes to get there")
    if delay is not None:
        panels.write_key(figure, curves.key_of(delay, (DELAY,), bands, _PEN))
    return figure


def _with_numbers(table: Table | None, name: str) -> Table | None:
    return table if table is not None and np.isfinite(table.column(name)).any() else None


def _draw_response(axes: Axes, table: Table, name: str, above: bool) -> None:
    """A response re its own largest value, around the largest sample of the impulse response."""
    time_s = table.column("time_s")
    peak_s = time_s[np.nanargmax(np.abs(table.column("impulse_pa")))]
    ahead_s, after_s = SHOWN_S
    shown = (time_s >= peak_s - ahead_s) & (time_s <= peak_s + after_s)
    value = table.column(name)
    largest = np.nanmax(np.abs(value[shown]), initial=0.0)
    axes.plot(_MS * time_s[shown], value[shown] / (largest or 1.0), color=_PEN.color, linewidth=_width())
    axes.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=1.5)
    axes.set_xlim(_MS * (peak_s - ahead_s), _MS * (peak_s + after_s))
    axes.set_ylim(-1.1, 1.1)
    axes.xaxis.set_major_locator(MultipleLocator(1.0))
    axes.yaxis.set_major_locator(MultipleLocator(0.5))
    axes.grid(True)
    lowest_hz, highest_hz = (table.facts.get(f"{end}_hz") for end in ("lowest", "highest"))
    if isinstance(lowest_hz, float | int) and isinstance(highest_hz, float | int):
        words = f"from {lowest_hz:.3g} Hz to {highest_hz / 1000.0:.3g} kHz"
        lines.remark(axes, (0.99, 0.95), words, ha="right", va="top")
    axes.set_ylabel(f"{RESPONSES[name]}\nre its largest value")
    panels.place_axis_words(axes)
    axes.tick_params(axis="x", labelbottom=not above)
    if not above:
        axes.set_xlabel("time in ms")


def _width() -> float:
    return style.LINE_WIDTHS_PT[Verdict.CAUTION]


def _draw_delay(axes: Axes, table: Table, bands: list[panels.Band]) -> None:
    delay_ms = _MS * table.column(DELAY)
    axes.set_ylim(*delay_range_ms(delay_ms, curves.usable_rows(table, bands)))
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.grid(True, which="both")
    lines.mark_verdicts(axes, bands)
    axes.axhline(0.0, color=style.FAINT, linewidth=0.8, zorder=1.5)
    lines.draw_column(axes, table, DELAY, bands, _PEN, _MS)
    lines.note_what_is_cut(axes, table.column("frequency_hz"), delay_ms[:, np.newaxis])
    axes.set_ylabel("group delay\nin ms")
    axes.set_xlabel("frequency in Hz")
    panels.place_axis_words(axes)


def delay_range_ms(delay_ms: Floats, usable: Booleans) -> tuple[float, float]:
    """Limits, ms, that hold most of the usable group delays (frequency,), and 0."""
    known = delay_ms[usable & np.isfinite(delay_ms)]
    known = known if known.size else delay_ms[np.isfinite(delay_ms)]
    low, high = np.quantile(known, _SHARES)
    low, high = min(float(low), 0.0), max(float(high), 0.0)
    air = 0.1 * max(high - low, 0.1)
    return math.floor(10.0 * (low - air)) / 10.0, math.ceil(10.0 * (high + air)) / 10.0
