"""The iterative solver is the dense solver: same coefficients, residual and regularisation; where not, it says so."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import complex_normal, matrix_of, spiral
from threadpoolctl import threadpool_limits

from fieldproc.expand import iterative
from fieldproc.expand.dense import fit_waves
from fieldproc.expand.gram import IrregularGrid, irregular_grid
from fieldproc.expand.iterative import Unsolved, fit_irregular
from fieldproc.expand.order import degree_priors
from fieldproc.waves.harmonics import spherical_harmonics

CHANNELS = 2


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


def shell(count: int, inner_m: float, outer_m: float) -> np.ndarray:
    """Points all round, radius at random between two."""
    return spiral(count) * np.random.default_rng(4).uniform(inner_m, outer_m, count)[:, None]


def jittered_rings() -> np.ndarray:
    """Two wavy surfaces of 26 rings of 48 staggered azimuths, 1 mm off at random, 3 % of the points missing."""
    generator = np.random.default_rng(3)
    pieces = []
    for radius_m in (0.40, 0.46):
        for ring, height in enumerate(np.polynomial.legendre.leggauss(26)[0]):
            azimuth = 2 * np.pi * (np.arange(48) + 0.5 * (ring % 2)) / 48
            across = np.sqrt(1 - height**2)
            direction = np.stack([across * np.cos(azimuth), across * np.sin(azimuth), np.full(48, height)], axis=1)
            pieces.append(radius_m * (1 + 0.05 * np.cos(3 * height)) * direction)
    points = np.concatenate(pieces)
    points += generator.normal(0.0, 1e-3, points.shape)
    return points[generator.permutation(len(points))[: round(0.97 * len(points))]]


def prepared(points: np.ndarray, top_order: int, wavenumber: float) -> IrregularGrid:
    grid = irregular_grid(points, np.linalg.norm(points, axis=1), top_order, (0.5 * wavenumber, wavenumber))
    assert grid is not None
    return grid


def dense(points: np.ndarray, orders: tuple[int, int], wavenumber: float, pressure: np.ndarray):
    harmonics = spherical_harmonics(max(orders), points)
    return fit_waves(harmonics, wavenumber * np.linalg.norm(points, axis=1), orders, pressure)


CASES = {
    "equal orders": (shell(300, 0.4, 0.5), (7, 7), 12.0),
    "more regular than outgoing": (shell(300, 0.4, 0.5), (4, 8), 12.0),
    "more outgoing, which do not propagate": (shell(300, 0.4, 0.5), (9, 5), 1.0),
    "more outgoing, which do": (shell(300, 0.4, 0.5), (9, 5), 16.0),
    "outgoing alone": (shell(300, 0.4, 0.5), (7, -1), 12.0),
    "outgoing alone on one sphere": (shell(300, 0.4, 0.4), (7, -1), 12.0),
    "from near to far": (shell(400, 0.3, 0.8), (8, 8), 12.0),
    "a cap missing": (shell(500, 0.4, 0.5)[:450], (6, 6), 8.0),
    # 2 s, nearly all of it the dense fit; 12 s on a busy machine
    "2,421 jittered points, degree 22": (jittered_rings(), (22, 22), 25.0),
}


@pytest.mark.parametrize("name", CASES)
def test_iterative_fit_is_the_dense_fit(name: str) -> None:
    points, orders, wavenumber = CASES[name]
    # noise, so that no coefficient and no residual is small
    pressure = complex_normal(np.random.default_rng(1), CHANNELS, len(points))
    found = fit_irregular(prepared(points, max(orders), wavenumber), wavenumber, orders, pressure)
    expected = dense(points, orders, wavenumber, pressure)
    assert not isinstance(found, Unsolved), found
    for part in ("outgoing", "regular", "residual", "room_to_direct"):
        # the stopping rule, 1e-11, times condition (up to 100 here) at worst
        difference = np.linalg.norm(getattr(found, part) - getattr(expected, part))
        assert difference <= 1e-9 * np.linalg.norm(getattr(expected, part)), part
    # single precision, 6e-8, times the condition squared at worst; 1e-6 measured where it is 16
    close = 1e-7 * max(30.0, expected.condition) ** 2
    assert close < 0.01
    np.testing.assert_allclose(found.leverage, expected.leverage, rtol=close)
    np.testing.assert_allclose(found.far_field_variance, expected.far_field_variance, rtol=close)
    # both conditions of a large matrix come from power iteration, good to a few percent
    assert found.condition == pytest.approx(expected.condition, rel=0.05)
    assert np.all(found.weight == 0)


@pytest.mark.parametrize("orders", [(7, 7), (4, 8), (8, 4)])
@pytest.mark.parametrize("weight", [0.03, 1.0])
# in the thin shell the plain fit has a condition in the ten thousands
@pytest.mark.parametrize("outer_m", [0.5, 0.4001])
def test_a_given_weight_solves_the_augmented_least_squares_problem(
    orders: tuple[int, int], weight: float, outer_m: float
) -> None:
    points, wavenumber = shell(300, 0.4, outer_m), 12.0
    pressure = complex_normal(np.random.default_rng(1), CHANNELS, len(points))
    prior = degree_priors(orders)
    found = fit_irregular(prepared(points, 8, wavenumber), wavenumber, orders, pressure, (prior, weight))
    assert not isinstance(found, Unsolved)
    matrix = matrix_of(points, wavenumber, orders)
    norms = np.linalg.norm(matrix, axis=0)
    penalty = np.diag(weight / prior)
    augmented = np.concatenate([matrix / norms, penalty])
    data = np.concatenate([pressure.T, np.zeros((len(prior), CHANNELS))])
    expected = np.linalg.lstsq(augmented, data, rcond=None)[0] / norms[:, None]
    split = found.outgoing.shape[1]
    # the stopping rule times condition; the twin's own rounding (scipy's functions) is 1e-13
    for mine, true in ((found.outgoing, expected[:split].T), (found.regular, expected[split:].T)):
        assert np.linalg.norm(mine - true) <= 1e-9 * np.linalg.norm(true)
    inverse = np.linalg.inv(augmented.conj().T @ augmented)
    leverage = np.einsum("pc,cd,pd->p", matrix / norms, inverse, (matrix / norms).conj()).real
    variance = np.sum(np.diag(inverse).real[:split] / norms[:split] ** 2)
    # single precision times condition squared (about 10)
    np.testing.assert_allclose(found.leverage, np.tile(leverage, (CHANNELS, 1)), rtol=1e-4)
    np.testing.assert_allclose(found.far_field_variance, variance, rtol=1e-4)
    largest = np.linalg.norm(matrix / norms * prior, ord=2)
    # power iteration, good to a few percent
    np.testing.assert_allclose(found.weight, weight / largest, rtol=0.02)


def test_a_sound_speed_per_point_stretches_the_radius() -> None:
    points, wavenumber = shell(300, 0.4, 0.5), 12.0
    stretch = 1 + 0.01 * np.sin(np.arange(len(points)))
    pressure = complex_normal(np.random.default_rng(1), 1, len(points))
    radius_m = np.linalg.norm(points, axis=1) * stretch
    grid = irregular_grid(points, radius_m, 7, (wavenumber, wavenumber))
    assert grid is not None
    found = fit_irregular(grid, wavenumber, (7, 7), pressure)
    expected = fit_waves(spherical_harmonics(7, points), wavenumber * radius_m, (7, 7), pressure)
    assert not isinstance(found, Unsolved)
    # the stopping rule times condition
    assert np.linalg.norm(found.outgoing - expected.outgoing) <= 1e-9 * np.linalg.norm(expected.outgoing)


def test_an_ill_conditioned_fit_is_handed_back() -> None:
    points, wavenumber = shell(300, 0.45, 0.4501), 8.0
    pressure = complex_normal(np.random.default_rng(1), 1, len(points))
    assert dense(points, (7, 7), wavenumber, pressure).condition > iterative.MOST_CONDITION
    found = fit_irregular(prepared(points, 7, wavenumber), wavenumber, (7, 7), pressure)
    assert isinstance(found, Unsolved)
    assert "condition" in found.reason
    prior = degree_priors((7, 7))
    assert isinstance(
        fit_irregular(prepared(points, 7, wavenumber), wavenumber, (7, 7), pressure, (prior, 1e-6)), Unsolved
    )


def test_more_unknowns_than_points_are_handed_back() -> None:
    points = shell(100, 0.4, 0.5)
    pressure = complex_normal(np.random.default_rng(1), 1, len(points))
    found = fit_irregular(prepared(points, 7, 12.0), 12.0, (7, 7), pressure)
    assert isinstance(found, Unsolved)


def test_a_fit_that_does_not_get_there_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    points = shell(300, 0.4, 0.5)
    pressure = complex_normal(np.random.default_rng(1), 1, len(points))
    monkeypatch.setattr(iterative, "MOST_ITERATIONS", 1)
    found = fit_irregular(prepared(points, 7, 12.0), 12.0, (7, 7), pressure)
    assert isinstance(found, Unsolved)
    assert "after 1 iterations" in found.reason


def test_points_from_very_near_to_far_get_no_grid() -> None:
    points = shell(300, 0.02, 1.0)
    assert irregular_grid(points, np.linalg.norm(points, axis=1), 12, (1.0, 100.0)) is None
