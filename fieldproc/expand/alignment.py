"""Do the surfaces fit together as they are said to? Gross faults of their geometry, told before anything is fitted.

Most of the sound at the points is the loudspeaker's own, and outgoing waves carry that from one surface to another:
fitted to either alone, they come to about the same coefficients, but for the sound of the room. A surface that is
mirrored or turned, two that are swapped and a wrong unit break that, and the same waves say which of the few faults
that people make would mend it. What would mend it no better than chance is not named: of a loudspeaker that is alike
on both sides, in a room that is, a mirrored surface is none. Nor is anything that moves the whole scan alike, but for
its size: a mirror of everything is an exact solution.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree
from threadpoolctl import threadpool_limits

from fieldproc.conventions import Booleans, Complexes, Floats, Integers, power_db, wavenumber
from fieldproc.expand.geometry import expansion_origin
from fieldproc.expand.panel import no_number
from fieldproc.records import Spectra
from fieldproc.settings import Settings
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import column_degrees, column_orders
from fieldproc.waves.radial import ldexp, spherical_hankel2
from fieldproc.waves.scatterer import mirrored

# Degrees of a loudspeaker at these frequencies that two surfaces can be compared by.
_MOST_DEGREE, _LEAST_DEGREE, _POINTS_PER_UNKNOWN = 6, 2, 3
# Argument kr at the nearest point; below, all loudspeakers are alike, above, six degrees are too few.
_BAND = (1.0, 7.0)
# Where a wrong unit tells: whatever the points say, in hertz.
_UNIT_BAND_HZ = (150.0, 1000.0)
_MOST_ROWS, _FEWEST_ROWS = 10, 4
# Singular values of one surface's harmonics that count: a surface need not be whole.
_RANK = 1e-3
# A fault is named where it mends so much of the difference. Clean scans came to less than nothing.
_MENDS_DB = 1.5
# A turn, where it exceeds so many standard errors of its mean over the frequencies, and so many degrees.
_TURN_SIGMAS, _LEAST_TURN_DEG = 6.0, 3.0
# Surfaces that differ by less fit too well for a swap or a wrong unit.
_FITS_DB = -14.0
_UNITS = {
    "metres are stated for what is in millimetres": 1e-3,
    "metres are stated for what is in centimetres": 1e-2,
    "centimetres are stated for what is in millimetres": 0.1,
    "metres are stated for what is in inches": 0.0254,
    "centimetres are stated for what is in inches": 2.54,
    "metres are stated for what is in feet": 0.3048,
    "millimetres are stated for what is in inches": 25.4,
    "millimetres are stated for what is in centimetres": 10.0,
    "centimetres are stated for what is in metres": 100.0,
    "millimetres are stated for what is in metres": 1000.0,
}
# Across x, y and z.
_MIRRORS = ("mirrored front to back (x)", "mirrored left to right (y)", "mirrored upside down (z)")
# Off the axis of the scan by less than this share of the nearest distance: turns and mirrors are about that axis.
_NEAR_AXIS = 0.5


@dataclass(frozen=True, slots=True)
class _Fault:
    """What seems wrong, and the difference of the surfaces with and without it, as mean squares."""

    words: str
    found: float
    mended: float

    @property
    def gain_db(self) -> float:
        return float(power_db(self.found / max(self.mended, np.finfo(float).tiny)))

    def __str__(self) -> str:
        found_db, mended_db = power_db(np.array([self.found, self.mended]))
        return (
            f"{self.words}: outgoing waves carry one surface to the other to {found_db:.1f} dB, which that would "
            f"make {mended_db:.1f} dB; check the positions. Nothing was put right"
        )


def geometry_doubts(spectra: Spectra, settings: Settings) -> tuple[str, ...]:
    """The fault of geometry that would explain best why the surfaces contradict each other; none where they agree.

    Needs two surfaces or more that the session names.
    """
    spectra = _without_origin(spectra, settings)
    if np.any(spectra.surface < 0) or np.ptp(spectra.surface) == 0:
        return ()
    with threadpool_limits(limits=1, user_api="blas"):
        faults = [*_of_one_surface(spectra), *_of_the_scan(spectra)]
    best = max(faults, key=lambda fault: fault.gain_db, default=None)
    return () if best is None else (str(best),)


def _without_origin(spectra: Spectra, settings: Settings) -> Spectra:
    """The points with a number, counted from the axis of the scan or, far from that, from the expansion origin."""
    origin_m = expansion_origin(spectra, settings.expansion)
    nearest_m = np.linalg.norm(spectra.positions_m - origin_m, axis=1).min()
    if np.linalg.norm(origin_m[:2]) < _NEAR_AXIS * nearest_m:
        origin_m = origin_m * np.array([0.0, 0.0, 1.0])
    good = np.setdiff1d(np.arange(len(spectra.positions_m)), no_number(spectra))
    bare = replace(spectra, measured_at_s=None, noise_pa=None, gated=None, lost=None, left_out=None)
    part = bare.picked("point", good)
    return replace(part, positions_m=part.positions_m - origin_m)


def _of_one_surface(spectra: Spectra) -> Iterator[_Fault]:
    """Surfaces mirrored or turned, and pairs of them swapped."""
    rows = _rows(spectra)
    found = _Seen.of(spectra, rows)
    if found is None:
        return
    numbers = found.numbers.tolist()
    for at, number in enumerate(numbers):
        who = (
            f"surface {number} seems" if len(numbers) > 2 else f"one of surfaces {numbers[0]} and {numbers[1]} seems"
        )
        here = found.difference(at)
        for axis, words in enumerate(_MIRRORS):
            instead = found.difference(at, mirrored(found.waves[at], axis))
            yield from _clear(_Fault(f"{who} {words}", here, instead), _MENDS_DB)
        turn_deg, sigma_deg = found.turn(at)
        if abs(turn_deg) >= max(_LEAST_TURN_DEG, _TURN_SIGMAS * sigma_deg):
            turned = found.waves[at] * np.exp(1j * np.deg2rad(turn_deg) * column_orders(found.degree))
            words = f"{who} turned about the vertical by {abs(turn_deg):.0f} degrees"
            yield from _clear(_Fault(words, here, found.difference(at, turned)), 0.0)
    if power_db(found.whole()) > _FITS_DB:
        for pair in combinations(numbers, 2):
            swapped = _Seen.of(replace(spectra, positions_m=_swapped(spectra, pair)), rows)
            words = f"surfaces {pair[0]} and {pair[1]} seem to be swapped"
            if swapped is not None:
                yield from _clear(_Fault(words, found.whole(), swapped.whole()), _MENDS_DB)


def _of_the_scan(spectra: Spectra) -> Iterator[_Fault]:
    """A wrong unit of all positions."""
    rows = _spread(spectra, (spectra.frequency_hz >= _UNIT_BAND_HZ[0]) & (spectra.frequency_hz <= _UNIT_BAND_HZ[1]))
    found = _Seen.of(spectra, rows)
    if found is None or power_db(found.whole()) <= _FITS_DB:
        return
    for words, factor in _UNITS.items():
        scaled = _Seen.of(replace(spectra, positions_m=spectra.positions_m * factor), rows)
        if scaled is not None and power_db(scaled.whole()) <= _FITS_DB / 2:
            yield from _clear(_Fault(f"in the positions, {words}", found.whole(), scaled.whole()), 2.0 * _MENDS_DB)


def _clear(fault: _Fault, least_db: float) -> Iterator[_Fault]:
    if fault.gain_db > least_db:
        yield fault


@dataclass(frozen=True)
class _Seen:
    """Outgoing waves of every surface alone, (surface, frequency, channel, coefficient), as pressure nearest by."""

    numbers: Integers
    degree: int
    waves: Complexes

    @staticmethod
    def of(spectra: Spectra, rows: Integers) -> _Seen | None:
        """None where frequencies or points are too few."""
        numbers, count = np.unique(spectra.surface, return_counts=True)
        degree = min(_MOST_DEGREE, int(np.sqrt(count.min() / _POINTS_PER_UNKNOWN)) - 1)
        if degree < _LEAST_DEGREE or len(rows) < _FEWEST_ROWS:
            return None
        distance_m = np.linalg.norm(spectra.positions_m, axis=1)
        k = wavenumber(spectra.frequency_hz[rows], float(spectra.sound_speed_m_per_s.mean()))
        nearest = spherical_hankel2(degree, k * distance_m.min())
        waves = []
        for number in numbers:
            own = np.flatnonzero(spectra.surface == number)
            harmonics, fitted = spherical_harmonics(degree, spectra.positions_m[own]), []
            for at, row in enumerate(rows):
                radial = spherical_hankel2(degree, k[at] * distance_m[own])
                # re their values nearest by: they count by what they are there
                relative = ldexp(radial.mantissa / nearest.mantissa[at], radial.exponent - nearest.exponent[at])
                columns = harmonics * relative[:, column_degrees(degree)]
                fitted.append(_least_squares(columns, spectra.pressure_pa[row][:, own].T))
            waves.append(np.array(fitted).swapaxes(1, 2))
        return _Seen(numbers, degree, np.array(waves))

    def difference(self, at: int, instead: Complexes | None = None) -> float:
        """Mean square difference of a surface, or what is put in its place, from all others, re their mean square."""
        own = self.waves[at] if instead is None else instead
        return float(np.mean([_apart(own, other) for other in np.delete(self.waves, at, axis=0)]))

    def whole(self) -> float:
        """The same of all pairs."""
        return float(np.mean([_apart(one, other) for one, other in combinations(self.waves, 2)]))

    def turn(self, at: int) -> tuple[float, float]:
        """Angle by which a surface is turned against all others, and its standard error over frequencies, degrees."""
        angle_deg = np.arange(-180.0, 180.0, 0.5)
        turning = np.exp(1j * np.outer(column_orders(self.degree), np.deg2rad(angle_deg)))
        others = np.delete(self.waves, at, axis=0)
        # alike by this much, were it turned back
        alike = np.einsum("sfcq,fcq,qa->fa", others.conj(), self.waves[at], turning, optimize=True).real
        alike /= np.sum(np.abs(self.waves[at]) ** 2, axis=(1, 2))[:, None]
        whole_deg = float(angle_deg[np.argmax(alike.sum(axis=0))])
        each_deg = (angle_deg[np.argmax(alike, axis=1)] - whole_deg + 180.0) % 360.0 - 180.0
        return whole_deg, float(np.sqrt(np.mean(each_deg**2) / len(each_deg)))


def _least_squares(columns: Complexes, data: Complexes) -> Complexes:
    """The shortest solution, by the normal equations: 1e-3 of the largest singular value is far above rounding."""
    square, vectors = np.linalg.eigh(columns.conj().T @ columns)
    kept = square > _RANK**2 * square[-1]
    along = vectors[:, kept].conj().T @ (columns.conj().T @ data)
    return np.asarray(vectors[:, kept] @ (along / square[kept, None]))


def _apart(one: Complexes, other: Complexes) -> float:
    """Mean square difference re the mean of both squares, every frequency alike."""
    missed, size = np.abs(one - other) ** 2, (np.abs(one) ** 2 + np.abs(other) ** 2) / 2.0
    return float(np.mean(missed.sum(axis=(1, 2)) / size.sum(axis=(1, 2))))


def _swapped(spectra: Spectra, pair: tuple[int, int]) -> Floats:
    """Positions with every point of two surfaces moved along its direction to where the other one is."""
    moved: Floats = spectra.positions_m.copy()
    distance_m = np.linalg.norm(moved, axis=1)
    directions = moved / distance_m[:, None]
    for here, there in (pair, pair[::-1]):
        own, other = np.flatnonzero(spectra.surface == here), np.flatnonzero(spectra.surface == there)
        _, near = cKDTree(directions[other]).query(directions[own])
        moved[own] = directions[own] * distance_m[other[near]][:, None]
    return moved


def _rows(spectra: Spectra) -> Integers:
    nearest_m = np.linalg.norm(spectra.positions_m, axis=1).min()
    argument = wavenumber(spectra.frequency_hz, float(spectra.sound_speed_m_per_s.mean())) * nearest_m
    return _spread(spectra, (argument >= _BAND[0]) & (argument <= _BAND[1]))


def _spread(spectra: Spectra, wanted: Booleans) -> Integers:
    """Usable rows of a band, no more than are needed."""
    heard = np.all(np.any(np.abs(np.nan_to_num(spectra.pressure_pa)) > 0, axis=2), axis=1)
    rows = np.flatnonzero(wanted & spectra.usable & heard)
    return rows[np.unique(np.linspace(0, len(rows) - 1, min(len(rows), _MOST_ROWS)).round().astype(np.int64))]
