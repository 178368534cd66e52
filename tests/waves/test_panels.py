"""Panels of a box: their solid angles, what a closed surface must do, and a twin without mirror images."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import sph_harm_y, spherical_jn

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import column_degrees, column_orders
from fieldproc.waves.panels import CLASS_SIGNS, OCTANTS, OctantPanels, octant_panels
from fieldproc.waves.scatterer import scattered_by_panels

SIZE_M = (0.2, 0.3, 0.25)
COUNTS = (2, 3, 2)


def panel_corners(size_m: tuple[float, float, float], counts: tuple[int, int, int]) -> Floats:
    """Corners (octant, panel, corner, 3) counter-clockwise or clockwise, one panel after the other."""
    half_m = np.array(size_m) / 2
    lines = [half * np.sin(np.pi / 2 * np.arange(n + 1) / n) for half, n in zip(half_m, counts, strict=True)]
    panels = []
    for axis in range(3):
        first, second = (other for other in range(3) if other != axis)
        for i in range(counts[first]):
            for j in range(counts[second]):
                corners = np.zeros((4, 3))
                corners[:, axis] = half_m[axis]
                corners[:, first] = lines[first][[i, i + 1, i + 1, i]]
                corners[:, second] = lines[second][[j, j, j + 1, j + 1]]
                panels.append(corners)
    return OCTANTS[:, None, None, :] * np.array(panels)


def triangle_angle(corners_m: Floats, point_m: Floats) -> float:
    """Solid angle without its sign (van Oosterom & Strackee, IEEE Trans. Biomed. Eng. 30 (1983) 125; from memory)."""
    a, b, c = corners_m - point_m
    x, y, z = (float(np.linalg.norm(side)) for side in (a, b, c))
    below = x * y * z + (a @ b) * z + (a @ c) * y + (b @ c) * x
    return abs(2 * np.arctan2(a @ np.cross(b, c), below))


def full_surface(panels: OctantPanels, corners_m: Floats, k: float) -> tuple[Complexes, Floats, Floats, Floats]:
    """System over all panels and points of all octants without mirror images, then points, normals and areas."""
    count = panels.count
    points_m = np.concatenate(
        [OCTANTS[:, None] * panels.points_m[:count], OCTANTS[:, None] * panels.points_m[count:]], 1
    )
    points_m = np.concatenate([points_m[:, :count].reshape(-1, 3), points_m[:, count:].reshape(-1, 3)])
    flat = corners_m.reshape(-1, 4, 3)
    centers_m = flat.mean(axis=1)
    normals = (OCTANTS[:, None] * np.eye(3)[panels.axis]).reshape(-1, 3)
    areas_m2 = np.linalg.norm(np.cross(flat[:, 1] - flat[:, 0], flat[:, 3] - flat[:, 0]), axis=1)
    system = np.zeros((len(points_m), len(flat)), dtype=np.complex128)
    for row, point_m in enumerate(points_m):
        for column, (corners, center_m, normal) in enumerate(zip(flat, centers_m, normals, strict=True)):
            height_m = (point_m - center_m) @ normal
            if abs(height_m) < 1e-9:
                continue
            angle = triangle_angle(corners[[0, 1, 2]], point_m) + triangle_angle(corners[[0, 2, 3]], point_m)
            distance_m = np.linalg.norm(point_m - center_m)
            added = (1 + 1j * k * distance_m) * np.exp(-1j * k * distance_m) - 1
            node = areas_m2[column] * height_m / distance_m**3
            system[row, column] = -(np.sign(height_m) * angle + node * added) / (4 * np.pi)
    system[np.arange(len(flat)), np.arange(len(flat))] += 0.5
    return system, points_m, normals, areas_m2


def regular_waves(k: float, order: int, points_m: Floats) -> Complexes:
    """j_n(kr) Y_nm, (point, coefficient), by scipy alone."""
    x, y, z = points_m.T
    n, m = column_degrees(order), column_orders(order)
    radius_m, colatitude = np.linalg.norm(points_m, axis=1)[:, None], np.arctan2(np.hypot(x, y), z)[:, None]
    return np.asarray(spherical_jn(n, k * radius_m) * sph_harm_y(n, m, colatitude, np.arctan2(y, x)[:, None]))


def test_one_eighth_is_the_whole_box() -> None:
    """Slow twin: every panel by itself, least squares over the whole surface, the readout by differences."""
    k, order, step_m = 12.0, 5, 2e-5
    rng = np.random.default_rng(3)
    regular = rng.normal(size=(2, 36)) + 1j * rng.normal(size=(2, 36))
    panels = octant_panels(SIZE_M, COUNTS)
    system, points_m, normals, areas_m2 = full_surface(panels, panel_corners(SIZE_M, COUNTS), k)
    pressure = np.linalg.lstsq(system, regular_waves(k, 5, points_m) @ regular.T, rcond=None)[0]
    faces_m = points_m[: len(normals)]
    ahead, behind = (regular_waves(k, order, faces_m + way * step_m * normals) for way in (1, -1))
    slope = (ahead - behind).conj() / (2 * step_m)
    expected = -1j * k * (pressure * areas_m2[:, None]).T @ slope
    found = scattered_by_panels(panels, k, regular, order)
    # the differences: (k step)^2 and rounding over the step, 1e-8 or so; normal equations lose less
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-7 * np.abs(expected).max())


def test_panels_see_a_closed_surface() -> None:
    panels = octant_panels(SIZE_M, COUNTS)
    seen = panels.static.sum(axis=(0, 2))
    # full sphere from inside, half of it from a face; outward normals make it negative. Rounding only.
    np.testing.assert_allclose(seen[: panels.count], -0.5, atol=1e-13)
    np.testing.assert_allclose(seen[panels.count :], -1.0, atol=1e-13)
    # areas of an eighth of the surface
    x, y, z = SIZE_M
    assert panels.area_m2.sum() == pytest.approx((x * y + y * z + z * x) / 4, rel=1e-13)


def test_points_inside_are_inside() -> None:
    panels = octant_panels(SIZE_M, (3, 5, 4))
    inside = panels.points_m[panels.count :]
    assert len(inside) >= panels.count / 6
    assert np.all(inside > 0)
    assert np.all(inside < 0.43 * np.array(SIZE_M))
    # no two in one plane across an axis, where a resonance might have its node
    assert np.diff(np.sort(inside, axis=0), axis=0).min() > 1e-4


def test_class_signs_are_characters() -> None:
    # rows orthogonal, and the product of two classes is a class
    np.testing.assert_array_equal(CLASS_SIGNS @ CLASS_SIGNS.T, 8 * np.eye(8))
    np.testing.assert_array_equal(CLASS_SIGNS[1] * CLASS_SIGNS[2], CLASS_SIGNS[3])


@pytest.mark.parametrize("wavenumber", [3.0, 20.0, 34.0])
def test_no_field_is_left_inside(wavenumber: float) -> None:
    """The surface pressure cancels the incident field inside, at points that the solution has never seen."""
    panels = octant_panels(SIZE_M, (6, 9, 8))
    wave = np.exp(-1j * wavenumber * (OCTANTS[:, None] * panels.points_m) @ np.array([0.36, 0.48, -0.8]))
    classes = CLASS_SIGNS @ wave / 8
    pressure = CLASS_SIGNS.T @ panels.surface_pressure(wavenumber, classes[..., None])[..., 0]
    point_m = np.array([0.031, -0.055, 0.042])
    faces_m = OCTANTS[:, None] * panels.points_m[: panels.count]
    away_m = point_m - faces_m
    distance_m = np.linalg.norm(away_m, axis=2)
    height_m = np.sum(away_m * OCTANTS[:, None] * np.eye(3)[panels.axis], axis=2)
    turn = wavenumber * distance_m
    kernel = panels.area_m2 * height_m * (1 + 1j * turn) * np.exp(-1j * turn) / (4 * np.pi * distance_m**3)
    left = np.exp(-1j * wavenumber * point_m @ np.array([0.36, 0.48, -0.8])) + np.sum(kernel * pressure)
    # square of the panels' width over the distance to the faces, and over the wavelength: half a per cent
    assert abs(left) < 0.01


def test_harmonics_of_the_twin_are_ours() -> None:
    directions = np.random.default_rng(4).normal(size=(5, 3))
    n = column_degrees(4)
    ours = spherical_harmonics(4, directions) * spherical_jn(n, 2.0 * np.linalg.norm(directions, axis=1)[:, None])
    np.testing.assert_allclose(regular_waves(2.0, 4, directions), ours, rtol=0, atol=1e-14)
