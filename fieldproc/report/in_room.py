"""The in-room estimate of ANSI/CTA-2034-A over frequency, with its band and the line it follows.

Source of the line: least squares over log frequency, as the single number ``in_room_slope`` has it. The panel has an
aspect ratio of IEC 60263: one decade is as long as 25 dB.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from fieldproc.conventions import Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import curves, panels, style
from fieldproc.settings import Band, ScalarSettings

COLUMN = "in_room_estimate_db"
# Less of the band than this does not make a trend.
_LEAST_SHARE = 0.75
_SPANS_DB = (40.0, 60.0)
_RIGHT_INCHES = 2.0
_PEN = style.Pen("trend", style.INK, (7.0, 1.8))


@dataclass(frozen=True, slots=True)
class Trend:
    """A line over log frequency; it rests on a ``share`` of the band, and is nan where that is too little."""

    band_hz: Band
    share: float
    slope_db_per_octave: float
    # at 1 kHz
    level_db: float

    def at(self, frequency_hz: Floats) -> Floats:
        """Level in dB, (frequency,)."""
        return np.asarray(self.level_db + self.slope_db_per_octave * np.log2(frequency_hz / 1000.0))

    @property
    def words(self) -> str:
        """Slope and band, or why there is none."""
        band = f"{self.band_hz[0]:g} Hz to {self.band_hz[1] / 1000.0:g} kHz"
        if np.isnan(self.slope_db_per_octave):
            return f"no trend told: only {self.share:.0%} of {band} may be used"
        slope = style.signed(round(self.slope_db_per_octave, 2), plus=True)
        rests = "" if self.share > 0.995 else f" ({self.share:.0%} of it)"
        return f"{slope} dB per octave, {band}{rests}"


@style.applied()
def in_room_figure(estimate: Table, quality: Table | None = None, *, title: str) -> Figure:
    """Draw the in-room estimate of a ``cta2034a`` table.

    The trend is taken over the facts ``in_room_slope_lowest_hz`` and ``in_room_slope_highest_hz``, by default the
    band that the settings have by default. ``quality`` as in ``curve_family``. Raises ``KeyError`` for a missing
    column.
    """
    bands = panels.verdict_bands(quality)
    trend = trend_of(estimate, bands, slope_band_hz(estimate.facts))
    shown = panels.near_axis(estimate)
    limits_db = curves.decibel_range(curves.columns_of(shown, (COLUMN,)), curves.usable_rows(shown, bands), _SPANS_DB)
    inches = (limits_db[1] - limits_db[0]) * curves.INCHES_PER_DB
    figure = panels.new_figure(panels.BOTTOM_INCHES + inches + panels.TOP_INCHES, _RIGHT_INCHES)
    axes = panels.add_panel(figure, panels.BOTTOM_INCHES, inches)
    curves.fill_panel(axes, shown, (COLUMN,), limits_db, bands)
    _draw_trend(axes, trend)
    axes.set_ylabel(curves.two_lines(panels.level_words(shown.facts)))
    axes.set_xlabel("frequency in Hz")
    panels.write_heading(figure, title, f"in-room estimate of ANSI/CTA-2034-A; {trend.words}")
    lined = [] if np.isnan(trend.slope_db_per_octave) else [_sample()]
    panels.write_key(figure, [*curves.key_of(shown, (COLUMN,), bands), *lined], curves.ASPECT_WORDS)
    return figure


def slope_band_hz(facts: Mapping[str, str | float | int]) -> Band:
    """The band that a trend is taken over."""
    told = tuple(facts.get(f"in_room_slope_{end}_hz") for end in ("lowest", "highest"))
    default = ScalarSettings().slope_band_hz
    low, high = (float(end) if isinstance(end, float | int) else of for end, of in zip(told, default, strict=True))
    return low, high


def trend_of(table: Table, bands: list[panels.Band], band_hz: Band) -> Trend:
    """Least squares over log frequency of the estimate, of what may be used of a band.

    Every frequency counts by its share of log frequency, from midway to its lower to midway to its upper neighbour.
    """
    frequency_hz = table.column("frequency_hz")
    sounding = frequency_hz > 0.0
    frequency_hz, level_db = frequency_hz[sounding], table.column(COLUMN)[sounding]
    lower, upper = np.log2(band_hz)
    edges = np.clip(np.log2(panels.cell_edges(frequency_hz)), lower, upper)
    usable = (panels.verdict_at(frequency_hz, bands) < Verdict.DO_NOT_USE) & np.isfinite(level_db)
    octaves = np.diff(edges)[usable]
    share = float(octaves.sum() / (upper - lower))
    if share < _LEAST_SHARE:
        return Trend(band_hz, share, np.nan, np.nan)
    place, level_db = np.log2(frequency_hz[usable] / 1000.0), level_db[usable]
    mean = octaves @ place / octaves.sum()
    slope = float((octaves * (place - mean)) @ level_db / (octaves @ (place - mean) ** 2))
    return Trend(band_hz, share, slope, float(octaves @ level_db / octaves.sum() - slope * mean))


def _draw_trend(axes: Axes, trend: Trend) -> None:
    if np.isfinite(trend.slope_db_per_octave):
        ends_hz = np.array(trend.band_hz)
        axes.plot(ends_hz, trend.at(ends_hz), color=_PEN.color, linestyle=_PEN.linestyle, linewidth=1.0, zorder=2.3)


def _sample() -> Line2D:
    return Line2D([], [], color=_PEN.color, linestyle=_PEN.linestyle, linewidth=1.0, label=_PEN.words)
