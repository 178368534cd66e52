"""Harmonics of a far field about the axis origin: their sum is the far field, wherever the expansion stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.plain_waves import spiral
from extrapolate.test_extrapolate import ALL_ROUND, OFF_AXIS, doubtful, settings_of
from scipy.special import sph_harm_y

from fieldproc.extrapolate import extrapolate, pattern_harmonics


def harmonic_sum(coefficients: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """By the library's own harmonics, one by one."""
    colatitude, azimuth = np.arccos(directions[:, 2]), np.arctan2(directions[:, 1], directions[:, 0])
    degrees = int(np.sqrt(coefficients.shape[-1]))
    columns = [sph_harm_y(n, m, colatitude, azimuth) for n in range(degrees) for m in range(-n, n + 1)]
    return coefficients @ np.array(columns)


@pytest.mark.parametrize("quantity", ["far field", "true pressure"])
def test_the_sum_is_the_far_field(quantity: str) -> None:
    expansion, settings = doubtful(), settings_of(quantity)
    directions = np.concatenate([ALL_ROUND, spiral(30)])
    expected = extrapolate(expansion, OFF_AXIS, directions, settings).pressure_pa
    found = harmonic_sum(pattern_harmonics(expansion, OFF_AXIS, settings), directions)
    # what is left out of the highest degrees
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-8 * np.abs(expected).max())


def test_a_frequency_without_a_fit_stays_unknown() -> None:
    expansion = doubtful()
    missing = expansion.quality.condition.copy()
    missing[0] = np.nan
    without = replace(expansion, quality=replace(expansion.quality, condition=missing))
    found = pattern_harmonics(without, OFF_AXIS, settings_of("far field"))
    assert np.isnan(found[0]).all()
    assert np.isfinite(found[1]).all()
