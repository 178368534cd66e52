"""Sections whose joint response comes as close as it may to a wanted one: bounded least squares on arrays.

What is wanted has a weight at every frequency, and the response a corridor that it should not leave at any: leaving
it costs like a departure many times as large. Everything is deterministic. The parameters of a section are, in this
order, the natural logarithm of its frequency, its gain in dB and the natural logarithm of its Q.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.optimize import least_squares

from fieldproc.conventions import Booleans, Floats, amplitude_db
from fieldproc.findings.sections import KINDS, SHELF_Q, Kind, Section, response, section_response

Sections = tuple[Section, ...]
# The broadest peaking section and the gentlest shelf.
LEAST_Q = 0.4
# Places and Q that a search starts from: half-gain bandwidths go from 2.5 octaves down to an eighth.
_STEPS_PER_OCTAVE = 12
_STARTS_Q = (0.5, 1.0, 2.0, 4.0, 11.0)
# Amplitude of what leaves the corridor re that of a departure; it is then held within a tenth of a decibel.
_STIFFNESS = 50.0
# How often sections may go from one range of Q to the other.
_CROSSINGS = 3
# Steps of central differences, and how near to a bound is at it, in natural logarithms and dB.
_STEP = 1e-5
_AT_BOUND = 1e-3
# What a change of each parameter by so much does to a response is about alike.
_SCALES = (0.1, 1.0, 0.3)


@dataclass(frozen=True, slots=True)
class Reach:
    """What every section may be; ``largest_q`` holds below and above ``q_changes_hz``, of peaking sections."""

    band_hz: tuple[float, float]
    most_boost_db: float
    most_cut_db: float
    largest_q: tuple[float, float]
    q_changes_hz: float

    def bounds(self, sections: Sections) -> tuple[Floats, Floats]:
        """Least and most of every parameter, (3 sections,), by where the sections are."""
        most_q = np.array([float(self.most_q(one.kind, np.array(one.frequency_hz))) for one in sections])
        low, high = np.empty((2, len(sections), 3))
        # a hair of an inside, where both ends are the same
        low[:, 0], high[:, 0] = np.log(self.band_hz[0]) - 1e-9, np.log(self.band_hz[1])
        low[:, 1], high[:, 1] = -self.most_cut_db - 1e-9, self.most_boost_db
        low[:, 2], high[:, 2] = np.log(np.minimum(LEAST_Q, most_q)) - 1e-9, np.log(most_q)
        return low.ravel(), high.ravel()

    def most_q(self, kind: Kind, frequency_hz: Floats) -> Floats:
        """Largest Q of sections at frequencies (any shape)."""
        below, above = self.largest_q if kind == "peaking" else (SHELF_Q, SHELF_Q)
        return np.where(frequency_hz < self.q_changes_hz, below, above)


@dataclass(frozen=True)
class SectionFit:
    """What is wanted, in dB, its weight and the corridor, all (frequency,); a weight of 0 wants nothing."""

    frequency_hz: Floats
    wanted_db: Floats
    weight: Floats
    lowest_db: Floats
    highest_db: Floats
    reach: Reach
    sampling_rate_hz: float

    def change_db(self, sections: Sections) -> Floats:
        """Response of all sections (frequency,)."""
        return amplitude_db(np.abs(response(sections, self.frequency_hz, self.sampling_rate_hz)))

    def cost(self, sections: Sections) -> float:
        """What the fit makes small."""
        return float(np.sum(self._residual(self.change_db(sections)) ** 2))

    def starts(self, sections: Sections) -> list[Section]:
        """Of every kind the section that would do most beside those given, from a table of shapes times a gain."""
        now_db = self.change_db(sections)
        best = []
        for kind, corner_hz, q, shapes in self._shapes:
            weighted = shapes * self.weight
            # the gain that least squares would have without a corridor; a shape can lie where nothing has weight
            gain_db = weighted @ (self.wanted_db - now_db) / np.maximum(np.sum(weighted * shapes, axis=1), 1e-12)
            gain_db = np.clip(gain_db, -self.reach.most_cut_db, self.reach.most_boost_db)
            costs = np.sum(self._residual(now_db + gain_db[:, None] * shapes) ** 2, axis=1)
            at = int(np.argmin(costs))
            best.append(Section(kind, float(corner_hz[at]), float(gain_db[at]), float(q[at])))
        return best

    def fitted(self, sections: Sections, most_steps: int = 100) -> Sections:
        """All parameters together, from those given."""
        for _ in range(_CROSSINGS if sections else 0):
            low, high = self.reach.bounds(sections)
            sections = self._fitted(sections, low, high, most_steps)
            # one that has gone where another Q is allowed is fitted again
            if np.array_equal((low, high), self.reach.bounds(sections)):
                break
        return _with(sections, np.clip(_parameters(sections), *self.reach.bounds(sections)))

    def _fitted(self, sections: Sections, low: Floats, high: Floats, most_steps: int) -> Sections:
        answer = least_squares(
            lambda x: self._residual(self.change_db(_with(sections, x))),
            np.clip(_parameters(sections), low, high),
            jac=lambda x: self._jacobian(_with(sections, x)),
            bounds=(low, high),
            x_scale=np.tile(_SCALES, len(sections)),
            # of a cost in squared decibels: what they leave is a thousandth of a decibel
            ftol=1e-6,
            xtol=1e-6,
            gtol=1e-9,
            max_nfev=most_steps,
        )
        return _with(sections, answer.x)

    def at_bound(self, sections: Sections) -> Booleans:
        """Which parameters lie at a limit of theirs, (section, 3)."""
        low, high = self.reach.bounds(sections)
        x = _parameters(sections)
        return ((x < low + _AT_BOUND) | (x > high - _AT_BOUND)).reshape(-1, 3)

    def gain_slopes(self, sections: Sections) -> Floats:
        """Change of every fitted gain per dB of change of what is wanted, (section, frequency), to first order."""
        free = ~self.at_bound(sections)
        free[:, 1] = True
        root = np.sqrt(self.weight)
        slopes = np.zeros((free.size, len(root)))
        slopes[free.ravel()] = np.linalg.pinv(root[:, None] * self._slopes(sections)[:, free.ravel()]) * root
        return slopes[1::3]

    @cached_property
    def _shapes(self) -> list[tuple[Kind, Floats, Floats, Floats]]:
        """Of every kind: frequencies and Q (shape,), and the response per dB of gain (shape, frequency)."""
        least_hz, most_hz = self.reach.band_hz
        places = np.geomspace(least_hz, most_hz, 2 + int(_STEPS_PER_OCTAVE * np.log2(most_hz / least_hz)))
        tables = []
        for kind in KINDS:
            of_kind = _STARTS_Q if kind == "peaking" else (SHELF_Q,)
            corner_hz, q = (axis.ravel() for axis in np.meshgrid(places, np.array(of_kind)))
            q = np.minimum(q, self.reach.most_q(kind, corner_hz))
            # of 3 dB: shapes change little with the gain
            shapes = self._levels_db(kind, corner_hz, np.full(len(q), 3.0), q) / 3.0
            tables.append((kind, corner_hz, q, shapes))
        return tables

    @cached_property
    def _stiffness(self) -> Floats:
        """Root of the weight of what leaves the corridor: every frequency counts, correctable or not."""
        return np.full(len(self.frequency_hz), _STIFFNESS / np.sqrt(len(self.frequency_hz)))

    def _residual(self, change_db: Floats) -> Floats:
        """What is left of what is wanted, and what leaves the corridor, (..., twice the frequencies)."""
        left = np.sqrt(self.weight) * (change_db - self.wanted_db)
        beyond = change_db - np.clip(change_db, self.lowest_db, self.highest_db)
        return np.concatenate([left, self._stiffness * beyond], axis=-1)

    def _jacobian(self, sections: Sections) -> Floats:
        slopes, change_db = self._slopes(sections), self.change_db(sections)
        beyond = (change_db < self.lowest_db) | (change_db > self.highest_db)
        roots = np.concatenate([np.sqrt(self.weight), self._stiffness * beyond])
        return np.asarray(roots[:, None] * np.concatenate([slopes, slopes]))

    def _slopes(self, sections: Sections) -> Floats:
        """Change of the response per parameter, (frequency, parameter): of its own section alone."""
        columns = []
        for one, x in zip(sections, _parameters(sections).reshape(-1, 3), strict=True):
            log_hz, gain_db, log_q = np.concatenate([x + _STEP * np.eye(3), x - _STEP * np.eye(3)]).T
            above, below = np.split(self._levels_db(one.kind, np.exp(log_hz), gain_db, np.exp(log_q)), 2)
            columns.append((above - below) / (2.0 * _STEP))
        return np.concatenate(columns).T

    def _levels_db(self, kind: Kind, corner_hz: Floats, gain_db: Floats, q: Floats) -> Floats:
        """Of many sections of a kind, (section, frequency)."""
        of = (corner_hz[:, None], gain_db[:, None], q[:, None])
        return amplitude_db(np.abs(section_response(kind, *of, self.frequency_hz, self.sampling_rate_hz)))


def _parameters(sections: Sequence[Section]) -> Floats:
    return np.array([x for one in sections for x in (np.log(one.frequency_hz), one.gain_db, np.log(one.q))])


def _with(sections: Sequence[Section], x: Floats) -> Sections:
    """The same kinds with other parameters."""
    return tuple(
        Section(one.kind, float(np.exp(log_hz)), float(gain_db), float(np.exp(log_q)))
        for one, (log_hz, gain_db, log_q) in zip(sections, x.reshape(-1, 3), strict=True)
    )
