"""The room's sound, scattered by the rigid sphere that carries the caps.

The sound of the images is projected on surface harmonics at two radii within the sphere's volume, as though the
sphere were not there; each harmonic is a regular wave b j_n(kr), and the rigid sphere answers with
-b j_n'(kR) / h_n'(kR) h_n(kr). The walls reflect that answer once more in a real room; here they do not, which leaves
a field that is exact for another incoming one: direct sound, incoming sound, and what the sphere makes of it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from scipy import special

from fieldproc.conventions import Complexes, Floats, wavenumber
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.rooms import Room, room_pressure
from fieldproc.simulate.sphere_caps import SphereCaps, surface_recurrence

# Scattered sound fades out between these frequencies: degrees, and so the images' evaluations, grow with the square.
FADE_HZ = (6000.0, 8000.0)
# Degrees beyond k R: the answer of a further one is below 1e-8 of the incoming sound.
_MARGIN = 9
# Lower frequencies, 0 Hz above all, scatter like this one: the sphere is small against any wavelength there.
_LOWEST_HZ = 0.1
# Radii of projection re the sphere's; where j_n vanishes at one, it does not at the other.
_RADII = (1.0, 0.77)
_BLOCKS = 6


class ScatteredRoom:
    """What the sphere of ``source`` scatters of a room's sound at frequencies (F,), anywhere outside it."""

    def __init__(self, source: SphereCaps, room: Room, frequency_hz: Floats, air: Medium) -> None:
        self.source, self.frequency_hz = source, np.maximum(frequency_hz, _LOWEST_HZ)
        self.k = wavenumber(self.frequency_hz, air.sound_speed_m_per_s)
        rows = np.flatnonzero(frequency_hz < FADE_HZ[1])
        self.blocks = [(part, self._answer(room, part, air)) for part in np.array_split(rows, _BLOCKS) if len(part)]

    def pressure(self, positions_m: Floats) -> Complexes:
        """Pressure in Pa/V at positions (P, 3), result (F, P)."""
        offset = positions_m - np.array(self.source.center_m)
        distance = np.linalg.norm(offset, axis=1)
        result = np.zeros((len(self.k), len(distance)), dtype=np.complex128)
        for rows, answer in self.blocks:
            degrees = int(np.sqrt(len(answer)))
            harmonics = _harmonics(degrees - 1, offset)
            for n, growth in zip(range(degrees), self._growth(self.k[rows], distance), strict=False):
                part = slice(n * n, (n + 1) ** 2)
                result[rows] += growth * (answer[part].T @ harmonics[:, part].T)
        return result

    def _growth(self, k: Floats, distance_m: Floats) -> Iterator[Complexes]:
        """h_n(kr) / h_n(kR) of degree 0, 1, ..., each (F, P)."""
        radius_m = self.source.radius_m
        growth = radius_m / distance_m * np.exp(-1j * np.outer(k, distance_m - radius_m))
        inner, outer = surface_recurrence(k * radius_m), surface_recurrence(np.outer(k, distance_m))
        for (_, near), (_, far) in zip(inner, outer, strict=False):
            yield np.asarray(growth)
            growth = growth * (radius_m / distance_m) * far / near[:, None]

    def _answer(self, room: Room, rows: np.ndarray, air: Medium) -> Complexes:
        """Scattered pressure on the sphere per harmonic, (coefficient, frequency)."""
        radius_m, k = self.source.radius_m, self.k[rows]
        top = int(np.ceil(k.max() * radius_m)) + _MARGIN
        height, weight = np.polynomial.legendre.leggauss(top + 1)
        azimuth = np.arange(2 * top + 2) * np.pi / (top + 1)
        across = np.sqrt(1.0 - height**2)[:, None]
        unit = np.stack(
            [across * np.cos(azimuth), across * np.sin(azimuth), np.tile(height[:, None], len(azimuth))], axis=-1
        ).reshape(-1, 3)
        harmonics = _harmonics(top, unit)
        quadrature = np.conj(harmonics) * np.repeat(weight, len(azimuth))[:, None] * np.pi / (top + 1)
        degree = np.repeat(np.arange(top + 1), 2 * np.arange(top + 1) + 1)
        center = np.array(self.source.center_m)
        numerator = np.zeros((len(degree), len(rows)), dtype=np.complex128)
        denominator = np.zeros((len(degree), len(rows)))
        for share in _RADII:
            seen = room_pressure(self.source, room, self.frequency_hz[rows], center + share * radius_m * unit, air)
            bessel = special.spherical_jn(degree[:, None], k * share * radius_m)
            numerator += bessel * (seen @ quadrature).T
            denominator += bessel**2
        regular = numerator / denominator
        recurrence = zip(range(top + 1), surface_recurrence(k * radius_m), strict=False)
        slopes = np.array([slope for _, (slope, _) in recurrence])
        x = k * radius_m
        rigid = -x * special.spherical_jn(degree[:, None], x, derivative=True) / slopes[degree]
        low, high = FADE_HZ
        fade = np.clip((high - self.frequency_hz[rows]) / (high - low), 0.0, 1.0)
        return np.asarray(regular * rigid * np.sin(0.5 * np.pi * fade) ** 2)


def _harmonics(top: int, offset: Floats) -> Complexes:
    """Orthonormal harmonics of the directions (P, 3), (P, coefficient), degree after degree."""
    polar = np.arccos(offset[:, 2] / np.linalg.norm(offset, axis=1))
    azimuth = np.arctan2(offset[:, 1], offset[:, 0])
    pairs = [(n, m) for n in range(top + 1) for m in range(-n, n + 1)]
    n, m = np.array(pairs).T
    return np.asarray(special.sph_harm_y(n, m, polar[:, None], azimuth[:, None]))
