"""One surface or a shell? Scans a robot could have made, on either side of the limit."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import spiral

from fieldproc.expand.shell import THINNEST_SHELL, shell_thickness

POINTS = 600
RADIUS_M = 0.45


def cylinder(points: int, radius_m: float, half_height_m: float) -> np.ndarray:
    """One closed cylinder: rings of about equal spacing on the side and both end caps."""
    step = np.sqrt(2 * np.pi * radius_m * (radius_m + 2 * half_height_m) / points)
    heights = np.arange(-half_height_m, half_height_m + 1e-9, step)
    rings = [(radius_m, height) for height in heights]
    rings += [(radius, side * half_height_m) for side in (-1, 1) for radius in np.arange(step / 2, radius_m, step)]
    places = []
    for radius, height in rings:
        count = max(1, round(2 * np.pi * radius / step))
        azimuth = np.arange(count) * 2 * np.pi / count
        places += [(radius * np.cos(angle), radius * np.sin(angle), height) for angle in azimuth]
    return np.array(places)


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
    "cylinder": cylinder(POINTS, 0.3, 0.3),
    "tall cylinder": cylinder(POINTS, 0.25, 0.6),
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


def test_thickness_is_about_half_the_gap_of_two_surfaces() -> None:
    # points alternate between two radii: their deviation is half the gap, here re the mean radius
    expected = 0.025 / (RADIUS_M + 0.025)
    # sixteen neighbours rarely split exactly eight to eight
    np.testing.assert_allclose(shell_thickness(SHELLS["two spheres 5 cm apart"]), expected, rtol=0.15)


def test_too_few_points_to_tell_count_as_a_surface() -> None:
    assert shell_thickness(random_shell(0.1)[:15]) == 0.0


def test_scale_does_not_matter() -> None:
    shell = SHELLS["two spheres 2 cm apart"]
    np.testing.assert_allclose(shell_thickness(1000.0 * shell), shell_thickness(shell), rtol=1e-9)
