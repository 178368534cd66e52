"""A truncation of either set at every judged frequency, joined over frequency, and the table of degrees it makes.

Two measures are weighed: the generalised cross-validation error, which is sure and judges the field where it was
measured, and the estimated error of the far field, which is less sure and judges what is wanted. Neighbours take like
truncations where that costs next to nothing, so that no single frequency is believed alone, and degrees do not fall
with frequency but where the points run out and one set needs the unknowns of the other; dynamic programming finds the
best such row of pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.settings import OrderTable
from fieldproc.tuning.sweep import MOST_CONDITION, Sweep, Trial

# What a decibel of the estimated far-field error counts beside one of prediction, and what a decibel costs that a
# truncation changes by between neighbours.
_PER_ERROR, _PER_CHANGE = 0.3, 0.005
# Price of every degree that a set falls by, in dB of prediction at one frequency: well above what chance makes.
_PER_FALL = 0.5
# Of a pair without trial: above any sum of errors in dB.
_RULED_OUT = 1e7


@dataclass(frozen=True, slots=True)
class Choice:
    """Truncation targets (indices) of both sets at the judged ``rows`` of a sweep."""

    sweep: Sweep
    rows: Integers
    outgoing: Integers
    regular: Integers

    def trials(self) -> list[Trial]:
        """The chosen one of every row."""
        return [
            self.sweep.trials[row][int(outgoing), int(regular)]
            for row, outgoing, regular in zip(self.rows, *self._judged(), strict=True)
        ]

    def _judged(self) -> tuple[Integers, Integers]:
        """Degrees of both sets at the rows."""
        return self.sweep.outgoing[self.rows, self.outgoing], self.sweep.regular[self.rows, self.regular]

    def degrees(self, frequency_hz: Floats) -> tuple[Integers, Integers]:
        """Of both sets at any rising frequencies.

        Between two judged frequencies by the coarser of their truncations, beyond neither of their degrees; above the
        highest, where nothing is known, as there.
        """
        candidate = self.sweep.candidate
        judged_hz = candidate.solver.spectra.frequency_hz[self.rows]
        right = np.minimum(np.searchsorted(judged_hz, frequency_hz), len(judged_hz) - 1)
        left = np.where(judged_hz[right] > frequency_hz, np.maximum(right - 1, 0), right)
        aimed_db = [self.sweep.targets_db[self.rows, own] for own in (self.outgoing, self.regular)]
        coarser = [np.maximum(own[left], own[right]) for own in aimed_db]
        found = [candidate.rule(frequency_hz, aimed)[of_set] for of_set, aimed in enumerate(coarser)]
        # below the lowest judged frequency the rule alone knows how far degrees fall
        low = [np.where(frequency_hz < judged_hz[0], 0, np.minimum(own[left], own[right])) for own in self._judged()]
        high = [np.maximum(own[left], own[right]) for own in self._judged()]
        outgoing, regular = (np.clip(*part) for part in zip(found, low, high, strict=True))
        return outgoing, regular


def choose(sweep: Sweep) -> Choice | None:
    """The best row of pairs; None where none was tried.

    Rows at which the points keep no pair apart say nothing, and drop out unless all do.
    """
    missed_db = sweep.values(lambda trial: trial.cross_validation_db)
    error_db = sweep.values(lambda trial: trial.error_db)
    tried = np.isfinite(missed_db).any(axis=(1, 2))
    if sweep.candidate.of_cells is None:
        apart = (sweep.values(lambda trial: trial.condition) <= MOST_CONDITION).any(axis=(1, 2))
        tried = apart if apart.any() else tried
    rows = np.flatnonzero(tried)
    if not rows.size:
        return None
    costs = np.array([_costs(missed_db[row], error_db[row]).ravel() for row in rows])
    path = _path(costs, [_moves(sweep, one, other) for one, other in pairwise(rows.tolist())])
    outgoing, regular = np.unravel_index(path, missed_db.shape[1:])
    return Choice(sweep, rows, np.asarray(outgoing), np.asarray(regular))


def _costs(missed_db: Floats, error_db: Floats) -> Floats:
    """Of every pair at one row, in dB; both (outgoing target, regular target), nan where it was not tried."""
    return np.where(np.isfinite(missed_db), missed_db + _PER_ERROR * error_db, _RULED_OUT)


def _moves(sweep: Sweep, one: int, other: int) -> Floats:
    """Price of every pair of targets at one row followed by every pair at the next, (pair, pair)."""
    changes_db = np.abs(sweep.targets_db[one][:, None] - sweep.targets_db[other])
    prices = []
    for degrees in (sweep.outgoing, sweep.regular):
        falls = np.maximum(degrees[one][:, None] - degrees[other], 0)
        prices.append(_PER_CHANGE * changes_db + _PER_FALL * falls)
    count = len(changes_db) ** 2
    return np.asarray((prices[0][:, None, :, None] + prices[1][None, :, None, :]).reshape(count, count))


def _path(costs: Floats, moves: Sequence[Floats]) -> Integers:
    """Index per row of costs (row, state) of least sum with the prices of moves (state, state) between rows."""
    best, came_from = costs[0], []
    for cost, move in zip(costs[1:], moves, strict=True):
        arriving = best[:, None] + move
        came_from.append(np.argmin(arriving, axis=0))
        best = np.min(arriving, axis=0) + cost
    path = [int(np.argmin(best))]
    for previous in reversed(came_from):
        path.append(int(previous[path[-1]]))
    return np.array(path[::-1])


def order_table(frequency_hz: Floats, degrees: Integers) -> OrderTable:
    """Degrees over frequency as settings take them: from 0 Hz, then wherever the degree changes.

    Frequencies are rounded down to 0.01 Hz, so that the row they come from is on the far side of them.
    """
    changes = np.flatnonzero(np.diff(degrees)) + 1
    rest = [(float(np.floor(frequency_hz[row] * 100.0) / 100.0), int(degrees[row])) for row in changes]
    return ((0.0, int(degrees[0])), *rest)
