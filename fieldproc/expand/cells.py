"""Loudspeakers too long for one expansion: outgoing waves from several centres inside the cabinet.

Outgoing waves about one origin converge outside the smallest sphere about it that holds the source. A scan close to a
tall cabinet has points inside that sphere. So the cabinet is divided into cells about as long as the points are
away from its axis, which puts the points outside the sphere of each but for its corners; every cell sends its own
outgoing waves, and the fit is regularised, since neighbouring cells can stand in for each other. The result is
translated to the one origin, exactly, where it holds the far field.

Several expansions of one source: Wall, Gee & Neilsen, J. Acoust. Soc. Am. 137 (2015) 963.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.records import Spectra

# Without a stated size, the source is taken to fill this share of the way to the nearest point.
ASSUMED_SOURCE_SHARE = 0.7
# More cells than this would only compete with each other.
MOST_CELLS = 12

# What lies this near to the axis of the rings, relative to the nearest point, may be moved onto it.
NEAR_AXIS = 0.2


@dataclass(frozen=True, slots=True)
class Cells:
    """Centres (cell, 3) from the expansion origin, the radius of the sphere that holds a cell, and the smallest
    distance of a scan point from any centre, all in metres."""

    centers_m: Floats
    radius_m: float
    nearest_m: float

    @property
    def farthest_m(self) -> float:
        """Distance of the farthest centre from the expansion origin."""
        return float(np.linalg.norm(self.centers_m, axis=1).max())

    @property
    def reach_m(self) -> float:
        """Radius of the sphere about the expansion origin that holds all cells."""
        return self.farthest_m + self.radius_m


def divide(spectra: Spectra, origin_m: Floats) -> Cells | None:
    """Cells of the loudspeaker of a scan about an origin (3,); None where one origin reaches them all.

    A stated cabinet is divided where a point lies inside its smallest sphere about the origin; an unstated one is
    taken to follow the shape of the innermost surface, and divided where it would then be longer than its distance
    to the nearest point.
    """
    offsets_m = spectra.positions_m - origin_m
    inner_m = float(np.linalg.norm(offsets_m, axis=1).min())
    if spectra.cabinet is not None:
        center_m, half_m = spectra.cabinet.center_m - origin_m, spectra.cabinet.size_m / 2
        needed = np.linalg.norm(np.abs(center_m) + half_m) > inner_m
    elif spectra.known_source is not None:
        return None
    else:
        center_m, half_m = _assumed_box(offsets_m[spectra.surface == spectra.surface.min()])
        needed = (np.abs(center_m) + half_m).max() > inner_m
    return _grid(offsets_m, center_m, half_m) if needed else None


def _assumed_box(offsets_m: Floats) -> tuple[Floats, Floats]:
    """Centre and half sides of the box that a scan surface suggests: the same clearance all round.

    Sides that are not the long ones are those of the square inside a round cabinet.
    """
    low, high = offsets_m.min(axis=0), offsets_m.max(axis=0)
    extent = (high - low) / 2
    narrow = ASSUMED_SOURCE_SHARE * extent.min()
    long = extent > np.sqrt(2.0) * extent.min()
    return (high + low) / 2, np.where(long, extent - extent.min() + narrow, narrow / np.sqrt(2.0))


def _grid(offsets_m: Floats, center_m: Floats, half_m: Floats) -> Cells:
    """A box in equal cells, about as long as its centre is far from the nearest point; at least two."""
    length_m = float(np.linalg.norm(offsets_m - center_m, axis=1).min())
    longest = np.arange(3) == np.argmax(half_m)
    counts = np.maximum(np.rint(2.0 * half_m / length_m).astype(np.int64), np.where(longest, 2, 1))
    while counts.prod() > MOST_CELLS:
        length_m *= 1.1
        counts = np.maximum(np.rint(2.0 * half_m / length_m).astype(np.int64), 1)
    steps = [
        half * (2.0 * np.arange(count) + 1.0 - count) / count for half, count in zip(half_m, counts, strict=True)
    ]
    centers_m = center_m + np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 3)
    nearest_m = min(float(np.linalg.norm(offsets_m - one, axis=1).min()) for one in centers_m)
    return _on_axis(centers_m, float(np.linalg.norm(half_m / counts)), nearest_m)


def _on_axis(centers_m: Floats, radius_m: float, nearest_m: float) -> Cells:
    """A column of cells close to the vertical axis moves onto it, so that rings about the axis stay rings."""
    aside_m = np.hypot(centers_m[:, 0], centers_m[:, 1]).max()
    if aside_m > NEAR_AXIS * nearest_m:
        return Cells(centers_m, radius_m, nearest_m)
    return Cells(centers_m * np.array([0.0, 0.0, 1.0]), radius_m + aside_m, nearest_m - aside_m)
