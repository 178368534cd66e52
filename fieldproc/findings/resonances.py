"""Resonances that all directions share: frequency, Q and gain of peaking prototypes, with their uncertainties.

Model: the mean level of the curves is a smooth baseline plus the levels of peaking sections of the Audio EQ Cookbook
(analogue prototypes, which have minimum phase, so that the level tells all). The baseline is a spline without
penalty, fitted together with the sections: variable projection (Golub & Pereyra 1973, from memory). Sections are
found one after the other, each where it would do most, and all are fitted together; one more must have a gain that
errors alone do not reach. What is then not of equal gain in listening window and sound power is no resonance.

Errors travel to every parameter by the derivative of the fit, vector by vector, so that what neighbouring frequencies
and curves share counts as such.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.optimize import least_squares

from fieldproc.conventions import Floats, amplitude_db
from fieldproc.errors import NumericalError
from fieldproc.findings.curves import Curve
from fieldproc.findings.departures import DepartureLimits, scatter_db
from fieldproc.findings.sections import section_response
from fieldproc.findings.trend import KNOTS_OCTAVES, baseline_design, require_enough, shares

# Broader than that is the baseline's; narrower than a sixteenth of an octave is not resolved by 24 lines per octave.
_LEAST_Q, _MOST_Q = 1.4, 25.0
_STARTS_Q = (2.0, 4.0, 8.0, 16.0)
_START_GAIN_DB = 3.0
_MOST_GAIN_DB = 20.0
_STEP = 1e-5
# Gains in window and power may differ by this share of the gain, or by two standard uncertainties.
_ALIKE, _COVERAGE = 0.25, 2.0
_MOST = 8
# How far a departure's peak and its resonance may be apart.
_NEAR_OCTAVES = 1.0 / 6.0
# Of the baseline of two octaves, which holds what is left there of slower courses. The demonstration in its room,
# 870 Hz, 2.5 dB, Q 5.2, is found as 868 Hz, 2.56 dB, Q 5.3; with knots every 1.5 octaves as 872 Hz, 2.9 dB, Q 3.1.
_NEAR_KNOTS_OCTAVES = 0.75


@dataclass(frozen=True, slots=True)
class Resonance:
    """One resonance with standard uncertainties; ``q`` is the cookbook's, the poles have that of 10^(gain/40) q.

    ``gain_in_window_db`` and ``gain_in_power_db`` are those of listening window and sound power alone.
    """

    frequency_hz: float
    q: float
    gain_db: float
    frequency_uncertainty_hz: float
    q_uncertainty: float
    gain_uncertainty_db: float
    gain_in_window_db: float
    gain_in_power_db: float


def resonances_of(curves: Mapping[str, Curve], limits: DepartureLimits) -> list[Resonance]:
    """Resonances of a loudspeaker, by frequency; ``NumericalError`` for too few frequencies.

    ``curves`` has listening window and sound power; ``limits.least_db`` is the smallest gain.
    """
    return _resonances(curves, limits, _MOST, KNOTS_OCTAVES)


def resonance_near(curves: Mapping[str, Curve], frequency_hz: float, limits: DepartureLimits) -> Resonance | None:
    """The resonance that a departure at this frequency may be, from the two octaves about it alone.

    There the course of a directivity, or interference elsewhere, has no say; ``None`` where none is found.
    """
    lowest_hz, highest_hz = limits.band_hz
    about_hz = max(lowest_hz, frequency_hz / 2.0), min(highest_hz, 2.0 * frequency_hz)
    try:
        found = _resonances(curves, replace(limits, band_hz=about_hz), 1, _NEAR_KNOTS_OCTAVES)
    except NumericalError:
        return None
    return next((one for one in found if abs(np.log2(one.frequency_hz / frequency_hz)) <= _NEAR_OCTAVES), None)


def _resonances(
    curves: Mapping[str, Curve], limits: DepartureLimits, most: int, knots_octaves: float
) -> list[Resonance]:
    window, power = curves["listening_window"], curves["sound_power"]
    both = replace(
        window,
        level_db=(window.level_db + power.level_db) / 2.0,
        errors_db=(window.errors_db + power.errors_db) / 2.0,
        usable=window.usable & power.usable,
    )
    part = both.within(*limits.band_hz)
    require_enough(part, limits.band_hz)
    fit = _Fit.of(part, knots_octaves)
    sections = _search(fit, part, limits, most)
    if not len(sections):
        return []
    kept = np.isin(both.frequency_hz, part.frequency_hz)
    in_window, in_power = (fit.gains(sections, curve.level_db[kept]) for curve in (window, power))
    index = window.minus(power).within(*limits.band_hz)
    open_db = np.nan_to_num(_COVERAGE * index.uncertainty_of(lambda row: fit.gains(sections, row)))
    alike = np.abs(in_window - in_power) <= np.maximum(_ALIKE * np.abs(sections[:, 1]), open_db)
    # by now all that is left is scatter, or a course that no spline follows
    uncertainty = fit.uncertainty(sections, part, max(fit.scatter_db, fit.misfit_db(sections)))
    rows = np.column_stack([sections, uncertainty, in_window, in_power])[alike]
    return sorted((_resonance(*row) for row in rows.tolist()), key=lambda one: one.frequency_hz)


def _search(fit: _Fit, part: Curve, limits: DepartureLimits, most: int) -> Floats:
    """Sections, one after the other, as long as every gain is neither too small nor within its errors."""
    found = np.empty((0, 3))
    while len(found) < most:
        more = fit.fitted(np.vstack([found, fit.start(found)]))
        least = np.maximum(limits.least_db, limits.critical(part) * fit.uncertainty(more, part, fit.scatter_db)[:, 1])
        if np.any(np.abs(more[:, 1]) < least):
            break
        found = more
    return found


def _resonance(
    log_hz: float,
    gain_db: float,
    log_q: float,
    log_hz_uncertainty: float,
    gain_uncertainty_db: float,
    log_q_uncertainty: float,
    in_window_db: float,
    in_power_db: float,
) -> Resonance:
    frequency_hz, q = float(np.exp(log_hz)), float(np.exp(log_q))
    return Resonance(
        frequency_hz,
        q,
        gain_db,
        frequency_hz * log_hz_uncertainty,
        q * log_q_uncertainty,
        gain_uncertainty_db,
        in_window_db,
        in_power_db,
    )


@dataclass(frozen=True)
class _Fit:
    """Levels (frequency,) and roots of their weights; parameters (section, 3): ln frequency, gain in dB, ln Q.

    ``across`` (frequency, frequency) takes the baseline out of weighted levels.
    """

    frequency_hz: Floats
    level_db: Floats
    root: Floats
    across: Floats
    scatter_db: float

    @classmethod
    def of(cls, part: Curve, knots_octaves: float = KNOTS_OCTAVES) -> _Fit:
        scatter = scatter_db(part)
        # errors common to all levels move no resonance: weights by what is left
        common = part.uncertainty_of(lambda row: row - row.mean())
        deviation = np.fmax(common, max(scatter, 1e-3))
        root = np.sqrt(shares(part)) / deviation
        inner, _ = np.linalg.qr(root[:, None] * baseline_design(part.octave, knots_octaves))
        return cls(part.frequency_hz, part.level_db, root, np.eye(len(root)) - inner @ inner.T, scatter)

    def sections_db(self, x: Floats) -> Floats:
        """Level of every section (section, frequency)."""
        log_hz, gain_db, log_q = x.T[..., None]
        own = section_response("peaking", np.exp(log_hz), gain_db, np.exp(log_q), self.frequency_hz, None)
        return amplitude_db(np.abs(own))

    def left(self, level_db: Floats) -> Floats:
        """What the baseline leaves of levels (..., frequency), weighted."""
        return np.asarray((self.root * level_db) @ self.across)

    def start(self, found: Floats) -> Floats:
        """The section that would do most beside those found, (3,)."""
        sections, shapes = self._starts
        sizes = np.maximum(np.sum(shapes**2, axis=1), 1e-12)
        gain = shapes @ self.left(self.level_db - self.sections_db(found).sum(axis=0)) / sizes
        best = int(np.argmax(gain**2 * sizes))
        most = 0.9 * _MOST_GAIN_DB
        scale = np.clip(gain[best], -most / _START_GAIN_DB, most / _START_GAIN_DB)
        return np.asarray(sections[best] * [1.0, scale, 1.0])

    @cached_property
    def _starts(self) -> tuple[Floats, Floats]:
        """Sections at every frequency and a few Q, (section, 3), and what the baseline leaves of them."""
        places, q = (axis.ravel() for axis in np.meshgrid(np.log(self.frequency_hz), np.log(_STARTS_Q)))
        sections = np.stack([places, np.full(len(q), _START_GAIN_DB), q], axis=1)
        return sections, self.left(self.sections_db(sections))

    def fitted(self, x: Floats) -> Floats:
        """All sections together, from those given."""
        low = np.tile([np.log(self.frequency_hz[0]), -_MOST_GAIN_DB, np.log(_LEAST_Q)], len(x))
        high = np.tile([np.log(self.frequency_hz[-1]), _MOST_GAIN_DB, np.log(_MOST_Q)], len(x))
        answer = least_squares(
            lambda flat: self.left(self.sections_db(flat.reshape(-1, 3)).sum(axis=0) - self.level_db),
            np.clip(x.ravel(), low + 1e-9, high - 1e-9),
            jac=lambda flat: self.slopes(flat.reshape(-1, 3)),
            bounds=(low, high),
            x_scale=np.tile([0.1, 1.0, 0.3], len(x)),
            xtol=1e-9,
            max_nfev=200,
        )
        return np.asarray(answer.x.reshape(-1, 3))

    def slopes(self, x: Floats) -> Floats:
        """Change of what is left per parameter, (frequency, parameter)."""
        columns = []
        for own in x:
            above, below = (self.sections_db(own + sign * _STEP * np.eye(3)) for sign in (1.0, -1.0))
            columns.append(self.left((above - below) / (2.0 * _STEP)))
        return np.concatenate(columns).T

    def misfit_db(self, x: Floats) -> float:
        """Rms of what sections and baseline leave of the levels."""
        return float(np.sqrt(np.mean((self.left(self.level_db - self.sections_db(x).sum(axis=0)) / self.root) ** 2)))

    def uncertainty(self, x: Floats, part: Curve, scatter_db: float) -> Floats:
        """Standard uncertainty of every parameter, (section, 3), by errors or by scatter where that is larger."""
        # of parameters per dB at every frequency
        per_level = np.linalg.pinv(self.slopes(x)) @ self.across * self.root
        by_scatter = scatter_db * np.linalg.norm(per_level, axis=1)
        return np.asarray(np.fmax(part.uncertainty_of(lambda row: per_level @ row), by_scatter).reshape(-1, 3))

    def gains(self, x: Floats, level_db: Floats) -> Floats:
        """Gains that sections of these frequencies and Q have in a curve of its own, (section,): linear in levels."""
        shapes = self.left(self.sections_db(x) / x[:, 1:2])
        return np.asarray(np.linalg.pinv(shapes.T) @ self.left(level_db))
