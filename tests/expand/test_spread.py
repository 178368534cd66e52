"""What errors of the data do to the coefficients: against fits of changed data, and against the covariance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.random import default_rng

from fieldproc.expand.blocks import Tikhonov
from fieldproc.expand.dense import WaveFit, both_sets, fit_waves
from fieldproc.expand.gram import irregular_grid
from fieldproc.expand.iterative import fit_irregular
from fieldproc.expand.order import degree_priors
from fieldproc.expand.rings import fit_ring_stack, recognise_rings
from fieldproc.waves.harmonics import spherical_harmonics

ORDERS, WAVENUMBER = (4, 5), 9.0
TIKHONOV = Tikhonov(degree_priors(ORDERS))
DRAWS = 4000


def irregular_points() -> np.ndarray:
    direction = default_rng(3).standard_normal((220, 3))
    radius_m = np.where(np.arange(220) % 2, 0.35, 0.42)
    return radius_m[:, None] * direction / np.linalg.norm(direction, axis=1)[:, None]


def ring_points() -> np.ndarray:
    """Ten rings of twelve azimuths on each of two spheres, every other ring turned by half a step."""
    height = np.linspace(-0.9, 0.9, 10)
    angle = 2 * np.pi * (np.arange(12)[None] + 0.5 * (np.arange(10)[:, None] % 2)) / 12
    across = np.sqrt(1 - height**2)[:, None]
    unit = np.stack(
        [across * np.cos(angle), across * np.sin(angle), np.broadcast_to(height[:, None], (10, 12))], axis=2
    )
    return np.concatenate([0.35 * unit.reshape(-1, 3), 0.42 * unit.reshape(-1, 3)])


def pressures(points: int, channels: int = 2) -> np.ndarray:
    rng = default_rng(5)
    return rng.standard_normal((channels, points)) + 1j * rng.standard_normal((channels, points))


def dense(pressure: np.ndarray, tikhonov: Tikhonov | None) -> WaveFit:
    points_m = irregular_points()
    harmonics = spherical_harmonics(5, points_m)
    argument = WAVENUMBER * np.linalg.norm(points_m, axis=1)
    return fit_waves(harmonics, argument, ORDERS, pressure, tikhonov, spread=True)


def ringed(pressure: np.ndarray, tikhonov: Tikhonov | None) -> WaveFit:
    grid = recognise_rings(ring_points(), 5)
    assert grid is not None
    return fit_ring_stack(both_sets(ORDERS, grid), np.array([WAVENUMBER]), pressure[None], tikhonov, spread=True)[0]


def iterated(pressure: np.ndarray, _tikhonov: None) -> WaveFit:
    points_m = irregular_points()
    grid = irregular_grid(points_m, np.linalg.norm(points_m, axis=1), 5, (WAVENUMBER, WAVENUMBER))
    assert grid is not None
    fit = fit_irregular(grid, WAVENUMBER, ORDERS, pressure, spread=True)
    assert isinstance(fit, WaveFit)
    return fit


# The factor of the iterative fit is in single precision: 1e-7 times its condition squared, which is about 10 here.
CASES = [
    (dense, None, 1e-12),
    (dense, TIKHONOV, 1e-12),
    (ringed, None, 1e-12),
    (ringed, TIKHONOV, 1e-12),
    (iterated, None, 1e-4),
]
Case = tuple[Callable[..., WaveFit], Tikhonov | None, float]


@pytest.fixture(params=CASES, ids=["dense", "dense, prior", "rings", "rings, prior", "iterated"])
def case(request: pytest.FixtureRequest) -> Case:
    return request.param


def points_of(fit: Callable[..., WaveFit]) -> int:
    return 240 if fit is ringed else 220


def test_the_data_themselves_come_back_as_their_coefficients(case: Case) -> None:
    fit, tikhonov, tolerance = case
    pressure = pressures(points_of(fit))
    found = fit(pressure, tikhonov)
    outgoing, regular = found.spread.of(pressure[:, None])
    for again, first in ((outgoing[:, 0], found.outgoing), (regular[:, 0], found.regular)):
        assert np.linalg.norm(again - first) <= tolerance * np.linalg.norm(first)


def test_draws_have_the_variance_of_the_fit(case: Case) -> None:
    fit, tikhonov, _ = case
    found = fit(pressures(points_of(fit)), tikhonov)
    outgoing, _ = found.spread.drawn(DRAWS, default_rng(7))
    variance = np.mean(np.sum(np.abs(outgoing) ** 2, axis=2), axis=1)
    # a mean of 4000 sums of at least one independent square: 5 standard errors are 8 %
    assert variance == pytest.approx(found.far_field_variance, rel=5 / np.sqrt(DRAWS))


@pytest.mark.parametrize(("kind", "tolerance"), [("dense", 1e-11), ("rings", 1e-11), ("iterated", 1e-4)])
def test_coarser_is_the_fit_without_the_highest_degrees(kind: str, tolerance: float) -> None:
    orders = (ORDERS[0] - 1, ORDERS[1] - 1)
    fine = {"dense": dense, "rings": ringed, "iterated": iterated}[kind]
    pressure = pressures(points_of(fine))
    points_m = ring_points() if kind == "rings" else irregular_points()
    harmonics, argument = spherical_harmonics(5, points_m), WAVENUMBER * np.linalg.norm(points_m, axis=1)
    coarse, found = fit_waves(harmonics, argument, orders, pressure), fine(pressure, None)
    for change, first, expected in zip(
        found.spread.coarser(), (found.outgoing, found.regular), (coarse.outgoing, coarse.regular), strict=True
    ):
        again = (first + change[:, 0])[:, : expected.shape[1]]
        assert np.linalg.norm(again - expected) <= tolerance * np.linalg.norm(expected)
        assert np.abs((first + change[:, 0])[:, expected.shape[1] :]).max() <= tolerance * np.abs(first).max()


@pytest.mark.parametrize("fit", [dense, ringed, iterated])
def test_draws_have_the_covariance_of_noise_at_the_points(fit: Callable[..., WaveFit]) -> None:
    """Plain least squares: the covariance of the coefficients is L L^H, L the fit of unit pressures."""
    points = points_of(fit)
    found = fit(pressures(points, 1), None)
    both = np.concatenate(found.spread.of(np.eye(points, dtype=complex)[None]), axis=2)[0]
    covariance = both.T @ both.conj()
    drawn = np.concatenate(found.spread.drawn(DRAWS, default_rng(11)), axis=2)[0]
    # coordinates in which the covariance is one
    white = np.linalg.solve(np.linalg.cholesky(covariance), drawn.T)
    sample = white @ white.conj().T / DRAWS
    unknowns = len(covariance)
    # Marchenko-Pastur: eigenvalues of the sample covariance of noise lie within (1 +- sqrt(unknowns / draws))^2
    values = np.linalg.eigvalsh(sample)
    edge = np.sqrt(unknowns / DRAWS)
    assert values.min() > (1 - edge) ** 2 - 0.03
    assert values.max() < (1 + edge) ** 2 + 0.03
