from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from findings.planted import GRID_HZ, curve_of, peak_db

from fieldproc.errors import NumericalError
from fieldproc.findings.departures import DepartureLimits, band_within_limits, departures_of, scatter_db

OCTAVE = np.log2(GRID_HZ / 1000.0)
LIMITS = DepartureLimits()


def test_a_bump_is_found_with_its_band() -> None:
    (one,) = departures_of(curve_of(80.0 - 0.7 * OCTAVE + peak_db(1000.0, 4.0, 3.0)), LIMITS)
    # a mean over a twelfth of an octave, and skirts that pass for baseline, take a tenth of it
    assert one.size_db == pytest.approx(3.0, rel=0.15)
    assert one.peak_hz == pytest.approx(1000.0, rel=0.02)
    # the cookbook's bandwidth: 1/Q = 2 sinh(ln 2 / 2 BW)
    assert one.width_octaves == pytest.approx(2.0 / np.log(2.0) * np.arcsinh(1.0 / 8.0), rel=0.15)
    assert not one.broad


def test_two_bumps_are_two_until_they_merge() -> None:
    def bumps(ratio: float) -> int:
        level = peak_db(1000.0, 6.0, 3.0) + peak_db(1000.0 * ratio, 6.0, 3.0)
        return len(departures_of(curve_of(80.0 + level), LIMITS))

    assert bumps(1.6) == 2
    assert bumps(1.08) == 1


def test_a_droop_is_broad_and_a_bump_on_it_stays_a_bump() -> None:
    droop = -2.5 * np.clip((OCTAVE - 1.0) / 3.0, 0.0, None) ** 2
    found = departures_of(curve_of(80.0 + droop + peak_db(500.0, 5.0, 2.5)), LIMITS)
    narrow = [one for one in found if not one.broad]
    assert [round(one.peak_hz, -2) for one in narrow] == [500.0]
    assert narrow[0].size_db == pytest.approx(2.5, rel=0.2)
    assert any(one.broad and one.size_db < 0.0 and one.highest_hz > 15000.0 for one in found)


def test_errors_that_neighbours_share_do_not_hide_a_bump() -> None:
    level = 80.0 + peak_db(1000.0, 4.0, 2.0)
    shared = np.tile([np.ones_like(OCTAVE), 0.3 * OCTAVE], (16, 1))
    (one,) = departures_of(curve_of(level, shared, draws=32), LIMITS)
    assert one.significance > 100.0
    # what the baseline cannot follow counts in full
    own = np.tile(peak_db(1000.0, 4.0, 1.0), (32, 1))
    assert departures_of(curve_of(level, own, draws=32), LIMITS) == []


def test_a_size_is_linear_in_the_levels() -> None:
    curve = curve_of(80.0 + peak_db(1000.0, 4.0, 3.0), np.tile(peak_db(1000.0, 4.0, 0.2), (32, 1)), draws=32)
    (one,) = departures_of(curve, LIMITS)
    assert one.size_in(curve)[0] == pytest.approx(one.size_db, rel=1e-9)
    assert one.size_in(curve)[1] == pytest.approx(one.uncertainty_db, rel=1e-9)
    halved = replace(curve, level_db=80.0 + 0.5 * (curve.level_db - 80.0))
    assert one.size_in(halved)[0] == pytest.approx(0.5 * one.size_db, rel=1e-9)


def test_false_alarms_are_as_rare_as_stated() -> None:
    """Independent errors of 0.4 dB, known from 32 draws each: those above the least size that are left in 100."""
    rng = np.random.default_rng(7)
    alarms = 0
    for _ in range(100):
        errors = rng.normal(0.0, 0.4, (32, len(GRID_HZ)))
        alarms += bool(departures_of(curve_of(80.0 + rng.normal(0.0, 0.4, len(GRID_HZ)), errors, draws=32), LIMITS))
    # half of one in sixty, for one curve of two: more than four of 100 have a probability of 0.1 %
    assert alarms <= 4


def test_scatter_stands_in_where_errors_are_not_known() -> None:
    noise = np.random.default_rng(3).normal(0.0, 0.4, len(GRID_HZ))
    assert scatter_db(curve_of(80.0 - OCTAVE + noise)) == pytest.approx(0.4, rel=0.3)
    assert departures_of(curve_of(80.0 + noise), LIMITS) == []


def test_nothing_where_data_are_not_to_be_trusted() -> None:
    curve = curve_of(80.0 + peak_db(1000.0, 4.0, 3.0))
    hidden = (GRID_HZ > 700.0) & (GRID_HZ < 1400.0)
    unknown = replace(curve, level_db=np.where(hidden, np.nan, curve.level_db), usable=~hidden)
    assert departures_of(unknown, LIMITS) == []
    with pytest.raises(NumericalError, match="usable frequencies"):
        departures_of(replace(curve, usable=np.zeros(177, dtype=np.bool_)), LIMITS)


def test_the_limits_of_a_loudspeaker_bound_the_search() -> None:
    """A fourth-order high-pass at 200 Hz is 6 dB down at 0.872375 of that."""
    high_pass = -10.0 * np.log10(1.0 + (200.0 / GRID_HZ) ** 8)
    lowest, highest = band_within_limits(curve_of(80.0 + high_pass), (100.0, 16000.0))
    # the last frequency below
    assert 200.0 * 0.872375 * 2.0 ** (-1.0 / 24.0) <= lowest <= 200.0 * 0.872375
    assert highest == 16000.0
