"""Values between the directions of a balloon, from whichever side of the data predicts left-out directions best.

Spherical harmonics are fitted to three sides of complex values: pressure, magnitude, and squared magnitude. Pressure
of a source of limited size has few degrees, squared magnitude twice as many whatever origin phases count from, and
magnitude none in particular, though files of smoothed magnitudes have; complex values averaged over bands follow no
waves at all. So the data decide: for every set, side and degree are those that predict the magnitudes of left-out
directions best, out of all degrees that the directions carry. Phases are filled in where left-out pressures are met
to -20 dB, which is 0.1 radian.

A direction farther from any held one than one and a half times what is usual between neighbours lies in an empty cap:
nan. Where there is such a cap, regularised fits compete, which do not let the waves swing in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from fieldproc.conventions import Booleans, Complexes, Floats, Integers
from fieldproc.tables.sphere_average import cell_weights, distinct_directions, largest_gap_deg
from fieldproc.tables.sphere_fit import SphereFit, real_harmonics

# Left-out error of complex pressure, re its rms, above which its phase is not known in between.
PHASE_LIMIT_DB = -20.0
NO_FIT = -1

_PRESSURE, _MAGNITUDE, _POWER = range(3)
_REACH = 1.5
_USUAL_QUANTILE = 0.9
# Re the mean square of a harmonic over directions that cover the sphere.
_RIDGES = (1e-8, 1e-5, 1e-2)


@dataclass
class Choice:
    """The best candidate so far for every set: number of its fit, side, degree, and its left-out error re the rms."""

    fit: Integers
    side: Integers
    degree: Integers
    error: Floats

    @classmethod
    def open(cls, sets: int) -> Choice:
        """Nothing chosen: -1, and nan for the error."""
        none = np.full(sets, NO_FIT)
        return cls(none, none.copy(), none.copy(), np.full(sets, np.nan))

    def offer(self, error: Floats, fit: int, side: int, degree: int) -> None:
        """Take a candidate where it errs less, error (set,)."""
        better = (error < self.error) | (np.isnan(self.error) & np.isfinite(error))
        self.error[better] = error[better]
        self.fit[better], self.side[better], self.degree[better] = fit, side, degree

    def groups(self) -> Iterator[tuple[int, int, int, Integers]]:
        """Fit, side, degree, and the sets that chose them."""
        keys = np.stack([self.fit, self.side, self.degree], axis=1)
        chosen = np.unique(keys[self.fit != NO_FIT], axis=0)
        for fit, side, degree in chosen.tolist():
            yield fit, side, degree, np.flatnonzero((keys == (fit, side, degree)).all(axis=1))


@dataclass(frozen=True)
class Between:
    """What :func:`filled_in` found for every set.

    ``values`` (other, set) have phase 0 where phases are not ``coherent`` (set,). ``mean_square`` (set,) is the mean
    of the squared magnitude over the sphere by the same fit, nan if a cap is empty. ``levels`` is the choice for the
    magnitudes.
    """

    values: Complexes
    coherent: Booleans
    mean_square: Floats
    levels: Choice


def filled_in(directions: Floats, values: Complexes, wanted: Floats, *, phase_known: bool) -> Between:
    """Values in the unit vectors ``wanted`` (other, 3), from values (direction, set) in ``directions``."""
    points, values = _merged(directions, values)
    fits, reach_deg = _fits(points)
    weights = fits[0].root_weights ** 2 if fits else np.zeros(len(points))
    rms = np.sqrt(weights @ np.abs(values) ** 2)
    scaled = np.divide(values, rms, out=np.zeros_like(values), where=rms > 0)
    sides = _sides(scaled, phase_known=phase_known)
    levels, phases = _judged(fits, sides, np.abs(scaled), weights)
    found = np.full((len(wanted), values.shape[1]), np.nan, dtype=np.complex128)
    mean_square = np.full(values.shape[1], np.nan)
    harmonics = real_harmonics(max((fit.top_degree for fit in fits), default=0), wanted)
    for fit, side, degree, sets in levels.groups():
        coefficients = _coefficients(fits[fit], sides[side][:, :, sets], degree)
        predicted = _magnitude(side, _sum(harmonics, coefficients))
        # a fit may fall below silence between two directions; the quietest one measured is a better guess
        found[:, sets] = np.where(predicted > 0, predicted, np.abs(scaled[:, sets]).min(axis=0))
        # harmonics have a mean square of 1, the first is 1
        mean_square[sets] = coefficients[0, 0] if side == _POWER else np.sum(coefficients**2, axis=(0, 1))
    coherent = phase_known & (phases.error <= 10.0 ** (PHASE_LIMIT_DB / 20.0))
    for fit, side, degree, sets in phases.groups():
        parts = _sum(harmonics, _coefficients(fits[fit], sides[side][:, :, sets], degree))
        turn = np.exp(1j * np.arctan2(parts[:, 1], parts[:, 0]))
        found[:, sets] *= np.where(coherent[sets], turn, 1.0)
    nearest, _ = cKDTree(points).query(wanted)
    found[_angle_deg(nearest) > reach_deg] = np.nan
    if largest_gap_deg(points) > reach_deg:
        mean_square[:] = np.nan
    return Between(found * rms, coherent, np.maximum(mean_square, 0.0) * rms**2, levels)


def _merged(directions: Floats, values: Complexes) -> tuple[Floats, Complexes]:
    """Distinct directions, and the means of the values given for each."""
    points, member = distinct_directions(directions)
    total = np.zeros((len(points), values.shape[1]), dtype=np.complex128)
    np.add.at(total, member, values)
    return points, total / np.bincount(member, minlength=len(points))[:, None]


def _fits(points: Floats) -> tuple[list[SphereFit], float]:
    """The fits that compete, and how far from a point they may be asked, in degrees."""
    if len(points) < 2:
        return [], 0.0
    neighbours, _ = cKDTree(points).query(points, k=2)
    usual_deg = float(np.quantile(_angle_deg(neighbours[:, 1]), _USUAL_QUANTILE))
    # equal steps of this size around a circle carry half a turn of them
    highest = int(180.0 / usual_deg) + 1
    reach_deg = _REACH * usual_deg
    weights = cell_weights(points)
    ridges = _RIDGES if largest_gap_deg(points) > reach_deg else ()
    return [SphereFit.of_directions(points, weights, highest, ridge) for ridge in (0.0, *ridges)], reach_deg


def _sides(scaled: Complexes, *, phase_known: bool) -> dict[int, Floats]:
    """Real data (direction, part, set) of each side."""
    magnitude = np.abs(scaled)[:, None]
    sides = {_MAGNITUDE: magnitude, _POWER: magnitude**2}
    return {_PRESSURE: np.stack([scaled.real, scaled.imag], axis=1), **sides} if phase_known else sides


def _magnitude(side: int, parts: Floats) -> Floats:
    """Magnitude (direction, set) of values (direction, part, set) of a side; 0 where a fit is negative."""
    if side == _PRESSURE:
        return np.asarray(np.hypot(parts[:, 0], parts[:, 1]))
    positive = np.maximum(parts[:, 0], 0.0)
    return np.asarray(positive if side == _MAGNITUDE else np.sqrt(positive))


def _judged(
    fits: list[SphereFit], sides: dict[int, Floats], magnitude: Floats, weights: Floats
) -> tuple[Choice, Choice]:
    """For every set the best candidate for magnitudes, and the best fit of pressures for phases."""
    levels, phases = Choice.open(magnitude.shape[1]), Choice.open(magnitude.shape[1])
    for number, fit in enumerate(fits):
        for side, data in sides.items():
            for degree, flat in enumerate(fit.left_out(data.reshape(len(data), -1))):
                missed = flat.reshape(data.shape)
                error = _magnitude(side, data - missed) - magnitude
                levels.offer(np.sqrt(weights @ error**2), number, side, degree)
                if side == _PRESSURE:
                    phases.offer(np.sqrt(weights @ np.sum(missed**2, axis=1)), number, side, degree)
    return levels, phases


def _coefficients(fit: SphereFit, data: Floats, degree: int) -> Floats:
    """Of the fit to data (direction, part, set), (column, part, set)."""
    return fit.coefficients(data.reshape(len(data), -1), degree).reshape(-1, *data.shape[1:])


def _sum(harmonics: Floats, coefficients: Floats) -> Floats:
    """Values (direction, part, set) of coefficients (column, part, set)."""
    return np.asarray(np.tensordot(harmonics[:, : len(coefficients)], coefficients, axes=1))


def _angle_deg(chord: Floats) -> Floats:
    """Angle between unit vectors this far apart."""
    return np.asarray(np.degrees(2.0 * np.arcsin(np.clip(chord / 2.0, 0.0, 1.0))))
