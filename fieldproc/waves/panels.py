"""The sound on a rigid box, by boundary elements on one eighth of its surface.

Total pressure p on a rigid surface in an incident field, n outward, R the distance (Kirchhoff-Helmholtz integral, for
instance Pierce, Acoustics, 1981, section 4-6; from memory):

    p / 2 = p_incident + int p dG/dn dS,    G = exp(-ikR) / (4 pi R)

A box has three mirror planes, so fields fall into eight classes, even or odd in x, y and z, and each class needs
panels on the octant x, y, z > 0 alone: the others are its mirror images, with the signs of the class. Within a flat
face the kernel vanishes, so only the meeting of two faces wants care: there dG/dn of k = 0 integrates to a solid
angle, which has a closed form, and what k adds to it is smooth.

At resonances of the space inside, the equation alone loses its unique solution. So it is joined by the demand that
the field at a number of points inside is nil, and solved by least squares (Schenck, J. Acoust. Soc. Am. 44 (1968)
41; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers

# Signs of the eight octants, the first that of the panels; as rows, of the classes: +1 even, -1 odd in x, y, z.
OCTANTS: Floats = np.array(list(product((1.0, -1.0), repeat=3)))
# What a field of each class (row) is multiplied by from the first octant to each (column).
CLASS_SIGNS: Floats = np.prod(np.where(OCTANTS[:, None] < 0, OCTANTS[None], 1.0), axis=2)

# Points inside per panel, spread over this part of the half edges.
_INSIDE_SHARE, _INSIDE_REACH = 1 / 6, (0.05, 0.85)
# Golden ratio of three dimensions: multiples of its inverse powers, modulo one, fill a cube evenly.
_THREE_DIMENSIONAL_GOLDEN = 1.2207440846


@dataclass(frozen=True, eq=False)
class OctantPanels:
    """Rectangular panels on the faces +x, +y, +z of a box with x, y, z > 0, finer towards the edges.

    ``points_m`` (point, 3): the panels' centres, then points inside. ``axis`` of the normal and ``area_m2`` are of
    the panels, (panel,). The rest is the kernel without k, from every panel of every octant to every point, (octant,
    point, panel): ``distance_m``, ``static`` = int dG/dn dS at k = 0, and ``strength``, the same by one node.
    """

    points_m: Floats
    axis: Integers
    area_m2: Floats
    distance_m: Floats
    static: Floats
    strength: Floats

    @property
    def count(self) -> int:
        """Number of panels."""
        return len(self.axis)

    def surface_pressure(self, wavenumber: float, incident: Complexes) -> Complexes:
        """Total pressure on the panels (class, panel, wave) of incident pressures (class, point, wave)."""
        kernel = self._kernel(wavenumber)
        octants = kernel.reshape(len(OCTANTS), -1).view(np.float64)
        panels = np.arange(self.count)
        pressure = np.empty((len(OCTANTS), self.count, incident.shape[2]), dtype=np.complex128)
        for signs, known, found in zip(CLASS_SIGNS, incident, pressure, strict=True):
            # reals throughout: a product of mixed types is a hundred times slower
            system = -(signs @ octants).view(np.complex128).reshape(kernel.shape[1:])
            system[panels, panels] += 0.5
            # of the second kind: its condition is about ten, so that of the normal equations is harmless
            adjoint = system.conj().T
            found[:] = np.linalg.solve(adjoint @ system, adjoint @ known)
        return pressure

    def _kernel(self, wavenumber: float) -> Complexes:
        """int dG/dn dS, (octant, point, panel)."""
        kernel = np.empty(self.distance_m.shape, dtype=np.complex128)
        for octant, distance_m in enumerate(self.distance_m):
            turn = wavenumber * distance_m
            cosine, sine = np.cos(turn), np.sin(turn)
            # (1 + ikR) exp(-ikR), less one: what k adds begins with (kR)^2, so it is smooth where two faces meet
            kernel[octant].real = self.static[octant] + self.strength[octant] * (cosine + turn * sine - 1.0)
            kernel[octant].imag = self.strength[octant] * (turn * cosine - sine)
        return kernel


@lru_cache(maxsize=4)
def octant_panels(size_m: tuple[float, float, float], counts: tuple[int, int, int]) -> OctantPanels:
    """Panels of a box of edges ``size_m``, ``counts`` of them along each half edge."""
    half_m = np.array(size_m) / 2.0
    # as narrow towards an edge as the square of their number: there pressure goes with distance to the power 2/3
    lines = [
        half * np.sin(np.linspace(0.0, np.pi / 2.0, count + 1)) for half, count in zip(half_m, counts, strict=True)
    ]
    faces = [_face(axis, half_m, lines) for axis in range(3)]
    low_m, high_m = np.concatenate(faces, axis=1)
    axis = np.repeat(np.arange(3), [face.shape[1] for face in faces])
    area_m2 = np.prod(np.where(np.arange(3) == axis[:, None], 1.0, high_m - low_m), axis=1)
    points_m = np.concatenate([(low_m + high_m) / 2.0, _inside(half_m, len(axis))])
    shape = (len(OCTANTS), len(points_m), len(axis))
    distance_m, static, strength = np.empty(shape), np.empty(shape), np.empty(shape)
    for octant, signs in enumerate(OCTANTS):
        # a panel of this octant and the point, both mirrored into the first
        mirrored_m = signs * points_m
        away_m = mirrored_m[:, None] - points_m[: len(axis)]
        height_m = away_m[:, np.arange(len(axis)), axis]
        # a face does not act on itself; a panel that is its own node is on its own face
        same_face = np.abs(height_m) < 1e-12 * half_m.max()
        distance_m[octant] = np.where(same_face, 1.0, np.linalg.norm(away_m, axis=2))
        strength[octant] = np.where(same_face, 0.0, area_m2 * height_m / (4.0 * np.pi * distance_m[octant] ** 3))
        height_m[same_face] = 1.0
        angle = _solid_angle(mirrored_m, low_m, high_m, axis, height_m)
        static[octant] = np.where(same_face, 0.0, angle / (4.0 * np.pi))
    return OctantPanels(points_m, axis, area_m2, distance_m, static, strength)


def _face(axis: int, half_m: Floats, lines: list[Floats]) -> Floats:
    """Lowest and highest corners (end, panel, 3) of the panels on the face +x, +y or +z."""
    ends = []
    for kept in (slice(None, -1), slice(1, None)):
        edges = [half_m[[axis]] if other == axis else line[kept] for other, line in enumerate(lines)]
        ends.append(np.stack(np.meshgrid(*edges, indexing="ij"), axis=-1).reshape(-1, 3))
    return np.array(ends)


def _inside(half_m: Floats, panels: int) -> Floats:
    """Points spread evenly, and on no symmetry of the box, where a resonance could hide."""
    index = np.arange(1, int(np.ceil(_INSIDE_SHARE * panels)) + 1)
    share = index[:, None] * _THREE_DIMENSIONAL_GOLDEN ** -np.arange(1.0, 4.0) % 1.0
    low, high = _INSIDE_REACH
    return np.asarray(half_m * (low + (high - low) * share))


def _solid_angle(points_m: Floats, low_m: Floats, high_m: Floats, axis: Integers, height_m: Floats) -> Floats:
    """Of panels seen from points, (point, panel), with the sign of ``height_m``, the distance to the panel's plane.

    A rectangle from beneath its own corner takes arctan(uv / (h sqrt(u^2 + v^2 + h^2))); any other is made of four.
    """
    across, along = (axis + 1) % 3, (axis + 2) % 3
    panels = np.arange(len(axis))
    total = np.zeros_like(height_m)
    for u_end, v_end in product((low_m, high_m), repeat=2):
        u = u_end[panels, across] - points_m[:, across]
        v = v_end[panels, along] - points_m[:, along]
        angle = np.arctan(u * v / (height_m * np.sqrt(u**2 + v**2 + height_m**2)))
        total += angle if u_end is v_end else -angle
    return total
