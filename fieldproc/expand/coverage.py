"""Which directions does a far field rest on that nobody scanned?

Seen from the origin of the expansion the points of a scan are directions. A hole between them matters where it is
wider than the points are apart, and wider than the waves of the highest degree resolve: half a wavelength of degree N
spans pi/N. There the far field is a continuation of what was measured elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from fieldproc.conventions import Booleans, Floats

# Neighbours from which the density of the points around each is taken, itself left out.
_NEIGHBOURS = 12
# A direction is unscanned where the nearest point is farther than so many point spacings. On square cells the
# farthest is 0.7; equal rings about an axis are up to five times as dense along one way as along the other.
_SPACINGS = 3.0
# Test directions per point and at least: their own spacing must be small against a hole.
_PER_POINT, _FEWEST = 8, 4000
_GOLDEN_ANGLE_RAD = np.pi * (3.0 - np.sqrt(5.0))


@dataclass(frozen=True, slots=True)
class Sector:
    """A hole: the cone without points, of this half-angle about ``direction`` (a unit vector, scan axes).

    The hole may reach farther than its widest cone: ``share`` is the part of the whole sphere that lies beyond the
    threshold here.
    """

    direction: tuple[float, float, float]
    half_angle_deg: float
    share: float


@dataclass(frozen=True, slots=True)
class Coverage:
    """``resting`` (direction,) says which of the directions asked for rest on a hole; sectors by falling size."""

    resting: Booleans
    sectors: tuple[Sector, ...]
    spacing_deg: float
    threshold_deg: float


def unscanned(offsets_m: Floats, directions: Floats, order: int) -> Coverage:
    """Holes of a scan, points at ``offsets_m`` (point, 3) from the expansion origin.

    ``directions`` (direction, 3) are unit vectors in scan axes, ``order`` the highest outgoing degree. A direction
    rests on a hole if no point lies within the threshold: three times the median spacing of the points, or a quarter
    of the wavelength of the highest degree, pi / (2 order), whichever is larger. Sectors are the connected parts of
    a Fibonacci grid of directions beyond the threshold; what is narrower than the grid's spacing is not looked for.
    """
    points = offsets_m / np.linalg.norm(offsets_m, axis=1)[:, None]
    tree = cKDTree(points)
    spacing = _median_spacing(tree, points)
    threshold = max(_SPACINGS * spacing, np.pi / (2.0 * max(order, 1)))
    grid = fibonacci_directions(max(_FEWEST, _PER_POINT * len(points)))
    sectors = _sectors(grid, _nearest_angle(tree, grid), threshold)
    return Coverage(
        np.asarray(_nearest_angle(tree, directions) > threshold), sectors, np.degrees(spacing), np.degrees(threshold)
    )


def fibonacci_directions(count: int) -> Floats:
    """Unit vectors (direction, 3), spread evenly over the sphere along a spiral of golden angles."""
    index = np.arange(count)
    height = 1.0 - (2.0 * index + 1.0) / count
    across, azimuth = np.sqrt(1.0 - height**2), index * _GOLDEN_ANGLE_RAD
    return np.stack([across * np.cos(azimuth), across * np.sin(azimuth), height], axis=1)


def _median_spacing(tree: cKDTree, points: Floats) -> float:
    """Side of the square that a point has to itself, in radians, the median over the points.

    From the density around each point, so that holes elsewhere and points of another surface in the same direction
    hardly count.
    """
    count = min(_NEIGHBOURS, len(points) - 1)
    if count < 1:
        return float(np.pi)
    radius = _angle(tree.query(points, k=count + 1)[0][:, -1])
    return float(np.median(np.sqrt(2.0 * np.pi * (1.0 - np.cos(radius)) / count)))


def _nearest_angle(tree: cKDTree, directions: Floats) -> Floats:
    """Angle in radians from each direction to the nearest point."""
    return _angle(tree.query(directions)[0])


def _angle(chord: Floats) -> Floats:
    return np.asarray(2.0 * np.arcsin(np.clip(0.5 * chord, 0.0, 1.0)))


def _sectors(grid: Floats, angle: Floats, threshold: float) -> tuple[Sector, ...]:
    bare = np.flatnonzero(angle > threshold)
    if not len(bare):
        return ()
    # neighbours on the grid are at most 1.3 cells apart
    reach = 1.6 * np.sqrt(4.0 * np.pi / len(grid))
    pairs = cKDTree(grid[bare]).query_pairs(reach, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(bare), len(bare)))
    count, part = connected_components(links, directed=False)
    sectors = []
    for number in range(count):
        members = bare[part == number]
        widest = members[np.argmax(angle[members])]
        x, y, z = grid[widest].tolist()
        sectors.append(Sector((x, y, z), float(np.degrees(angle[widest])), len(members) / len(grid)))
    return tuple(sorted(sectors, key=lambda sector: -sector.half_angle_deg))
