"""A scan that comes back to one point while gain, air and latency drift, to the far field, against the closed form.

Five monopoles in a reflective room, 504 points on rings of two cylinders, 12 records of the first point among them,
noise 40 dB below the rms of the responses.
"""

from __future__ import annotations

import numpy as np
import pytest
from condition.drifting import RATE_HZ, cylinders_with_returns, render, scene, session_at, with_noise
from scanned import relative_error_db

from fieldproc.condition import condition
from fieldproc.expand import expand, mend
from fieldproc.expand.coverage import fibonacci_directions
from fieldproc.extrapolate import far_field_pressure
from fieldproc.records import Spectra
from fieldproc.settings import GateSettings, Settings, SpectraSettings
from fieldproc.simulate import truth

# Octaves, 125 Hz to 1 kHz.
GRID = SpectraSettings(lowest_hz=125.0, per_octave=1, count=4)
SETTINGS = Settings(spectra=GRID, gate=GateSettings(enabled=False))
DIRECTIONS = fibonacci_directions(400)
POSITIONS_M, SURFACE = cylinders_with_returns(504, 18, 12)
SHARE = np.linspace(0.0, 1.0, len(POSITIONS_M))
NONE = np.zeros(len(SHARE))
# A kelvin in 64 steps, and all at once between two returns.
SLOPE_K, AFTER = np.round(64.0 * SHARE) / 64.0, 1.0 * (SHARE > 0.5)


def far_field_of(warmer_k: np.ndarray, gain_db: np.ndarray, late_s: np.ndarray, drift: bool = True) -> tuple:
    """Error re the closed form in dB, (frequency,), and the mended spectra."""
    values = with_noise(render(scene(), POSITIONS_M, warmer_k, gain_db, late_s), -40.0, 3)
    session = session_at(POSITIONS_M, values, surface=SURFACE)
    spectra: Spectra = mend(condition(session, GRID, drift=drift), SETTINGS)
    expansion = expand(spectra, SETTINGS)
    exact = truth(scene()).far_field(expansion.frequency_hz, DIRECTIONS)
    return relative_error_db(far_field_pressure(expansion, session.axis, DIRECTIONS)[:, 0], exact), spectra


@pytest.fixture(scope="module")
def clean_db() -> np.ndarray:
    error_db, spectra = far_field_of(NONE, NONE, NONE)
    assert not any("drift" in told for told in spectra.notices)
    assert np.mean(error_db) < -45.0
    return np.asarray(error_db)


@pytest.mark.parametrize(
    ("warmer_k", "gain_db", "late_s", "worst_db"),
    [
        # single frequencies are draws of another noise: that of a change of frequency by a thousandth
        pytest.param(SLOPE_K, 0.1 * SHARE, NONE, 3.0, id="slopes of air and gain"),
        pytest.param(NONE, NONE, SHARE / RATE_HZ, 1.0, id="slope of latency"),
        # the step is somewhere between two returns: one point in eleven gets a part of it
        pytest.param(AFTER, 0.1 * AFTER, NONE, 5.0, id="steps of air and gain"),
    ],
)
def test_drifts_cost_little_with_repeats(
    clean_db: np.ndarray, warmer_k: np.ndarray, gain_db: np.ndarray, late_s: np.ndarray, worst_db: float
) -> None:
    error_db, spectra = far_field_of(warmer_k, gain_db, late_s)
    assert np.mean(error_db) - np.mean(clean_db) <= 1.0
    assert np.max(error_db - clean_db) <= worst_db
    assert any("taken out of all records" in told for told in spectra.notices)
    # what is left is no drift to the waves, nor a bad point
    assert not spectra.drifted
    assert not spectra.dropped


def test_the_same_drifts_cost_much_without(clean_db: np.ndarray) -> None:
    error_db, _ = far_field_of(SLOPE_K, 0.1 * SHARE, NONE, drift=False)
    assert np.mean(error_db) - np.mean(clean_db) > 8.0
