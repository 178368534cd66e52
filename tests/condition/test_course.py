"""Courses over time against a dense Gaussian twin, and what passes for one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import linalg, optimize

from fieldproc.condition.course import course, leaps

SIGMA = 1e-4
# A hundred times the noise, as a linear drift and as one step between two repeats.
SHAPES = {"slope": lambda share: 100 * SIGMA * share, "step": lambda share: 100 * SIGMA * (share > 0.52)}


def dense(time_s: np.ndarray, value: np.ndarray, sigma: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Most probable random walk at the times re the first, by covariances of all values; noise as stated.

    Constants of the groups are projected out; the variance of the walk maximises the likelihood.
    """
    free = linalg.null_space((group == np.unique(group)[:, None]).astype(np.float64)).T
    steps = np.argsort(np.argsort(time_s))
    walk = np.minimum.outer(steps, steps)

    def covariance(log_rate: float) -> np.ndarray:
        return free @ (np.exp(log_rate) * walk + np.diag(sigma**2)) @ free.T

    def misfit(log_rate: float) -> float:
        found = covariance(log_rate)
        return float(np.linalg.slogdet(found)[1] + free @ value @ np.linalg.solve(found, free @ value))

    best = optimize.minimize_scalar(misfit, bounds=(-40.0, 0.0), method="bounded").x
    return np.exp(best) * walk @ free.T @ np.linalg.solve(covariance(best), free @ value)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("places", [1, 2])
def test_a_course_is_that_of_the_dense_twin(shape: str, places: int) -> None:
    generator = np.random.default_rng(1)
    time_s = np.sort(generator.uniform(0.0, 7200.0, 14))
    sigma = SIGMA * generator.uniform(0.5, 2.0, 14)
    group = np.arange(14) % places
    value = SHAPES[shape](time_s / 7200.0) + sigma * generator.normal(size=14) + 0.3 * group
    found = course(time_s, value, sigma, group)
    assert found is not None
    expected = dense(time_s, value, sigma * found.scatter, group)
    # the walks that are tried lie a third apart, which moves values by a small share of their errors
    np.testing.assert_allclose(found.change, expected, rtol=0, atol=0.2 * SIGMA)
    np.testing.assert_array_equal(found.at(time_s), found.change)


@pytest.mark.parametrize("shape", SHAPES)
def test_slopes_and_steps_stand_out(shape: str) -> None:
    share = np.linspace(0.0, 1.0, 11)
    value = SHAPES[shape](share) + SIGMA * np.random.default_rng(2).normal(size=11)
    found = course(3600.0 * share, value, np.full(11, SIGMA), np.zeros(11, dtype=np.int64))
    assert found is not None
    assert found.stands_out
    assert found.follows
    assert np.all(np.abs(found.change - SHAPES[shape](share)) < 3 * found.sigma + 3 * SIGMA)
    assert found.range == pytest.approx(100 * SIGMA, rel=0.05)
    # held before and after
    np.testing.assert_array_equal(found.at(np.array([-50.0, 9999.0])), found.change[[0, -1]])


@pytest.mark.parametrize("size", [1.0, 8.0])
def test_scatter_is_no_course(size: float) -> None:
    """Noise as stated, and eight times as much: that exceeds the noise, but follows no time."""
    generator, time_s, taken = np.random.default_rng(3), np.arange(12.0), 0
    for _ in range(200):
        found = course(time_s, size * generator.normal(size=12), np.ones(12), np.arange(12) % 2)
        assert found is not None
        taken += found.stands_out and found.follows
        assert size == 1.0 or found.scatter > 3.0 or found.stands_out
    # of unordered scatter one in a hundred may look ordered: e^-2 is the likelihood ratio asked for
    assert taken <= (0 if size == 1.0 else 8)


def test_what_repeats_leave_open_is_uncertain() -> None:
    """Places seen by turns fix a slope; a scan taken twice, place by place, does not tell it from a step."""
    time_s, sigma = np.arange(96.0), np.full(96, SIGMA)
    value = SHAPES["slope"](time_s / 95.0)
    by_turns, twice = (course(time_s, value, sigma, group) for group in (np.arange(96) % 2, np.arange(96) % 48))
    assert by_turns is not None
    assert twice is not None
    assert by_turns.sigma.max() < 0.03 * by_turns.range
    assert twice.sigma.max() > 0.1 * twice.range


def test_nothing_is_told_without_time_or_repeats() -> None:
    one = np.zeros(4, dtype=np.int64)
    assert course(np.zeros(4), np.arange(4.0), np.ones(4), one) is None
    assert course(np.arange(4.0), np.arange(4.0), np.ones(4), np.arange(4)) is None


def test_leaps_are_not_slopes_or_steps() -> None:
    generator, time_s, group = np.random.default_rng(4), np.arange(11.0), np.zeros(11, dtype=np.int64)
    sigma, none = np.full(11, SIGMA), np.zeros(11, dtype=np.bool_)
    for shape in SHAPES.values():
        value = shape(time_s / 10.0) + SIGMA * generator.normal(size=11)
        assert not leaps(time_s, value, sigma, group, none).any()
        for bumped in (0, 3, 10):
            bump = np.where(time_s == bumped, 80 * SIGMA, 0.0)
            # out of order in the file
            mixed = generator.permutation(11)
            found = leaps(time_s[mixed], (value - bump)[mixed], sigma, group, none)
            assert np.flatnonzero(found).tolist() == np.flatnonzero(mixed == bumped).tolist()
