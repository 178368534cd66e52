"""Area weights for averaging over the sphere from any set of directions.

Rings of equally spaced azimuths (the grids that polar data are exported on) get exact quadrature:
trapezoidal along the ring, interpolatory from ring to ring, which for equally spaced rings is
Clenshaw-Curtis and for Gauss rings is Gauss-Legendre. Everything else gets the areas of Voronoi cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import ConvexHull, QhullError, SphericalVoronoi, cKDTree

from fieldproc.conventions import Floats, Integers

# A 10-degree grid has empty caps of 7.1 degrees; two 10-degree polars leave caps of 35 degrees or more.
LARGEST_GAP_DEG = 10.0

# Directions closer than this are one direction (the poles of exported grids come once per azimuth).
_SAME_DIRECTION_RAD = 1e-5
# Exports round angles to a few digits; a ring is a ring if its angles agree to this.
_RING_TOLERANCE_RAD = np.radians(0.01)
# A direction at the rim of an empty cap speaks for its neighbourhood, not for the cap: cells re the median.
_LARGEST_CELL = 3.0


@dataclass(frozen=True, slots=True)
class SphereWeights:
    """``values`` (direction,) sum to 1, or are nan if the set cannot carry a mean over the sphere.

    ``largest_gap_deg`` is the radius of the largest cap that holds no direction.
    """

    values: Floats
    largest_gap_deg: float


def sphere_weights(directions: Floats) -> SphereWeights:
    """Weights of unit vectors (direction, 3); nan if a cap of more than ``LARGEST_GAP_DEG`` is empty."""
    distinct, member = distinct_directions(directions)
    gap = largest_gap_deg(distinct)
    if gap > LARGEST_GAP_DEG:
        return SphereWeights(np.full(len(directions), np.nan), gap)
    areas = _ring_weights(distinct)
    if areas is None:
        areas = SphericalVoronoi(distinct).calculate_areas()
    shared = areas[member] / np.bincount(member)[member]
    return SphereWeights(shared / shared.sum(), gap)


def cell_weights(distinct: Floats) -> Floats:
    """Weights of distinct directions, sum 1, for fits: as ``sphere_weights``, but whatever caps are empty.

    What lies at the rim of an empty cap counts at most three times the median. All alike where no cell has an area.
    """
    areas = _ring_weights(distinct)
    if areas is None and len(distinct) >= 4:
        try:
            areas = SphericalVoronoi(distinct).calculate_areas()
        except (ValueError, QhullError):  # all in one plane
            areas = None
    if areas is None:
        areas = np.ones(len(distinct))
    areas = np.minimum(areas, _LARGEST_CELL * np.median(areas))
    return np.asarray(areas / areas.sum())


def distinct_directions(directions: Floats) -> tuple[Floats, Integers]:
    """Distinct directions, and for each given direction the index of its distinct one."""
    pairs = cKDTree(directions).query_pairs(_SAME_DIRECTION_RAD, output_type="ndarray")
    count = len(directions)
    graph = coo_array((np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    member = connected_components(graph, directed=False)[1].astype(np.int64)
    return directions[np.unique(member, return_index=True)[1]], member


def largest_gap_deg(distinct: Floats) -> float:
    """Radius of the largest cap without a direction: each facet of the convex hull cuts off an empty cap."""
    if len(distinct) < 4:
        return 180.0
    try:
        hull = ConvexHull(distinct)
    except QhullError:  # all directions in one plane: at least a hemisphere is empty
        return 180.0
    nearest_facet = -hull.equations[:, -1].max()
    return float(np.degrees(np.arccos(np.clip(nearest_facet, -1.0, 1.0))))


def _ring_weights(distinct: Floats) -> Floats | None:
    """Exact weights if the directions lie on rings about z, x or y; ``None`` if they don't."""
    for pole in (2, 0, 1):
        across = (pole + 1) % 3, (pole + 2) % 3
        u, v, w = distinct[:, across[0]], distinct[:, across[1]], distinct[:, pole]
        colatitude = np.arctan2(np.hypot(u, v), w)
        order = np.argsort(colatitude)
        starts = np.flatnonzero(np.diff(colatitude[order]) > _RING_TOLERANCE_RAD) + 1
        rings = np.split(order, starts)
        azimuth = np.arctan2(v, u)
        if not all(_is_ring(azimuth[ring], colatitude[ring[0]]) for ring in rings):
            continue
        ring_weights = _interpolatory_weights(np.array([np.cos(colatitude[ring].mean()) for ring in rings]))
        # Interpolation through badly placed rings swings: a negative area is no area.
        if np.all(ring_weights > 0):
            weights = np.empty(len(distinct))
            for ring, weight in zip(rings, ring_weights, strict=True):
                weights[ring] = weight / ring.size
            return weights
    return None


def _is_ring(azimuth_rad: Floats, colatitude_rad: float) -> bool:
    """One direction at a pole, or at least three equally spaced around it."""
    if azimuth_rad.size < 3:
        return azimuth_rad.size == 1 and bool(np.sin(colatitude_rad) < _SAME_DIRECTION_RAD)
    ordered = np.sort(azimuth_rad)
    steps = np.diff(ordered, append=ordered[0] + 2.0 * np.pi)
    return bool(np.all(np.abs(steps - 2.0 * np.pi / azimuth_rad.size) < _RING_TOLERANCE_RAD))


def _interpolatory_weights(cosines: Floats) -> Floats:
    """Weights that integrate every polynomial through the nodes exactly over [-1, 1], divided by 2."""
    legendre = np.polynomial.legendre.legvander(cosines, cosines.size - 1).T
    moments = np.zeros(cosines.size)
    moments[0] = 1.0
    return np.asarray(np.linalg.solve(legendre, moments), dtype=np.float64)
