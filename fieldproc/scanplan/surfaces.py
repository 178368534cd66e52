"""Closed surfaces about a cabinet and rings of points on them.

A cylinder with lids keeps about the same distance from a box all round; a sphere does from a cube. Rings of equal
count stand at equal steps along the profile, from the top of the surface to its bottom, alternate ones turned by half
a step: orders that one ring cannot tell apart, its neighbours then can, so that azimuths may be fewer than 2N + 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fieldproc.conventions import Floats

Shape = Literal["cylinder", "sphere"]

# Points nearer to the centre than the corners of the cabinet make one origin diverge, so the surfaces stay outside
# the smallest sphere, by this factor, if that keeps them within LONGEST_DETOUR times the clearance asked for.
_OUTSIDE = 1.05
_LONGEST_DETOUR = 2.5
# Coordinates are whole nanometres: the same numbers in every file, and no robot knows better.
_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class Surface:
    """A closed surface about a vertical axis: a cylinder of half height ``half_height_m`` with lids, or a sphere."""

    shape: Shape
    radius_m: float
    half_height_m: float

    @property
    def profile_m(self) -> float:
        """Length of the way along the surface from its top to its bottom."""
        if self.shape == "sphere":
            return float(np.pi * self.radius_m)
        return 2.0 * (self.radius_m + self.half_height_m)

    def rings(self, count: int) -> tuple[Floats, Floats]:
        """Radius and height of rings at equal steps along the profile, from the top down, (ring,) each."""
        along = (np.arange(count) + 0.5) * self.profile_m / count
        if self.shape == "sphere":
            angle = along / self.radius_m
            return self.radius_m * np.sin(angle), self.radius_m * np.cos(angle)
        radius_m = np.minimum(self.radius_m, np.minimum(along, self.profile_m - along))
        height_m = np.clip(self.half_height_m + self.radius_m - along, -self.half_height_m, self.half_height_m)
        return radius_m, height_m

    def grown(self, gap_m: float) -> Surface:
        """The surface at that distance outside."""
        return Surface(self.shape, self.radius_m + gap_m, self.half_height_m + gap_m)

    @property
    def reach_m(self) -> Floats:
        """Half sizes of the box that holds it, (3,)."""
        up = self.radius_m if self.shape == "sphere" else self.half_height_m
        return np.array([self.radius_m, self.radius_m, up])


def innermost(shape: Shape, size_m: Floats, clearance_m: float) -> Surface:
    """The surface nearest to a cabinet of that size (depth, width, height).

    Outside its smallest sphere too, unless the cabinet is so long that this would lead far away from it: such a one
    is expanded from several centres.
    """
    whole_m = float(np.linalg.norm(size_m)) / 2.0
    if shape == "sphere":
        return Surface(shape, max(whole_m + clearance_m, _OUTSIDE * whole_m), whole_m)
    across_m, up_m = float(np.hypot(*size_m[:2])) / 2.0 + clearance_m, float(size_m[2]) / 2.0 + clearance_m
    outside_m = _OUTSIDE * whole_m
    if outside_m - min(across_m, up_m) <= (_LONGEST_DETOUR - 1.0) * clearance_m:
        across_m, up_m = max(across_m, outside_m), max(up_m, outside_m)
    return Surface(shape, across_m, up_m)


def ring_points(surface: Surface, rings: int, azimuths: int, center_m: Floats) -> Floats:
    """Points (ring, azimuth, 3) on a surface about a centre (3,)."""
    radius_m, height_m = surface.rings(rings)
    turned = 0.5 * (np.arange(rings) % 2)
    azimuth = 2.0 * np.pi * (np.arange(azimuths) + turned[:, None]) / azimuths
    points_m = np.stack(
        [
            radius_m[:, None] * np.cos(azimuth),
            radius_m[:, None] * np.sin(azimuth),
            np.broadcast_to(height_m[:, None], azimuth.shape),
        ],
        axis=-1,
    )
    return np.asarray(np.round(points_m + center_m, _DECIMALS))
