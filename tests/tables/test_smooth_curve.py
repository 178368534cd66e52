"""The smoothing spline against an independent one, and the choice of its smoothness against dense algebra."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline

from fieldproc.tables.smooth_curve import _covariance, smooth_curve


def noisy(seed: int, deviation: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """A corner in dB over octaves, 24 lines to the octave with two of them missing."""
    place = np.delete(np.arange(96) / 24.0, [30, 31])
    level_db = -10.0 * np.log10(1.0 + 2.0 ** (4.0 * (1.4 - place)))
    return place + 5.0, level_db + deviation * np.random.default_rng(seed).standard_normal(place.size)


def log_likelihood(place: np.ndarray, value: np.ndarray, ratio: float) -> float:
    """Of the ratio, noise and straight line integrated out (restricted likelihood), by dense algebra: the twin."""
    shifted = place - place[0]
    total = ratio * _covariance(shifted, shifted) + np.eye(place.size)
    line = np.stack([np.ones_like(place), place], axis=1)
    inverse = np.linalg.inv(total)
    normal = line.T @ inverse @ line
    left = inverse - inverse @ line @ np.linalg.solve(normal, line.T @ inverse)
    dets = np.linalg.slogdet(total)[1] + np.linalg.slogdet(normal)[1]
    return float(-0.5 * ((place.size - 2) * np.log(value @ left @ value) + dets))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_is_the_cubic_smoothing_spline(seed: int) -> None:
    """Penalty of the squared second derivative, weight 1 / ratio: scipy's spline of that weight."""
    place, value = noisy(seed)
    curve = smooth_curve(place, value)
    spline = make_smoothing_spline(place, value, lam=1.0 / curve.ratio)
    between = np.linspace(place[0], place[-1], 301)
    np.testing.assert_allclose(curve.at(between), spline(between), rtol=0, atol=1e-7)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_other_ratio_is_likelier(seed: int) -> None:
    place, value = noisy(seed)
    best = smooth_curve(place, value).ratio
    at_best = log_likelihood(place, value, best)
    # the candidates are a tenth of a decade apart
    others = [log_likelihood(place, value, best * 10.0 ** (step / 10.0)) for step in (-10, -3, -1, 1, 3, 10)]
    assert max(others) < at_best


def test_noise_is_found_and_taken_off() -> None:
    clean = noisy(0, 0.0)[1]
    found, errors = [], []
    for seed in range(20):
        place, value = noisy(seed)
        curve = smooth_curve(place, value)
        found.append(curve.noise_deviation)
        errors.append(curve.at(place) - clean)
    # 94 lines tell a deviation to 8 %
    np.testing.assert_allclose(found, 1.0, rtol=0.25)
    # 1 dB at every line leaves about a tenth of its power: some nine coefficients of 94
    assert np.sqrt(np.mean(np.square(errors))) < 0.4


def test_deviation_is_that_of_kriging_with_an_unknown_line() -> None:
    place, value = noisy(4)
    curve = smooth_curve(place, value)
    shifted = place - place[0]

    def prior(one: np.ndarray, other: np.ndarray) -> np.ndarray:
        # a line so uncertain (100 times the ratio's own scale) that its prior tells nothing
        return curve.ratio * _covariance(one, other) + 1e4 * (1.0 + np.multiply.outer(one, other))

    total = prior(shifted, shifted) + np.eye(place.size)
    for at in (place[0] + 0.1, place[0] + 1.4, place[-1] - 0.02):
        own = np.array([at - place[0]])
        across = prior(own, shifted)[0]
        variance = prior(own, own)[0, 0] - across @ np.linalg.solve(total, across)
        assert curve.deviation(at) == pytest.approx(curve.noise_deviation * np.sqrt(variance), rel=1e-3)


def test_bands_hold_what_they_say() -> None:
    """Share of errors within two standard uncertainties, over 20 draws and three places (Wahba 1983: about 0.95)."""
    truth_at = np.array([6.0, 6.4, 7.5])
    truth = -10.0 * np.log10(1.0 + 2.0 ** (4.0 * (6.4 - truth_at)))
    held = []
    for seed in range(20):
        curve = smooth_curve(*noisy(seed))
        error = np.abs(curve.at(truth_at) - truth)
        held += [error[index] <= 2.0 * curve.deviation(float(at)) for index, at in enumerate(truth_at)]
    assert np.mean(held) >= 0.9


def test_clean_curves_are_followed() -> None:
    place, value = noisy(0, 0.0)
    curve = smooth_curve(place, value)
    # rounding of the least noise ratio, 1e-8 of the walk over the whole
    np.testing.assert_allclose(curve.at(place), value, rtol=0, atol=1e-4)
    straight = smooth_curve(place, 3.0 - 2.0 * place)
    np.testing.assert_allclose(straight.at(np.array([5.5, 8.0])), [-8.0, -13.0], rtol=1e-9)
