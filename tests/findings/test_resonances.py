from __future__ import annotations

import numpy as np
import pytest
from findings.planted import GRID_HZ, curve_of, peak_db

from fieldproc.findings.curves import Curve
from fieldproc.findings.departures import DepartureLimits
from fieldproc.findings.resonances import resonances_of

OCTAVE = np.log2(GRID_HZ / 1000.0)
LIMITS = DepartureLimits()


def curves(
    common: np.ndarray, window: np.ndarray | float = 0.0, errors: np.ndarray | None = None
) -> dict[str, Curve]:
    """A common part on a sloping window and a power that falls off more."""
    draws = 0 if errors is None else len(errors)
    return {
        "listening_window": curve_of(80.0 - 0.3 * OCTAVE + common + window, errors, draws),
        "sound_power": curve_of(78.0 - 1.2 * OCTAVE - 0.1 * OCTAVE**2 + common, errors, draws),
    }


@pytest.mark.parametrize(
    ("frequency_hz", "q", "gain_db"), [(410.0, 3.0, 1.5), (2900.0, 12.0, -4.0), (8000.0, 5.0, 3.0)]
)
def test_a_resonance_is_what_it_was(frequency_hz: float, q: float, gain_db: float) -> None:
    (one,) = resonances_of(curves(peak_db(frequency_hz, q, gain_db)), LIMITS)
    # the baseline is not a polynomial here, but nearly
    assert one.frequency_hz == pytest.approx(frequency_hz, rel=1e-3)
    assert one.q == pytest.approx(q, rel=0.02)
    assert one.gain_db == pytest.approx(gain_db, abs=0.03)
    assert one.gain_in_window_db == pytest.approx(gain_db, abs=0.05)
    assert one.gain_in_power_db == pytest.approx(gain_db, abs=0.05)


def test_three_at_once() -> None:
    common = peak_db(400.0, 4.0, 2.0) + peak_db(1500.0, 8.0, -3.0) + peak_db(5000.0, 3.0, 2.5)
    found = resonances_of(curves(common), LIMITS)
    assert [round(one.frequency_hz, -1) for one in found] == [400.0, 1500.0, 5000.0]
    np.testing.assert_allclose([one.gain_db for one in found], [2.0, -3.0, 2.5], atol=0.1)


def test_what_is_in_one_direction_alone_is_no_resonance() -> None:
    assert resonances_of(curves(np.zeros_like(OCTAVE), window=peak_db(1000.0, 4.0, 3.0)), LIMITS) == []


def test_uncertainties_are_those_of_many_trials() -> None:
    """Independent errors of 0.1 dB, 120 trials."""
    rng = np.random.default_rng(11)
    truth = curves(peak_db(1000.0, 4.0, 3.0))
    found = []
    for _ in range(120):
        noise = rng.normal(0.0, 0.1, len(GRID_HZ))
        errors = rng.normal(0.0, 0.1, (64, len(GRID_HZ)))
        noisy = {name: curve_of(curve.level_db + noise, errors, draws=len(errors)) for name, curve in truth.items()}
        (one,) = resonances_of(noisy, LIMITS)
        found.append(
            [
                (one.frequency_hz - 1000.0) / one.frequency_uncertainty_hz,
                (one.q - 4.0) / one.q_uncertainty,
                (one.gain_db - 3.0) / one.gain_uncertainty_db,
            ]
        )
    rms = np.sqrt(np.mean(np.square(found), axis=0))
    # 120 trials tell a deviation to 6.5 %: three of them either way
    assert np.all((rms > 0.8) & (rms < 1.2)), rms


def test_none_in_scatter() -> None:
    rng = np.random.default_rng(6)
    noise = rng.normal(0.0, 0.3, len(GRID_HZ))
    assert resonances_of(curves(noise), LIMITS) == []
    assert resonances_of(curves(np.zeros_like(noise)), LIMITS) == []
