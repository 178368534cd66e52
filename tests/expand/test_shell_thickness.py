"""One surface or a shell? Scans a robot could have made, on either side of the limit."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import spiral

from fieldproc.expand.shell import THINNEST_SHELL, shell_thickness
from fieldproc.simulate.scans import cylinder_scan

POINTS = 600
RADIUS_M = 0.45


def cylinder(points: int, radius_m: float, half_height_m: float) -> np.ndarray:
    """One closed cylinder."""
    return cylinder_scan(points, radius_m, half_height_m, surfaces=1)[0]


def jittered(sigma_m: float, seed: int = 1) -> np.ndarray:
    return RADIUS_M * spiral(POINTS) + np.random.default_rng(seed).normal(0.0, sigma_m, (POINTS, 3))


def two_spheres(gap_m: float) -> np.ndarray:
    half = spiral(POINTS // 2)
    return np.concatenate([RADIUS_M * half, (RADIUS_M + gap_m) * half])


def random_shell(depth_m: float) -> np.ndarray:
    radius_m = np.random.default_rng(2).uniform(RADIUS_M, RADIUS_M + depth_m, POINTS)
    return spiral(POINTS) * radius_m[:, None]


SURFACES = {
    "sphere": RADIUS_M * spiral(POINTS),
    "sphere off the origin": RADIUS_M * spiral(POINTS) + [0.05, -0.02, 0.08],
    "sphere with 1 mm of jitter": jittered(0.001),
    # edges look thick where points are few: 16 neighbours must stay close together
    "cylinder": cylinder(1000, 0.28, 0.28),
    "tall cylinder": cylinder(2000, 0.25, 0.6),
}
SHELLS = {
    "two spheres 5 cm apart": two_spheres(0.05),
    "two spheres 2 cm apart": two_spheres(0.02),
    "two cylinders 6 cm apart": np.concatenate([cylinder(300, 0.28, 0.28), cylinder(300, 0.34, 0.34)]),
    "shell 10 cm deep": random_shell(0.1),
}


@pytest.mark.parametrize("name", SURFACES)
def test_a_surface_is_thin(name: str) -> None:
    assert shell_thickness(SURFACES[name]) < THINNEST_SHELL


@pytest.mark.parametrize("name", SHELLS)
def test_a_shell_is_thick(name: str) -> None:
    assert shell_thickness(SHELLS[name]) > THINNEST_SHELL


def test_thickness_of_a_perfect_sphere_is_nothing() -> None:
    # rounding of radii, with margin for the local fits
    assert shell_thickness(SURFACES["sphere"]) < 1e-12


def test_thickness_follows_the_gap() -> None:
    """Where two spheres share their directions, the deviation is a fixed part of the gap."""
    thickness = [shell_thickness(two_spheres(gap_m)) for gap_m in (0.002, 0.004)]
    # re the mean radius, which grows by 1 mm
    np.testing.assert_allclose(thickness[1] / thickness[0], 2.0, rtol=0.01)
    # between a quarter of the gap and the whole: 16 neighbours, six coefficients, half of them on each sphere
    assert 0.25 < thickness[0] * RADIUS_M / 0.002 < 1.0


def test_too_few_points_to_tell_count_as_a_surface() -> None:
    assert shell_thickness(random_shell(0.1)[:15]) == 0.0


def test_scale_does_not_matter() -> None:
    shell = SHELLS["two spheres 2 cm apart"]
    np.testing.assert_allclose(shell_thickness(1000.0 * shell), shell_thickness(shell), rtol=1e-9)
