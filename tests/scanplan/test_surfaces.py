"""Surfaces keep their distance, rings lie where the simulator would put them."""

from __future__ import annotations

import numpy as np
import pytest
from scanplan.planned import Vector

from fieldproc.scanplan.surfaces import Surface, innermost, ring_points
from fieldproc.simulate.scans import cylinder_scan

COMPACT = [(0.15, 0.12, 0.2), (0.25, 0.2, 0.35), (0.4, 0.3, 0.5), (0.3, 0.3, 0.3)]


def clearance_m(points_m: np.ndarray, size_m: Vector) -> np.ndarray:
    """Distance from the box, point by point."""
    beside_m = np.maximum(np.abs(points_m.reshape(-1, 3)) - np.array(size_m) / 2, 0.0)
    return np.linalg.norm(beside_m, axis=1)


@pytest.mark.parametrize("shape", ["cylinder", "sphere"])
@pytest.mark.parametrize("size_m", [*COMPACT, (0.3, 0.25, 1.1), (0.2, 0.9, 0.3)])
def test_every_point_keeps_the_clearance(size_m: Vector, shape: str) -> None:
    points_m = ring_points(innermost(shape, np.array(size_m), 0.07), 24, 36, np.zeros(3))
    # a nanometre of rounding
    assert clearance_m(points_m, size_m).min() >= 0.07 - 1e-8


@pytest.mark.parametrize("size_m", COMPACT)
def test_compact_cabinets_leave_all_points_outside_their_smallest_sphere(size_m: Vector) -> None:
    points_m = ring_points(innermost("cylinder", np.array(size_m), 0.08), 24, 36, np.zeros(3)).reshape(-1, 3)
    assert np.linalg.norm(points_m, axis=1).min() > np.linalg.norm(size_m) / 2


def test_long_cabinets_are_followed_closely() -> None:
    size_m = (0.3, 0.25, 1.1)
    points_m = ring_points(innermost("cylinder", np.array(size_m), 0.08), 60, 24, np.zeros(3))
    # the corner of a lid is farthest from the box
    assert clearance_m(points_m, size_m).max() < 0.25


def test_rings_are_those_of_the_simulator() -> None:
    inner = Surface("cylinder", 0.26, 0.3)
    ours = np.concatenate(
        [ring_points(one, 17, 20, np.zeros(3)).reshape(-1, 3) for one in (inner, inner.grown(0.07))]
    )
    expected, surface = cylinder_scan(2 * 17 * 20, 0.26, 0.3, gap_m=0.07, azimuths=20)
    # ours are whole nanometres
    np.testing.assert_allclose(ours, expected, rtol=0, atol=1e-9)
    assert surface.tolist() == [0] * 340 + [1] * 340


def test_spheres_are_spheres_about_the_centre() -> None:
    center_m = np.array([0.1, -0.2, 0.3])
    points_m = ring_points(Surface("sphere", 0.4, 0.4), 11, 16, center_m).reshape(-1, 3)
    np.testing.assert_allclose(np.linalg.norm(points_m - center_m, axis=1), 0.4, rtol=0, atol=2e-9)
