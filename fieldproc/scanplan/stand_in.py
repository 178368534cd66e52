"""Loudspeakers to rehearse with: point sources over the cabinet, and their images in what reflects.

In step at low frequencies and scattered in phase above, like drivers, edges and ports. Fields, their gradients and
wave coefficients are closed forms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Complexes, Floats
from fieldproc.expand.coverage import fibonacci_directions
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import column_degrees
from fieldproc.waves.radial import spherical_bessel

# Point sources, and their largest delay: in step below 300 Hz, at random from 1.5 kHz on.
_SOURCES, _LONGEST_S = 16, 0.7e-3
# Drivers, edges and ports lie in the sides of the cabinet, their acoustic centres a little within.
_FILLED = 0.9
# A source at the very origin has degree zero alone; from this distance it is computed like all others.
_TINY_M = 1e-9
_SEED = 20


@dataclass(frozen=True, slots=True)
class StandIn:
    """Loudspeakers, one per channel, of sources in the same places.

    ``places_m`` (source, 3), ``gains`` and ``delays_s`` (channel, source).
    """

    places_m: Floats
    gains: Floats
    delays_s: Floats

    def only(self, channel: int) -> StandIn:
        """One of the loudspeakers."""
        one = slice(channel, channel + 1)
        return StandIn(self.places_m, self.gains[one], self.delays_s[one])

    def pressure(self, frequency_hz: float, wavenumber: float, positions_m: Floats) -> Complexes:
        """Free-field pressure in pascal, (channel, point)."""
        distance_m = np.linalg.norm(positions_m[None] - self.places_m[:, None], axis=2)
        return np.asarray(self._drive(frequency_hz) @ (np.exp(-1j * wavenumber * distance_m) / distance_m))

    def slope(self, frequency_hz: float, wavenumber: float, positions_m: Floats) -> Floats:
        """Size of the gradient of the pressure, root of the square sum over x, y, z, (channel, point)."""
        away_m = positions_m[None] - self.places_m[:, None]
        distance_m = np.linalg.norm(away_m, axis=2)
        # d/dR exp(-ikR)/R = -(ik + 1/R) exp(-ikR)/R, along the unit vector away_m / R
        steep = -(1j * wavenumber + 1.0 / distance_m) * np.exp(-1j * wavenumber * distance_m) / distance_m**2
        gradient = np.einsum("cs,sp,spx->cpx", self._drive(frequency_hz), steep, away_m, optimize=True)
        return np.asarray(np.linalg.norm(gradient, axis=2))

    def outgoing(self, frequency_hz: float, wavenumber: float, origin_m: Floats, order: int) -> Complexes:
        """Coefficients about an origin (3,), (channel, coefficient).

        exp(-ikR)/R = -4 pi i k sum j_n(k r_<) h_n^(2)(k r_>) Y_nm Y_nm*, [DLMF] 10.60.2.
        """
        offsets_m = self.places_m - origin_m
        offsets_m = offsets_m + np.where(np.linalg.norm(offsets_m, axis=1) > 0, 0.0, _TINY_M)[:, None]
        radial = spherical_bessel(order, wavenumber * np.linalg.norm(offsets_m, axis=1)).value()
        of_source = radial[:, column_degrees(order)] * spherical_harmonics(order, offsets_m).conj()
        return np.asarray(-4j * np.pi * wavenumber * self._drive(frequency_hz) @ of_source)

    def top_degree(self, wavenumber: float, origin_m: Floats) -> int:
        """Degree about an origin beyond which less than -100 dB is left."""
        return int(wavenumber * np.linalg.norm(self.places_m - origin_m, axis=1).max()) + 12

    def _drive(self, frequency_hz: float) -> Complexes:
        """Strength of every source, pascal times metre, (channel, source)."""
        return np.asarray(self.gains * np.exp(-2j * np.pi * frequency_hz * self.delays_s))


def stand_in(center_m: Floats, half_size_m: Floats, channels: int) -> StandIn:
    """Stand-ins for a cabinet: sources on the sides of its box."""
    generator = np.random.default_rng(_SEED)
    size = channels, _SOURCES
    directions = fibonacci_directions(_SOURCES)
    on_sides = directions / np.abs(directions).max(axis=1, keepdims=True)
    places_m = center_m + _FILLED * half_size_m * on_sides
    return StandIn(places_m, generator.uniform(0.3, 1.0, size), generator.uniform(0.0, _LONGEST_S, size))
