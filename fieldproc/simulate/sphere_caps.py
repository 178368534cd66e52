"""Vibrating caps on a rigid sphere: a loudspeaker whose near and far field are known exactly.

With rho a the drive, p = -rho R sum_n a W_n P_n(cos theta) h_n(kr) / (kR h_n'(kR)), where W_n are the Legendre
coefficients of the cap's motion (Beranek & Mellow, *Acoustics*, 2012, section 12.5 and following). Hankel
functions never appear by themselves: s_n(x) = x h_n(x) / h_(n-1)(x) obeys s_(n+1) = 2n + 1 - x^2 / s_n from
s_1 = 1 + ix, stays finite at x = 0 and at any degree, and gives

    h_n(kr) / h_n(kR) = (R/r)^(n+1) exp(-ik(r - R)) prod_(j<=n) s_j(kr) / s_j(kR)
    kR h_n'(kR) / h_n(kR) = (kR)^2 / s_n(kR) - (n + 1)
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy import special

from fieldproc.conventions import Complexes, Floats, wavenumber
from fieldproc.simulate.filters import AnalogFilter
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.series_kernel import sum_series

Motion = Literal["radial", "axial"]

# The series ends where what a further term could add is below this share of the largest term.
_NEGLIGIBLE = 1e-17
# (r/R = 1.02 takes about 1900 terms.)
_MOST_TERMS = 2000
_FREQUENCY_BLOCKS = 8


@dataclass(frozen=True, slots=True)
class Cap:
    """A cap of the sphere, half-angle seen from the centre; 0 is a point source on the surface.

    The drive is its rms volume acceleration per volt (i omega times its volume velocity), so that a
    flat ``response`` makes the low-frequency pressure flat. "radial" moves every point of the cap along
    the sphere's normal, "axial" along the cap's axis; both carry the same volume.
    """

    axis: tuple[float, float, float]
    half_angle_rad: float
    volume_acceleration_m3_per_s2_per_v: float
    motion: Motion = "radial"
    response: Callable[[Floats], Complexes] = field(default_factory=AnalogFilter)
    delay_s: float = 0.0

    def direction(self) -> Floats:
        """Unit vector from the centre through the middle of the cap."""
        axis = np.array(self.axis, dtype=np.float64)
        return np.asarray(axis / np.linalg.norm(axis))

    def weights(self, terms: int) -> Floats:
        """Legendre coefficients of the motion relative to the one of degree 0, shape (terms,)."""
        degree = np.arange(terms)
        if self.half_angle_rad == 0:
            return np.asarray(2.0 * degree + 1.0, dtype=np.float64)
        edge = np.cos(self.half_angle_rad)
        # Integrals of P_n from the edge to the pole, n = -1 .. terms; the first only ever meets a factor 0.
        above = np.arange(1, terms + 1)
        integral = np.concatenate(
            [[0.0, 1.0 - edge], special.eval_legendre(above - 1, edge) - special.eval_legendre(above + 1, edge)]
        )
        integral[2:] /= 2.0 * above + 1.0
        if self.motion == "radial":
            coefficients = (degree + 0.5) * integral[1:-1]
        else:
            coefficients = 0.5 * ((degree + 1) * integral[2:] + degree * integral[:-2])
        return np.asarray(coefficients / coefficients[0])


@dataclass(frozen=True, slots=True)
class SphereCaps:
    """Caps that vibrate on one rigid sphere.

    Scattering by the sphere is part of the field of its own caps only; sound from elsewhere (images in a
    room) passes as though the sphere were not there.
    """

    radius_m: float
    caps: tuple[Cap, ...]
    center_m: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def pressure(self, frequency_hz: Floats, positions_m: Floats, air: Medium) -> Complexes:
        """See :class:`~fieldproc.simulate.sources.Source`. ``ValueError`` for positions inside the sphere."""
        offset = positions_m - np.array(self.center_m)
        distance = np.linalg.norm(offset, axis=1)
        if not np.all(distance > self.radius_m):
            inside = int(np.count_nonzero(distance <= self.radius_m))
            raise ValueError(f"{inside} positions lie inside the sphere of radius {self.radius_m} m")
        cosines = self._axes() @ (offset / distance[:, None]).T
        drive = self._drive(frequency_hz, air)
        k = wavenumber(frequency_hz, air.sound_speed_m_per_s)
        result = np.empty((len(k), len(distance)), dtype=np.complex128)
        # Frequencies in blocks, because the low ones need far fewer terms than the high ones.
        for rows in np.array_split(np.argsort(k), min(_FREQUENCY_BLOCKS, len(k))):
            nearest = float(distance.min())
            terms = max(self._terms(float(k[rows[0]]), nearest), self._terms(float(k[rows[-1]]), nearest))
            result[rows] = self._series(k[rows], distance, drive[rows], cosines, terms)
        return result

    def far_field(self, frequency_hz: Floats, directions: Floats, origin_m: Floats, air: Medium) -> Complexes:
        """See :class:`~fieldproc.simulate.sources.Source`."""
        k = wavenumber(frequency_hz, air.sound_speed_m_per_s)
        terms = self._terms(float(k.max()), np.inf)
        weights = np.array([cap.weights(terms) for cap in self.caps])
        cosines = self._axes() @ directions.T
        drive = self._drive(frequency_hz, air)
        x = k * self.radius_m
        growth = self.radius_m * np.exp(1j * x)
        result = np.zeros((len(k), len(directions)), dtype=np.complex128)
        for degree, (slope, ratio) in zip(range(terms), surface_recurrence(x), strict=False):
            result += (drive * (growth / slope)[:, None]) @ (
                weights[:, degree, None] * special.eval_legendre(degree, cosines)
            )
            growth = growth * 1j * x / ratio
        lead = directions @ (np.array(self.center_m) - origin_m)
        return np.asarray(result * np.exp(1j * k[:, None] * lead))

    def enclosing_sphere(self) -> tuple[Floats, float]:
        """See :class:`~fieldproc.simulate.sources.Source`."""
        return np.array(self.center_m), self.radius_m

    def bodies(self) -> list[tuple[Floats, float]]:
        """See :class:`~fieldproc.simulate.sources.Source`: the sphere itself."""
        return [self.enclosing_sphere()]

    def _axes(self) -> Floats:
        return np.array([cap.direction() for cap in self.caps])

    def _drive(self, frequency_hz: Floats, air: Medium) -> Complexes:
        """-rho R W_0 a of each cap, Pa/V, shape (F, cap)."""
        spectra = [
            cap.volume_acceleration_m3_per_s2_per_v
            * cap.response(frequency_hz)
            * np.exp(-2j * np.pi * np.asarray(frequency_hz) * cap.delay_s)
            for cap in self.caps
        ]
        return np.asarray(-air.density_kg_per_m3 / (4.0 * np.pi * self.radius_m) * np.stack(spectra, axis=1))

    def _terms(self, k: float, distance_m: float) -> int:
        """Terms until a point-source cap's next term is negligible at this distance (inf = far field)."""
        x = np.array([k * self.radius_m])
        y = k * distance_m
        size, largest = 1.0, 0.0
        outer: complex = 1.0 + 1j * y
        for degree, (slope, ratio) in zip(range(_MOST_TERMS), surface_recurrence(x), strict=False):
            term = (2 * degree + 1) * size / abs(slope[0])
            largest = max(largest, term)
            if term < _NEGLIGIBLE * largest:
                return degree
            if np.isinf(distance_m):
                size *= float(x[0] / abs(ratio[0]))
            else:
                size *= float(self.radius_m / distance_m * abs(outer) / abs(ratio[0]))
                outer = 2 * degree + 3 - y * y / outer
        raise ValueError(
            f"a position {distance_m - self.radius_m:.3g} m from the sphere needs more than {_MOST_TERMS} terms"
        )

    def _series(self, k: Floats, distance_m: Floats, drive: Complexes, cosines: Floats, terms: int) -> Complexes:
        """The series on one block: k (F,), distances (P,), drive (F, cap), cosines (cap, P)."""
        surface = [pair for _, pair in zip(range(terms), surface_recurrence(k * self.radius_m), strict=False)]
        amplitude = np.stack([(drive / slope[:, None]).T for slope, _ in surface])
        inverse_ratio = np.stack([1.0 / ratio for _, ratio in surface])
        weights = np.array([cap.weights(terms) for cap in self.caps])
        legendre = np.stack([weights[:, n, None] * special.eval_legendre(n, cosines) for n in range(terms)])
        return sum_series(k, distance_m, self.radius_m, (inverse_ratio, amplitude, legendre))


def surface_recurrence(x: Floats) -> Iterator[tuple[Complexes, Complexes]]:
    """x h_n'(x) / h_n(x) and s_(n+1)(x) for n = 0, 1, 2 ..., each (F,)."""
    ratio: Complexes = np.asarray(1.0 + 1j * x, dtype=np.complex128)
    slope: Complexes = -ratio
    degree = 0
    while True:
        yield slope, ratio
        degree += 1
        slope = np.asarray(x * x / ratio - (degree + 1))
        ratio = np.asarray((2 * degree + 1) - x * x / ratio)
