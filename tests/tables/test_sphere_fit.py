"""Harmonics of all degrees at once against one least-squares fit after the other, with and without a ridge."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import sph_harm_y

from fieldproc.conventions import Floats, directions_from_angles
from fieldproc.tables.sphere_average import cell_weights
from fieldproc.tables.sphere_fit import SphereFit, real_harmonics


def spiral(count: int) -> Floats:
    index = np.arange(count) + 0.5
    azimuth = np.degrees(np.pi * (1 + np.sqrt(5)) * index)
    return directions_from_angles(azimuth, np.degrees(np.arcsin(1 - 2 * index / count)))


def rings(step_deg: int) -> Floats:
    """Every ``step_deg`` of azimuth and elevation, poles once."""
    azimuth = np.arange(0, 360, step_deg)
    elevation = np.arange(-90 + step_deg, 90, step_deg)
    grid = directions_from_angles(*np.meshgrid(azimuth, elevation)).reshape(-1, 3)
    return np.concatenate([grid, [[0, 0, 1], [0, 0, -1]]])


def slow_harmonics(degree: int, directions: Floats) -> Floats:
    """Textbook real harmonics of mean square 1, up to signs, in any order within a degree."""
    theta, phi = np.arccos(directions[:, 2]), np.arctan2(directions[:, 1], directions[:, 0])
    columns = []
    for n in range(degree + 1):
        columns.append(np.sqrt(4 * np.pi) * sph_harm_y(n, 0, theta, phi).real)
        for m in range(1, n + 1):
            value = np.sqrt(8 * np.pi) * sph_harm_y(n, m, theta, phi)
            columns += [value.real, value.imag]
    return np.stack(columns, axis=1)


@pytest.mark.parametrize("ridge", [0.0, 1e-2])
def test_every_left_out_error_is_that_of_a_fit_without_the_direction(ridge: float) -> None:
    rng = np.random.default_rng(4)
    directions = spiral(60)
    weights = rng.uniform(0.5, 1.5, 60)
    weights /= weights.sum()
    data = rng.normal(size=(60, 2))
    fit = SphereFit.of_directions(directions, weights, 4, ridge)
    assert fit.top_degree == 4
    missed = list(fit.left_out(data))
    assert len(missed) == 5
    for degree in (0, 2, 4):
        columns = slow_harmonics(degree, directions)
        prior = np.diag(np.concatenate([np.full(2 * n + 1, n + 1.0) for n in range(degree + 1)]))
        for left in (0, 17, 59):
            kept = np.arange(60) != left
            rows = np.concatenate([columns[kept] * np.sqrt(weights[kept, None]), np.sqrt(ridge) * prior])
            right = np.concatenate([data[kept] * np.sqrt(weights[kept, None]), np.zeros((len(prior), 2))])
            own = data[left] - columns[left] @ np.linalg.lstsq(rows, right, rcond=None)[0]
            # rounding of well-conditioned fits
            np.testing.assert_allclose(missed[degree][left], own, rtol=0, atol=1e-11)


def test_a_fit_predicts_in_other_directions() -> None:
    rng = np.random.default_rng(5)
    directions, others = spiral(80), spiral(11)
    data = rng.normal(size=(80, 3))
    fit = SphereFit.of_directions(directions, np.full(80, 1 / 80), 5)
    for degree in (0, 3, 5):
        coefficients = np.linalg.lstsq(slow_harmonics(degree, directions), data, rcond=None)[0]
        expected = slow_harmonics(degree, others) @ coefficients
        found = fit.predicted(data, degree, real_harmonics(5, others))
        np.testing.assert_allclose(found, expected, rtol=0, atol=1e-11)


def test_degrees_end_where_directions_keep_columns_apart_no_longer() -> None:
    # 18 rings of 36 azimuths carry degree 17: cos 18 phi and sin 18 phi are alike there
    fit = SphereFit.of_directions(rings(10), cell_weights(rings(10)), 25)
    assert fit.top_degree == 17
    # without more directions than columns nothing is left to judge by
    assert SphereFit.of_directions(spiral(30), np.full(30, 1 / 30), 25).top_degree <= 4
    few = SphereFit.of_directions(spiral(9), np.full(9, 1 / 9), 25)
    assert len(list(few.left_out(np.ones((9, 1))))) <= 2


def test_a_ridge_takes_more_columns_than_directions() -> None:
    half = spiral(200)
    half = half[half[:, 2] > 0]
    fit = SphereFit.of_directions(half, np.full(len(half), 1 / len(half)), 12, 1e-4)
    # 100 directions, 144 columns
    assert fit.top_degree == 11
    missed = list(fit.left_out(half[:, :1]))[11]
    # x, whose rms is 0.58: the ridge costs of the order of its root times (degree + 1), most at the rim
    assert np.sqrt(np.mean(missed**2)) < 0.05


def test_cells_of_an_open_cap_count_like_others() -> None:
    directions = spiral(400)
    open_cap = directions[directions[:, 2] > -0.7]
    weights = cell_weights(open_cap)
    assert weights.sum() == pytest.approx(1.0, rel=1e-12)
    assert weights.max() <= 3.01 * np.median(weights)
    # all in one plane: no areas
    flat = directions_from_angles(np.arange(0.0, 360.0, 10.0), np.zeros(36))
    np.testing.assert_allclose(cell_weights(flat), 1 / 36, rtol=1e-12)
