"""Holes of a scan: found where points were left out, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.expand.coverage import fibonacci_directions, unscanned
from fieldproc.simulate.scans import cylinder_scan, shell_scan, sphere_scan

DOWN = np.array([0.0, 0.0, -1.0])
# High enough that only the spacing of the points sets the threshold.
FINE = 90


def slow_nearest_deg(points: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """Angle of each direction to the nearest point, one by one."""
    unit = [point / np.sqrt(point @ point) for point in points]
    return np.array([min(np.degrees(np.arccos(np.clip(u @ d, -1, 1))) for u in unit) for d in directions])


@pytest.mark.parametrize("points", [840, 2232])
@pytest.mark.parametrize("shape", ["gauss", "equiangular", "spiral", "cylinder", "equal rings", "tall", "shell"])
def test_whole_scans_have_no_holes(shape: str, points: int) -> None:
    if shape == "cylinder":
        positions, _ = cylinder_scan(points, 0.28, 0.28)
    elif shape == "equal rings":
        positions, _ = cylinder_scan(points, 0.28, 0.28, azimuths=36)
    elif shape == "tall":
        positions, _ = cylinder_scan(points, 0.35, 0.7)
    elif shape == "shell":
        positions, _ = shell_scan(points, 0.35, 0.45, np.random.default_rng(1))
    else:
        positions, _ = sphere_scan(points, 0.35, grid=shape)  # type: ignore[arg-type]
    found = unscanned(positions, fibonacci_directions(500), FINE)
    assert found.sectors == ()
    assert not found.resting.any()


@pytest.mark.parametrize("half_angle_deg", [20.0, 45.0, 90.0])
def test_a_missing_cap_is_found_with_its_size(half_angle_deg: float) -> None:
    positions, _ = sphere_scan(2232, 0.35, grid="spiral")
    below = positions[:, 2] < -np.cos(np.radians(half_angle_deg)) * np.linalg.norm(positions, axis=1)
    directions = np.array([DOWN, [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
    found = unscanned(positions[~below], directions, FINE)
    (sector,) = found.sectors
    # the edge of the hole is known to one spacing of the points
    assert sector.half_angle_deg == pytest.approx(half_angle_deg, abs=found.spacing_deg)
    assert np.degrees(np.arccos(-sector.direction[2])) < found.spacing_deg
    beyond = half_angle_deg - found.threshold_deg
    assert sector.share == pytest.approx(
        (1 - np.cos(np.radians(beyond))) / 2,
        abs=np.radians(found.spacing_deg) * np.sin(np.radians(beyond)) / 2 + 1e-3,
    )
    np.testing.assert_array_equal(found.resting, [True, False, False])


def test_two_holes_by_size_and_directions_one_by_one() -> None:
    positions, _ = cylinder_scan(2232, 0.28, 0.28)
    # end caps that the robot cannot reach, one of them in part
    kept = (positions[:, 2] < 0.27) & ~((positions[:, 2] < -0.27) & (np.hypot(*positions[:, :2].T) < 0.2))
    directions = fibonacci_directions(300)
    found = unscanned(positions[kept], directions, FINE)
    top, bottom = found.sectors
    assert (top.direction[2], bottom.direction[2]) == (pytest.approx(1, abs=0.01), pytest.approx(-1, abs=0.01))
    # edges of the inner surface: 0.28 m at height 0.27 m, and 0.2 m at 0.34 m of the outer one
    assert top.half_angle_deg == pytest.approx(46.0, abs=2 * found.spacing_deg)
    assert bottom.half_angle_deg == pytest.approx(np.degrees(np.arctan(0.2 / 0.34)), abs=2 * found.spacing_deg)
    np.testing.assert_array_equal(found.resting, slow_nearest_deg(positions[kept], directions) > found.threshold_deg)


def test_what_low_degrees_cannot_resolve_is_no_hole() -> None:
    positions, _ = sphere_scan(2232, 0.35, grid="spiral")
    seen = positions[positions[:, 2] > -np.cos(np.radians(20.0)) * np.linalg.norm(positions, axis=1)]
    assert unscanned(seen, DOWN[None], FINE).resting.all()
    # a quarter of the wavelength of degree 4 is 22.5 degrees
    found = unscanned(seen, DOWN[None], 4)
    assert found.threshold_deg == pytest.approx(22.5)
    assert not found.resting.any()
    assert found.sectors == ()


@pytest.mark.parametrize("points", [1, 2, 5])
def test_few_points_are_mostly_hole(points: int) -> None:
    found = unscanned(np.eye(5, 3)[:points] + 0.1, DOWN[None], FINE)
    assert found.spacing_deg > 30
    assert np.isfinite(found.threshold_deg)
