"""The surfaces of a scan: where their normals point, and what an error of one does to the pressures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.dense import Seen
from fieldproc.expand.panel import Panel, field_of, seen_from
from fieldproc.expand.rings import RingGrid

# Step of central differences: (k step)^2 / 6 is 4e-6 at 2.5 kHz, rounding 1e-12.
STEP_M = 1e-4
# Points that a surface's normal is taken from.
_NEIGHBOURS = 12


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of error: how it is told, and the least that is put right.

    The least gain costs -48 dB of the far field at 60 Hz, 5 cm between the surfaces; offset and delay no more.
    """

    name: str
    per_unit: float
    unit: str
    least: float


# Parameters are in the units told: of a size, so that no scaling is needed.
KINDS = (
    Kind("gain", np.log(10.0) / 20.0, "dB", 0.003),
    Kind("offset", 1e-3, "mm", 0.02),
    Kind("delay", 1e-6, "us", 0.05),
)


@dataclass(frozen=True, slots=True)
class Surfaces:
    """``surface`` (point,), the ``outer`` ones that are compared with the innermost, outward ``normal`` (point, 3).

    ``beside`` are the points a step outward and a step inward. Parameters run over outer surfaces, kinds within each.
    """

    surface: Integers
    outer: Integers
    normal: Floats
    beside: tuple[Seen, Seen]

    def _spread(self, value: Floats, kind: int) -> Floats:
        """Parameters of one kind at the points."""
        own = value.reshape(len(self.outer), len(KINDS))[:, kind]
        return np.asarray((self.surface[:, None] == self.outer) @ own * KINDS[kind].per_unit)

    def factor(self, value: Floats, frequency_hz: Floats) -> Complexes:
        """What gains and delays multiply the pressures by, (frequency, point)."""
        angle = 2.0 * np.pi * np.outer(frequency_hz, self._spread(value, 2))
        return np.asarray(np.exp(self._spread(value, 0) - 1j * angle))

    def shift_m(self, value: Floats) -> Floats:
        """How much further out the points truly are, (point,)."""
        return self._spread(value, 1)

    def fitted(self, panel: Panel, pressure_pa: Complexes) -> tuple[Complexes, Complexes]:
        """The waves at the points, and their slope along the normals: noise of data in either would bias a gain."""
        fits = panel.fits(panel.filled(pressure_pa))
        ahead, behind = (field_of(panel, fits, points) for points in self.beside)
        return (ahead + behind) / 2.0, (ahead - behind) / (2.0 * STEP_M)

    def change(self, frequency_hz: Floats, pressure_pa: Complexes, slope: Complexes) -> Complexes:
        """See :func:`surface_changes`."""
        return np.array(surface_changes(pressure_pa, slope, frequency_hz, self.belongs))

    @property
    def belongs(self) -> Floats:
        """1 where a point is of an outer surface, (outer surface, point)."""
        return np.asarray(self.outer[:, None] == self.surface, dtype=np.float64)


def surface_changes(
    pressure_pa: Complexes, slope: Complexes, frequency_hz: Floats, belongs: Floats
) -> list[Complexes]:
    """What a unit of each parameter adds to pressures (frequency, channel, point); ``slope`` is along normals.

    ``belongs`` (outer surface, point) is 1 where a point is of the surface.
    """
    delayed = -2j * np.pi * frequency_hz[:, None, None] * pressure_pa
    kinds = [part * kind.per_unit for part, kind in zip((pressure_pa, slope, delayed), KINDS, strict=True)]
    return [part * own for own in belongs for part in kinds]


def surface_name(kind: Kind, surface: int) -> str:
    """Of a parameter, with its unit."""
    return f"{kind.name} of surface {surface} ({kind.unit})"


def surfaces_of(panel: Panel) -> Surfaces:
    """The surfaces of a panel's scan; none outer where they are not named, or only one is."""
    surface, offsets_m = panel.spectra.surface, panel.spectra.positions_m - panel.origin_m
    outer = outer_surfaces(surface, offsets_m) if np.all(surface >= 0) else surface[:0]
    normal = outward_normals(offsets_m, surface, panel.solver.grid)
    ahead, behind = (seen_from(panel, offsets_m + step_m * normal) for step_m in (STEP_M, -STEP_M))
    return Surfaces(surface, outer, normal, (ahead, behind))


def outer_surfaces(surface: Integers, offsets_m: Floats) -> Integers:
    """Numbers of all surfaces but the one nearest to the origin."""
    distance_m, numbers = np.linalg.norm(offsets_m, axis=1), np.unique(surface)
    nearest = int(np.argmin([np.median(distance_m[surface == number]) for number in numbers]))
    return np.asarray(np.delete(numbers, nearest))


def outward_normals(offsets_m: Floats, surface: Integers, grid: RingGrid | None) -> Floats:
    """Unit normals of the surfaces at their points, (point, 3): across the nearest neighbours, away from the origin.

    On rings, those of a ring are made alike, so that it stays one when its points are moved.
    """
    normal: Floats = offsets_m / np.linalg.norm(offsets_m, axis=1)[:, None]
    for number in np.unique(surface):
        own = np.flatnonzero(surface == number)
        _, near = cKDTree(offsets_m[own]).query(offsets_m[own], k=min(_NEIGHBOURS, len(own)))
        relative = offsets_m[own][near] - offsets_m[own][near].mean(axis=1, keepdims=True)
        across = np.linalg.svd(relative, full_matrices=False)[2][:, -1]
        upright = np.sum(across * normal[own], axis=1)
        # neighbours in a line have no normal: there, away from the origin will do
        steep = np.abs(upright) > 0.5
        normal[own[steep]] = (across * np.sign(upright)[:, None])[steep]
    for group in grid.groups if grid is not None else ():
        for ring in group.points:
            normal[ring] = _alike(offsets_m[ring], normal[ring])
    return normal


def _alike(offsets_m: Floats, normal: Floats) -> Floats:
    """Normals of one ring, turned into each other: their mean parts along z and away from the axis."""
    from_axis = offsets_m * np.array([1.0, 1.0, 0.0])
    distance_m = np.linalg.norm(from_axis, axis=1, keepdims=True)
    outward = np.divide(from_axis, distance_m, out=np.zeros_like(from_axis), where=distance_m > 0)
    mean = np.mean(np.sum(outward * normal, axis=1)) * outward
    mean[:, 2] = normal[:, 2].mean()
    return np.asarray(mean / np.linalg.norm(mean, axis=1, keepdims=True))
