"""Area weights: patterns whose mean over the sphere has a closed form, on grids and on scattered points."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss, legval

from fieldproc.conventions import directions_from_angles
from fieldproc.tables.sphere_average import sphere_weights

AXES = {"x": (1.0, 0.0, 0.0), "z": (0.0, 0.0, 1.0), "oblique": (1.0, 2.0, 3.0)}


def grid(step_deg: float, repeat_poles: bool = False) -> np.ndarray:
    azimuth = np.arange(0.0, 360.0, step_deg)
    rings = np.arange(-90.0 + step_deg, 90.0 - step_deg / 2, step_deg)
    a, e = (part.ravel() for part in np.meshgrid(azimuth, rings))
    poles = azimuth if repeat_poles else azimuth[:1]
    a = np.concatenate([a, poles, poles])
    e = np.concatenate([e, np.full(poles.size, 90.0), np.full(poles.size, -90.0)])
    return directions_from_angles(a, e)


def golden_spiral(count: int) -> np.ndarray:
    index = np.arange(count) + 0.5
    azimuth = np.degrees(np.pi * (1 + np.sqrt(5)) * index)
    return directions_from_angles(azimuth, np.degrees(np.arcsin(1 - 2 * index / count)))


def beam_error(directions: np.ndarray, order: int, axis: tuple[float, float, float]) -> float:
    """Relative error of the mean of p^2 for the beam of maximum directivity, p = sum (2n+1) P_n: mean
    square sum (2n+1) = (N+1)^2, all of it in one direction and so the hardest to average."""
    unit = np.array(axis) / np.linalg.norm(axis)
    pressure = legval(np.clip(directions @ unit, -1, 1), 2 * np.arange(order + 1) + 1)
    return float(sphere_weights(directions).values @ pressure**2) / (order + 1) ** 2 - 1


@pytest.mark.parametrize("axis", AXES)
def test_one_degree_grid_is_exact_for_order_20(axis: str) -> None:
    directions = grid(1.0)
    assert len(directions) == 64442
    # Exact quadrature; 1e-4 is what is needed, 1e-11 leaves room for rounding over 64442 terms.
    assert abs(beam_error(directions, 20, AXES[axis])) < 1e-11


@pytest.mark.parametrize(("step", "order"), [(10.0, 8), (5.0, 16)])
@pytest.mark.parametrize("axis", AXES)
def test_coarser_grids_are_exact_up_to_their_order(step: float, order: int, axis: str) -> None:
    # Rounding only: degree 2N of p^2 is below the number of rings.
    assert abs(beam_error(grid(step), order, AXES[axis])) < 1e-12


def test_a_grid_about_the_front_axis_is_a_grid_too() -> None:
    about_x = grid(5.0)[:, [2, 0, 1]]
    assert abs(beam_error(about_x, 16, AXES["oblique"])) < 1e-12


def test_gauss_rings_get_gauss_weights() -> None:
    nodes, weights = leggauss(24)
    azimuth, elevation = np.meshgrid(np.arange(0.0, 360.0, 7.5), np.degrees(np.arcsin(nodes)))
    values = sphere_weights(directions_from_angles(azimuth.ravel(), elevation.ravel())).values
    # Rounding; the classical weights sum to 2 over the rings and are shared by 48 azimuths.
    np.testing.assert_allclose(values.reshape(24, 48), (weights / 96)[:, np.newaxis] * np.ones(48), rtol=1e-10)


def test_repeated_poles_and_a_closing_meridian_share_one_weight() -> None:
    single, repeated = grid(10.0), grid(10.0, repeat_poles=True)
    values = sphere_weights(repeated).values
    assert values.sum() == pytest.approx(1.0, rel=1e-13)
    assert values[-36:].sum() == pytest.approx(sphere_weights(single).values[-1], rel=1e-12)


def test_scattered_directions_get_cell_areas() -> None:
    directions = golden_spiral(2000)
    result = sphere_weights(directions)
    assert result.values.sum() == pytest.approx(1.0, rel=1e-13)
    # Mean of ((1 + x)/2)^2 is 1/3. Cells of 4.5 degrees: midpoint error of order (0.04 rad)^2.
    cardioid = (1 + directions[:, 0]) / 2
    assert result.values @ cardioid**2 == pytest.approx(1 / 3, rel=2e-4)
    assert abs(beam_error(directions, 10, AXES["oblique"])) < 2e-3


def test_uneven_scattered_directions_are_weighted_by_area() -> None:
    rng = np.random.default_rng(5)
    extra = golden_spiral(6000)
    extra = extra[(extra[:, 0] > 0) & (rng.random(6000) < 0.7)]
    directions = np.concatenate([golden_spiral(2000), extra])
    cardioid = ((1 + directions[:, 0]) / 2) ** 2
    # Counting directions alike would say 0.47.
    assert sphere_weights(directions).values @ cardioid == pytest.approx(1 / 3, rel=1e-3)
    assert cardioid.mean() > 0.45


def test_the_largest_gap_is_reported() -> None:
    # Half a diagonal at the equator, closed form of the circle through four grid points.
    half = np.radians(5.0)
    corner = directions_from_angles(np.array([5.0]), np.array([10.0]))[0]
    middle = directions_from_angles(np.array([0.0]), np.array([5.0]))[0]
    expected = np.degrees(np.arccos(corner @ middle))
    assert sphere_weights(grid(10.0)).largest_gap_deg == pytest.approx(expected, rel=0.01)
    assert expected == pytest.approx(np.degrees(np.sqrt(2) * half), rel=0.01)


@pytest.mark.parametrize(
    ("directions", "gap_deg"),
    [
        (grid(10.0)[:3], 180.0),
        (directions_from_angles(np.arange(0.0, 360.0, 10.0), np.zeros(36)), 180.0),
        (grid(5.0)[grid(5.0)[:, 2] > -1e-9], 90.0),
    ],
    ids=["three directions", "one plane", "upper half"],
)
def test_sets_that_leave_too_much_open_have_no_weights(directions: np.ndarray, gap_deg: float) -> None:
    result = sphere_weights(directions)
    assert np.isnan(result.values).all()
    assert result.values.shape == (len(directions),)
    assert result.largest_gap_deg == pytest.approx(gap_deg, rel=1e-6)
