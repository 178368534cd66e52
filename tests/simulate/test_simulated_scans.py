"""Scans: counts, surfaces, rings."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.simulate.scans import cylinder_scan, require_outside, shell_scan, sphere_scan


def on_cylinder(positions: np.ndarray, radius: float, half_height: float) -> np.ndarray:
    """Is each point on the side or on an end cap?"""
    across, height = np.hypot(positions[:, 0], positions[:, 1]), np.abs(positions[:, 2])
    side = np.isclose(across, radius) & (height <= half_height + 1e-12)
    return np.asarray(side | (np.isclose(height, half_height) & (across <= radius + 1e-12)))


@pytest.mark.parametrize("azimuths", [None, 36])
@pytest.mark.parametrize("axis_points", [False, True])
def test_cylinder_has_its_points_on_two_surfaces(azimuths: int | None, axis_points: bool) -> None:
    positions, surface = cylinder_scan(2232, 0.3, 0.25, azimuths=azimuths, axis_points=axis_points)
    if azimuths is None or not axis_points:
        assert len(positions) == 2232
    else:
        assert len(positions) == 2232 + 4  # rings come whole: the axis points are on top
    assert np.count_nonzero(surface == 0) == np.count_nonzero(surface == 1)
    assert on_cylinder(positions[surface == 0], 0.3, 0.25).all()
    assert on_cylinder(positions[surface == 1], 0.36, 0.31).all()
    on_axis = np.count_nonzero(np.hypot(positions[:, 0], positions[:, 1]) < 1e-12)
    assert on_axis == (4 if axis_points else 0)


def test_rings_of_a_cylinder_are_equally_spaced() -> None:
    positions, surface = cylinder_scan(2232, 0.3, 0.25, azimuths=36)
    ring = positions[surface == 0][:36]
    azimuth = np.sort(np.mod(np.arctan2(ring[:, 1], ring[:, 0]), 2 * np.pi))
    np.testing.assert_allclose(np.diff(azimuth), 2 * np.pi / 36, rtol=1e-12)  # rounding
    assert np.ptp(ring[:, 2]) == 0


def test_even_cylinder_is_even() -> None:
    positions, surface = cylinder_scan(1000, 0.3, 0.25)
    inner = positions[surface == 0]
    nearest = np.sort(np.linalg.norm(inner[:, None] - inner, axis=-1), axis=1)[:, 1]
    spacing = np.sqrt(2 * np.pi * 0.3 * 0.8 / 500)
    # No clumps and no holes: neighbours within a factor of two of the mean spacing.
    assert nearest.min() > 0.5 * spacing
    assert nearest.max() < 2.0 * spacing


@pytest.mark.parametrize("grid", ["gauss", "equiangular", "spiral"])
def test_spheres_have_their_radii(grid: str) -> None:
    positions, surface = sphere_scan(2 * 2 * 20**2, 0.35, gap_m=0.05, grid=grid)
    assert len(positions) == 1600
    np.testing.assert_allclose(np.linalg.norm(positions, axis=1), 0.35 + 0.05 * surface, rtol=1e-12)  # rounding
    # Any even grid has its centre of mass near the middle.
    assert np.abs(positions.mean(axis=0)).max() < 0.01


def test_gauss_rings_stand_at_the_zeros_of_a_legendre_polynomial() -> None:
    # Zeros of P_3: 0 and +-sqrt(3/5).
    positions, _ = sphere_scan(18, 1.0, surfaces=1)
    np.testing.assert_allclose(np.unique(np.round(positions[:, 2], 12)), [-(0.6**0.5), 0, 0.6**0.5], atol=1e-12)


def test_shell_is_filled_and_its_radii_do_not_follow_the_direction() -> None:
    positions, surface = shell_scan(1200, 0.45, 0.55, np.random.default_rng(1))
    radius = np.linalg.norm(positions, axis=1)
    assert np.all((radius > 0.45) & (radius < 0.55))
    assert np.all(surface == -1)
    # Standard deviation of a uniform distribution is its width / sqrt(12); 5 % is 3 sigma for 1200 draws.
    assert radius.std() == pytest.approx(0.1 / 12**0.5, rel=0.05)
    assert abs(np.corrcoef(radius, positions[:, 2])[0, 1]) < 0.1  # 3 sigma of 1/sqrt(1200)


def test_points_inside_the_source_are_refused() -> None:
    positions, _ = cylinder_scan(100, 0.2, 0.2)
    require_outside(positions, np.zeros(3), 0.19)
    with pytest.raises(ValueError, match=r"scan points lie inside the source, point \d+ by 0\.\d+ m"):
        require_outside(positions, np.array([0.1, 0.0, 0.0]), 0.19)


def test_points_that_do_not_share_out_are_refused() -> None:
    with pytest.raises(ValueError, match="choose a multiple"):
        sphere_scan(1001, 0.3)
    with pytest.raises(ValueError, match="leave none for the rings"):
        cylinder_scan(4, 0.3, 0.3, axis_points=True)
