"""Directions of balloons: counts and places that the standard and textbooks give, and what the grids integrate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import sph_harm_y

from fieldproc.conventions import angles_from_directions, directions_from_angles, polar_directions
from fieldproc.extrapolate import balloon_directions

# AES56-2008, counts as in a record of its working group: 72 x 35 + 2, 37 x 35 + 2, 19 x 35 + 2.
AES56 = {"aes56": 2522, "aes56 half": 1297, "aes56 quarter": 667}
CARRIED = ("gauss", "equiangular")
# Sines and cosines of doubles.
CLOSE = 1e-14


def nearest(directions: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Distance of each wanted direction from the grid."""
    return np.asarray(np.linalg.norm(directions[None] - wanted[:, None], axis=2).min(axis=1))


@pytest.mark.parametrize("name", AES56)
def test_aes56_has_as_many_directions_as_the_standard_says(name: str) -> None:
    directions = balloon_directions(name, 1)
    assert directions.shape == (AES56[name], 3)
    np.testing.assert_allclose(np.linalg.norm(directions, axis=1), 1.0, rtol=CLOSE)
    assert len(np.unique(np.round(directions, 9), axis=0)) == AES56[name]


def test_aes56_by_meridian_and_angle_off_the_axis() -> None:
    directions = balloon_directions("aes56", 1)
    on_axis, behind = directions[0], directions[-1]
    assert on_axis.tolist() == [1, 0, 0]
    assert behind.tolist() == [-1, 0, 0]
    grid = directions[1:-1].reshape(72, 35, 3)
    # 90 degrees off the axis: the right of whoever looks into the loudspeaker is its left, then top, right, bottom
    np.testing.assert_allclose(grid[[0, 18, 36, 54], 17], [[0, 1, 0], [0, 0, 1], [0, -1, 0], [0, 0, -1]], atol=CLOSE)
    # meridian 90, 30 off the axis: 30 up
    np.testing.assert_allclose(grid[18, 5], [np.sqrt(0.75), 0, 0.5], atol=CLOSE)


def test_the_halves_are_alike_in_order_and_lie_left_and_above() -> None:
    whole = balloon_directions("aes56", 1)
    half, quarter = balloon_directions("aes56 half", 1), balloon_directions("aes56 quarter", 1)
    assert half[:, 1].min() == 0.0
    assert quarter[:, 1:].min() == 0.0
    for part in (half, quarter):
        assert nearest(whole, part).max() < CLOSE
    mirrored = half * [1, -1, 1]
    assert nearest(np.concatenate([half, mirrored]), whole).max() < CLOSE


def test_only_the_whole_of_aes56_holds_the_standard_directions() -> None:
    holds = {name: int((nearest(balloon_directions(name, 8), polar_directions()) < 1e-9).sum()) for name in AES56}
    # the half: the vertical plane, and the left of the horizontal one with its ends; 0 and 180 stand in both planes
    assert holds == {"aes56": 72, "aes56 half": 36 + 19, "aes56 quarter": 19 + 19}
    others = {name: int((nearest(balloon_directions(name, 8), polar_directions()) < 1e-9).sum()) for name in CARRIED}
    # 9 Gauss rings have one at the equator, of 18 azimuths, two of them in both planes; 18 equal rings have none
    assert others == {"gauss": 18 + 2, "equiangular": 0}


@pytest.mark.parametrize(("name", "degree", "count"), [("gauss", 4, 50), ("gauss", 8, 162), ("equiangular", 4, 100)])
def test_grids_that_carry_a_degree(name: str, degree: int, count: int) -> None:
    directions = balloon_directions(name, degree)
    assert directions.shape == (count, 3)
    # top first, azimuth from 0
    assert directions[0, 2] == directions[:, 2].max()
    assert directions[0, 1] == 0.0
    azimuth, elevation = angles_from_directions(directions)
    rings, member = np.unique(np.round(elevation, 9), return_inverse=True)
    assert np.bincount(member).tolist() == [2 * degree + 2] * len(rings)
    # weights of the rings that integrate every polynomial in z through them, spread evenly: exact to degree 2N + 1
    height = np.sin(np.radians(rings))
    moments = np.array([0.0 if n % 2 else 1.0 / (n + 1) for n in range(len(rings))])
    ring_weights = np.linalg.solve(np.vander(height, increasing=True).T, moments)
    weights = ring_weights[member] / (2 * degree + 2)
    pairs = [(n, m) for n in range(degree + 1) for m in range(-n, n + 1)]
    theta, phi = np.radians(90 - elevation), np.radians(azimuth)
    harmonics = np.stack([sph_harm_y(n, m, theta, phi) for n, m in pairs], axis=1)
    gram = 4 * np.pi * (harmonics.conj().T * weights) @ harmonics
    # rounding, amplified by the Vandermonde matrix
    np.testing.assert_allclose(gram, np.eye(len(pairs)), rtol=0, atol=1e-10)


def test_equiangular_rings_stand_half_a_step_off_the_poles() -> None:
    _, elevation = angles_from_directions(balloon_directions("equiangular", 4))
    np.testing.assert_allclose(np.unique(np.round(elevation, 9)), np.arange(-81.0, 82.0, 18.0), rtol=0, atol=1e-9)


def test_a_list_keeps_its_order() -> None:
    angles = [(30.0, -10.0), (0.0, 90.0), (-180.0, 0.0)]
    expected = directions_from_angles(np.array([30.0, 0.0, -180.0]), np.array([-10.0, 90.0, 0.0]))
    directions = balloon_directions(angles, 7)
    np.testing.assert_allclose(directions, expected, rtol=0, atol=1e-15)
    # poles and planes without the 1e-17 of cosines
    assert directions[1].tolist() == [0, 0, 1]
    assert directions[2].tolist() == [-1, 0, 0]


def test_other_names_are_refused() -> None:
    with pytest.raises(ValueError, match="no balloon is called 'lebedev'"):
        balloon_directions("lebedev", 3)
