"""Hand-over to a subwoofer: alignments whose levels and slopes are known in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldproc.findings.curves import Curve
from fieldproc.findings.hand_over import butterworth_db, hand_over

# 24 to the octave
FREQUENCY_HZ = np.geomspace(20.0, 20000.0, 240)
RATIO = FREQUENCY_HZ / 80.0


def curve(level_db: np.ndarray, errors_db: np.ndarray | None = None) -> Curve:
    errors = np.zeros((0, 240)) if errors_db is None else errors_db
    return Curve(FREQUENCY_HZ, level_db, errors, 1, np.ones(240, dtype=bool))


@pytest.mark.parametrize(("own", "order"), [(0, 4), (1, 3), (2, 2)])
def test_what_a_butterworth_lacks(own: int, order: int) -> None:
    found = hand_over(curve(85.0 + butterworth_db(own, RATIO)))
    assert found is not None
    # -3.01 dB at its corner whatever the order, where the slope is half of its last, 6.02 dB per octave and order; a
    # parabola over an octave errs there by some hundredths, and 300 Hz is not quite above the fall
    assert found.level_db == pytest.approx(0.0 if own == 0 else -3.0103, abs=0.1)
    assert found.slope_db_per_octave == pytest.approx(3.0103 * own, abs=0.15)
    assert found.lacking_db == pytest.approx(found.level_db + 6.0206, abs=1e-4)
    assert found.target_slope_db_per_octave == pytest.approx(12.0412, abs=1e-4)
    # the square of a second-order Butterworth is the target itself, but for that mean
    assert found.order == order
    assert found.rms_db < (0.1 if own == 2 else 2.0)


def test_the_target_lacks_nothing() -> None:
    found = hand_over(curve(2.0 * butterworth_db(2, RATIO)))
    assert found is not None
    assert found.order == 0
    assert found.lacking_db == pytest.approx(0.0, abs=0.15)
    assert found.slope_db_per_octave == pytest.approx(12.0412, abs=0.2)


def test_uncertainty_is_of_level_re_the_mean_and_of_slope() -> None:
    octave = np.log2(RATIO)
    everywhere, tilted = np.ones((1, 240)), (0.1 * octave)[None]
    level = hand_over(curve(np.zeros(240), everywhere))
    slope = hand_over(curve(np.zeros(240), tilted))
    assert level is not None
    assert slope is not None
    # what raises all raises the mean
    assert level.level_uncertainty_db == pytest.approx(0.0, abs=1e-9)
    assert level.slope_uncertainty_db_per_octave == pytest.approx(0.0, abs=1e-9)
    assert slope.slope_uncertainty_db_per_octave == pytest.approx(0.1, rel=1e-9)
    # 300 Hz to 3 kHz lies log2(949 / 80) = 3.57 octaves above; its lines reach to their middles
    assert slope.level_uncertainty_db == pytest.approx(0.357, abs=0.005)
    unknown = hand_over(curve(np.zeros(240)))
    assert unknown is not None
    assert np.isnan(unknown.level_uncertainty_db)


@pytest.mark.parametrize("gone", [(20.0, 85.0), (20.0, 60.0), (600.0, 20000.0)])
def test_nothing_is_said_of_what_may_not_be_used(gone: tuple[float, float]) -> None:
    whole = curve(np.zeros(240))
    lowest_hz, highest_hz = gone
    usable = (lowest_hz > FREQUENCY_HZ) | (highest_hz < FREQUENCY_HZ)
    assert hand_over(replace(whole, usable=usable, level_db=np.where(usable, 0.0, np.nan))) is None
    assert hand_over(whole) is not None
