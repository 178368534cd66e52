"""Random sources within spheres: what they do at the points, what the points tell of them, and how surely."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.spread import Both, unit_noise
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count, column_degrees
from fieldproc.waves.translation import Translation
from fieldproc.waves.zonal import zonal_sum


@dataclass(frozen=True, slots=True)
class Region:
    """Random sources about a centre as the points see them: ``radial`` (point, degree), ``unit`` (point, 3)."""

    radial: Complexes
    unit: Floats
    variance: Floats

    def covariance(self) -> Complexes:
        """Of the pressures at the points, (point, point)."""
        return zonal_sum(self.weighted(), self.unit, self.radial, self.unit)

    def power(self) -> float:
        """Mean square of the pressure at the points."""
        return float(np.mean(np.sum(self.weighted() * self.radial.conj(), axis=1).real))

    def weighted(self) -> Complexes:
        """Radial functions times variances, times what the addition theorem adds."""
        degrees = np.arange(len(self.variance))
        return np.asarray(self.radial * (self.variance * (2 * degrees + 1) / (4.0 * np.pi)))


@dataclass(frozen=True)
class RegionSpread:
    """Coefficients about the expansion origin, from the data at the ``points`` (indices), and their errors.

    The ``regions`` about ``centers_m`` (from the origin) are random sources of known variance. ``factor`` is that of
    the covariance of the data, ``diagonal`` the noise in it, ``unit`` (channel,) what makes of the prior's power that
    of the data, re the rms error of a point. Errors are drawn by Matheron's rule: waves and noise at random from the
    prior, and what a fit of these misses.
    """

    wavenumber: float
    top_degree: int
    points: Integers
    regions: list[Region]
    centers_m: tuple[Floats, ...]
    factor: Complexes
    diagonal: Floats
    unit: Floats

    @cached_property
    def _patterns(self) -> list[Complexes]:
        """Waves of each region at the points, (point, coefficient)."""
        patterns = []
        for region in self.regions:
            own = min(len(region.variance) - 1, self.top_degree)
            patterns.append(spherical_harmonics(own, region.unit) * region.radial[:, column_degrees(own)])
        return patterns

    def _variances(self) -> list[Floats]:
        """Of the coefficients of each region, (coefficient,)."""
        return [
            region.variance[column_degrees(_degree(pattern))]
            for region, pattern in zip(self.regions, self._patterns, strict=True)
        ]

    def coefficients(self, solved: Complexes) -> Complexes:
        """Most probable ones (..., coefficient) for data times the inverse of their covariance, (..., point)."""
        parts = zip(self._patterns, self._variances(), strict=True)
        return self._about_origin([(solved @ pattern.conj()) * variance for pattern, variance in parts])

    def of(self, change: Complexes) -> Both:
        """See :class:`~fieldproc.expand.spread.Spread`."""
        outgoing = np.array([self.coefficients(self._solved(own[:, self.points])) for own in change])
        return outgoing, _no_waves(outgoing)

    def drawn(self, count: int, generator: np.random.Generator) -> Both:
        """See :class:`~fieldproc.expand.spread.Spread`."""
        heard = unit_noise((count, len(self.diagonal)), generator) * np.sqrt(self.diagonal)
        waves = []
        for pattern, variance in zip(self._patterns, self._variances(), strict=True):
            waves.append(unit_noise((count, len(variance)), generator) * np.sqrt(variance))
            heard += waves[-1] @ pattern.T
        missed = self.coefficients(self._solved(heard)) - self._about_origin(waves)
        outgoing = self.unit[:, None, None] * missed
        return outgoing, _no_waves(outgoing)

    def coarser(self) -> None:
        """See :class:`~fieldproc.expand.spread.Spread`."""

    def _solved(self, data: Complexes) -> Complexes:
        """Data (..., point) times the inverse of their covariance."""
        return np.asarray(linalg.cho_solve((self.factor, True), data.T, check_finite=False).T)

    def _about_origin(self, waves: list[Complexes]) -> Complexes:
        """Sum of the regions' coefficients (..., coefficient), all about the expansion origin."""
        whole = np.zeros((len(waves[0]), coefficient_count(self.top_degree)), dtype=np.complex128)
        for own, center_m in zip(waves, self.centers_m, strict=True):
            if center_m.any():
                translation = Translation.prepare(_degree(own), self.top_degree)
                whole += translation.apply(own, self.wavenumber, -center_m)
            else:
                whole[:, : own.shape[1]] += own
        return whole


def _degree(waves: Complexes) -> int:
    return int(np.sqrt(waves.shape[1])) - 1


def _no_waves(outgoing: Complexes) -> Complexes:
    """No regular waves, as many vectors."""
    return np.zeros((*outgoing.shape[:2], 0), dtype=np.complex128)
