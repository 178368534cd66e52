"""The trend of the in-room estimate, and what of a band it rests on."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.conventions import Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import in_room_figure, panels
from fieldproc.report.in_room import COLUMN, Trend, slope_band_hz, trend_of

BAND_HZ = (100.0, 10_000.0)
# uneven over log frequency, so that shares matter
FREQUENCY_HZ = np.concatenate([np.geomspace(20.0, 900.0, 40), np.geomspace(1000.0, 20_000.0, 200)])


def table_of(level_db: Floats, **facts: float) -> Table:
    return Table.of_columns("cta2034a", {"frequency_hz": FREQUENCY_HZ, COLUMN: level_db}, facts)


def bands_of(unusable: np.ndarray) -> list[panels.Band]:
    code = np.where(unusable, Verdict.DO_NOT_USE, Verdict.GOOD)
    columns = {"frequency_hz": FREQUENCY_HZ, "verdict_code": code}
    return panels.verdict_bands(Table.of_columns("quality", columns, {}))


def test_a_straight_line_is_its_own_trend() -> None:
    line_db = 84.0 - 0.7 * np.log2(FREQUENCY_HZ / 1000.0)
    # what lies outside the band, and what must not be used, has no say
    unusable = (FREQUENCY_HZ > 400.0) & (FREQUENCY_HZ < 600.0)
    spoilt = np.where((FREQUENCY_HZ < 80.0) | (FREQUENCY_HZ > 12_000.0) | unusable, 20.0, line_db)
    trend = trend_of(table_of(spoilt), bands_of(unusable), BAND_HZ)
    # rounding of sums over hundreds of rows
    np.testing.assert_allclose([trend.slope_db_per_octave, trend.level_db], [-0.7, 84.0], rtol=1e-11)
    # log2(600 / 400) octaves of log2(100); 0.01: a row is 0.02 octaves there, and a band ends between rows
    assert trend.share == pytest.approx(1.0 - np.log2(1.5) / np.log2(100.0), abs=0.01)
    np.testing.assert_allclose(trend.at(np.array([500.0, 4000.0])), [84.7, 82.6], rtol=1e-11)


def test_rows_count_by_their_share_of_log_frequency() -> None:
    level_db = np.sin(FREQUENCY_HZ / 700.0)
    trend = trend_of(table_of(level_db), [], BAND_HZ)
    # the readable twin: every row as often as its share of a fine log grid has it nearest
    fine = np.log2(100.0) + np.log2(100.0) * (np.arange(200_000) + 0.5) / 200_000
    nearest = np.abs(np.log2(FREQUENCY_HZ)[:, None] - fine[None, ::50]).argmin(axis=0)
    place = np.log2(FREQUENCY_HZ[nearest] / 1000.0)
    slope, level = np.polyfit(place, level_db[nearest], 1)
    # 2e-3: the grid has 4000 steps
    np.testing.assert_allclose([trend.slope_db_per_octave, trend.level_db], [slope, level], rtol=2e-3)


def test_too_little_of_the_band_has_no_trend() -> None:
    trend = trend_of(table_of(np.zeros(240)), bands_of(FREQUENCY_HZ > 2000.0), BAND_HZ)
    assert np.isnan(trend.slope_db_per_octave)
    assert trend.words == "no trend told: only 65% of 100 Hz to 10 kHz may be used"


def test_the_figure_draws_the_trend_over_its_band_and_tells_it() -> None:
    line_db = 84.0 - 0.7 * np.log2(FREQUENCY_HZ / 1000.0)
    facts = {"in_room_slope_lowest_hz": 200.0, "in_room_slope_highest_hz": 5000.0}
    figure = in_room_figure(table_of(line_db, **facts), title="")
    drawn = [line for line in figure.axes[0].lines if tuple(line.get_xdata()) == (200.0, 5000.0)]
    assert len(drawn) == 1
    np.testing.assert_allclose(drawn[0].get_ydata(), 84.0 - 0.7 * np.log2([0.2, 5.0]), rtol=1e-11)
    minus = "\N{MINUS SIGN}"
    words = f"in-room estimate of ANSI/CTA-2034-A; {minus}0.7 dB per octave, 200 Hz to 5 kHz"
    assert words in [text.get_text() for text in figure.texts]


def test_without_facts_the_band_is_that_of_the_settings() -> None:
    assert slope_band_hz({}) == slope_band_hz({"in_room_slope_lowest_hz": "inf"}) == BAND_HZ
    assert Trend(BAND_HZ, 0.9, 0.5, 80.0).words == "+0.5 dB per octave, 100 Hz to 10 kHz (90% of it)"
