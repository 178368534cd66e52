"""Known scans: where a robot would have put the microphone.

Each function returns positions (P, 3) in metres about the origin and the surface index (P,), innermost 0
(-1 for a scan that has no surfaces).
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from fieldproc.conventions import Floats, Integers

GOLDEN_ANGLE_RAD = np.pi * (3.0 - np.sqrt(5.0))

SphereGrid = Literal["gauss", "equiangular", "spiral"]


def cylinder_scan(
    points: int,
    radius_m: float,
    half_height_m: float,
    *,
    surfaces: int = 2,
    gap_m: float = 0.06,
    azimuths: int | None = None,
    axis_points: bool = False,
) -> tuple[Floats, Integers]:
    """Concentric upright cylinders with end caps, ``gap_m`` apart, in rings about the z axis.

    With ``azimuths`` every ring has that many points and the rings number what comes nearest to
    ``points`` in all; without it the rings are about as dense everywhere, and the total is exact. Alternate
    rings are turned by half a step. ``axis_points`` puts one point of each end cap on the axis.
    """
    each = _share(points, surfaces) - (2 if axis_points else 0)
    if each < 1:
        raise ValueError(f"{points} points on {surfaces} surfaces leave none for the rings")
    layers = [
        _one_cylinder(each, radius_m + layer * gap_m, half_height_m + layer * gap_m, azimuths)
        for layer in range(surfaces)
    ]
    if axis_points:
        poles = [(half_height_m + layer * gap_m) * np.array([[0, 0, 1.0], [0, 0, -1.0]]) for layer in range(surfaces)]
        layers = [np.concatenate(pair) for pair in zip(layers, poles, strict=True)]
    return _stack(layers)


def sphere_scan(
    points: int, radius_m: float, *, surfaces: int = 2, gap_m: float = 0.06, grid: SphereGrid = "gauss"
) -> tuple[Floats, Integers]:
    """Concentric spheres: Gauss-Legendre or equiangular rings (L rings of 2L azimuths, the L that comes
    nearest), or a golden-angle spiral with exactly ``points`` in all."""
    each = _share(points, surfaces)
    if grid == "spiral":
        unit = _spiral(each)
    else:
        rings = max(1, round(np.sqrt(each / 2.0)))
        if grid == "gauss":
            height = np.polynomial.legendre.leggauss(rings)[0][::-1]
        else:
            height = np.cos((np.arange(rings) + 0.5) * np.pi / rings)
        azimuth = np.tile(np.arange(2 * rings) * np.pi / rings, rings)
        unit = _at(azimuth, np.repeat(np.sqrt(1.0 - height**2), 2 * rings), np.repeat(height, 2 * rings))
    return _stack([unit * (radius_m + layer * gap_m) for layer in range(surfaces)])


def shell_scan(
    points: int, inner_radius_m: float, outer_radius_m: float, generator: np.random.Generator
) -> tuple[Floats, Integers]:
    """Golden-angle directions with independent uniform radii: a filled shell, without surfaces.

    The radii must not follow the directions: points whose radius is a function of angle lie on one surface,
    which cannot separate the room from the source.
    """
    radii = generator.uniform(inner_radius_m, outer_radius_m, points)
    return _spiral(points) * radii[:, None], np.full(points, -1)


def require_outside(positions_m: Floats, center_m: Floats, radius_m: float) -> None:
    """Raise ``ValueError`` unless every position (P, 3) is outside the sphere that holds the source."""
    distance = np.linalg.norm(positions_m - center_m, axis=1)
    inside = np.flatnonzero(distance <= radius_m)
    if len(inside):
        raise ValueError(
            f"{len(inside)} scan points lie inside the source, point {inside[0]} by "
            f"{radius_m - distance[inside[0]]:.3f} m; choose a larger scan or a smaller source"
        )


def _share(points: int, surfaces: int) -> int:
    if points % surfaces:
        raise ValueError(f"{points} points do not share out among {surfaces} surfaces; choose a multiple")
    return points // surfaces


def _one_cylinder(points: int, radius_m: float, half_height_m: float, azimuths: int | None) -> Floats:
    profile = 2.0 * (radius_m + half_height_m)
    if azimuths is None:
        area = 2.0 * np.pi * radius_m * (radius_m + 2.0 * half_height_m)
        rings = max(1, round(profile / np.sqrt(area / points)))
    else:
        rings = max(1, round(points / azimuths))
    # Rings at equal steps along the profile: top cap outward, side downward, bottom cap inward.
    along = (np.arange(rings) + 0.5) * profile / rings
    ring_radius = np.minimum(radius_m, np.minimum(along, profile - along))
    height = np.clip(half_height_m + radius_m - along, -half_height_m, half_height_m)
    counts = _proportional(points, ring_radius) if azimuths is None else np.full(rings, azimuths)
    azimuth = np.concatenate(
        [(np.arange(count) + 0.5 * (ring % 2)) * 2.0 * np.pi / count for ring, count in enumerate(counts)]
    )
    return _at(azimuth, np.repeat(ring_radius, counts), np.repeat(height, counts))


def _proportional(points: int, weights: Floats) -> Integers:
    """Whole counts in proportion to ``weights`` that add up to ``points`` (largest remainders first)."""
    ideal = points * weights / weights.sum()
    counts: Integers = np.floor(ideal).astype(np.int64)
    largest = np.argsort(counts - ideal, kind="stable")[: points - counts.sum()]
    counts[largest] += 1
    return counts


def _spiral(points: int) -> Floats:
    index = np.arange(points)
    height = 1.0 - (2.0 * index + 1.0) / points
    return _at(index * GOLDEN_ANGLE_RAD, np.sqrt(1.0 - height**2), height)


def _at(azimuth: Floats, axis_distance: Floats, height: Floats) -> Floats:
    return np.stack([axis_distance * np.cos(azimuth), axis_distance * np.sin(azimuth), height], axis=1)


def _stack(layers: list[Floats]) -> tuple[Floats, Integers]:
    return np.concatenate(layers), np.repeat(np.arange(len(layers)), [len(layer) for layer in layers])
