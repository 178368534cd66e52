"""The data choose how fine the expansion is: generalised cross-validation along the path of the order rule.

The rule (``order.py``) turns one number, the truncation aimed at, into the orders of both sets, rising
over frequency. This module chooses that number: too coarse leaves waves out, too fine fits noise, and the
error of predicting left-out points is smallest between. Every target of the path is judged by one
factorisation per frequency, on a few frequencies per octave, and the choice is joined to the smoothest path
that costs next to nothing, so that no curve shows a step where the orders change.

Golub, Heath & Wahba, Technometrics 21 (1979) 215.
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.expand.blocks import explained_energy
from fieldproc.expand.order import Reach, automatic_orders
from fieldproc.expand.solver import Solver
from fieldproc.side_by_side import side_by_side
from fieldproc.waves.indexing import column_degrees

# Truncation targets tried, fine to coarse.
TARGETS_DB = np.arange(-80.0, -19.0, 5.0)
# Every fourth frequency: six an octave on the default grid.
STRIDE = 4
# Price of moving one target (5 dB) between neighbours, in nepers of squared prediction error: 0.1 dB.
MOVE = 0.023
# A column this near to the span of the others is beyond the points (the condition is above 300), although
# cross-validation sees nothing wrong: what the points cannot tell apart predicts them just as well.
DEPENDENT = 1.0 / 300.0
# Above any score: logarithms of double-precision numbers end at 710 per channel.
RULED_OUT = 1e6
# Errors of prediction this close (0.2 dB, in nepers of the square) are no reason to choose, and what then tips
# the balance per target.
TIE = 0.046
FINER = 1e-4
# A misfit below this share of the data is rounding of a difference, not a misfit.
ROUNDING = 1e-13


def choose_targets(solver: Solver, wavenumber: Floats, reach: Reach, separate: bool, budget: int) -> Floats:
    """Truncation target in dB at every frequency of the solver's scan, shape of ``wavenumber``.

    A frequency between two that were judged takes the coarser of their targets: a target that the points still
    carry at the lower one may be beyond them before the next.
    """
    coarsest = automatic_orders(wavenumber, reach, separate, budget, TARGETS_DB[-1])
    rows = [int(row) for row in np.flatnonzero(coarsest.carried) if solver.has_sound(int(row))]
    if not rows:
        return np.full(len(wavenumber), TARGETS_DB[-1])
    judged = np.unique(rows[::STRIDE] + rows[-1:])
    plans = [automatic_orders(wavenumber[judged], reach, separate, budget, target) for target in TARGETS_DB]
    orders = np.array([[plan.outgoing, plan.regular] for plan in plans])
    most = max(int(plan.unknowns.max()) for plan in plans)
    scores = side_by_side(
        lambda at: _scores(solver, int(judged[at]), orders[:, :, at]),
        len(judged),
        solver.bytes_each(most),
        # on rings they are done before the solver would be there
        heavy=solver.grid is None,
    )
    path = smooth_path(np.array(list(scores)))
    chosen = TARGETS_DB[path]
    right = np.minimum(np.searchsorted(judged, np.arange(len(wavenumber))), len(judged) - 1)
    left = np.where(judged[right] > np.arange(len(wavenumber)), np.maximum(right - 1, 0), right)
    return np.asarray(np.maximum(chosen[left], chosen[right]))


def _scores(solver: Solver, row: int, orders: Integers) -> Floats:
    """Log of the generalised cross-validation error of every target at one frequency, channels added.

    ``orders`` (target, set), fine to coarse.
    """
    finest = (int(orders[0, 0]), int(orders[0, 1]))
    # a column belongs to the coarsest target that has its degree
    levels = [
        np.sum(column_degrees(top)[:, None] <= orders[:, which], axis=1) - 1 for which, top in enumerate(finest)
    ]
    level = np.concatenate(levels)
    # where regular waves reach as high as outgoing ones for every target, j_n and y_n do for j_n and h_n
    nested = solver.nested(row, finest, paired=bool(np.all(orders[:, 1] >= orders[:, 0])))
    explained, distance = explained_energy(nested.blocks, level, len(orders))
    explained = explained.reshape(len(orders), -1, nested.parts).sum(axis=2)
    independence = np.ones(len(orders))
    np.minimum.at(independence, level, distance * nested.stretch)
    pressure = solver.pressure(row)
    total = np.sum(np.abs(pressure) ** 2, axis=1)
    # a target explains what its own level and all coarser ones do
    missed = total - np.cumsum(explained[::-1], axis=0)[::-1]
    spare = pressure.shape[1] - np.sum((orders + 1) ** 2, axis=1)
    error = np.maximum(missed, ROUNDING * total) / spare[:, None] ** 2
    dependent = np.minimum.accumulate(independence[::-1])[::-1] < DEPENDENT
    # something must be chosen: what not even the coarsest target avoids, rules out none
    dependent &= not dependent[-1]
    score = np.where(dependent, RULED_OUT, np.sum(np.log(error), axis=1))
    # within the tie the finer is the better: what is left out of the waves biases the far field more than it
    # shows at the points, what is too much only adds its share of noise
    return np.asarray(np.maximum(score, score.min() + TIE) + FINER * np.arange(len(score)))


def smooth_path(scores: Floats) -> Integers:
    """Index of a target per row of scores (row, target) that minimises their sum plus the price of every move.

    Dynamic programming (Viterbi), exact.
    """
    targets = np.arange(scores.shape[1])
    price = MOVE * np.abs(targets[:, None] - targets)
    best, came_from = scores[0], []
    for score in scores[1:]:
        arriving = best[:, None] + price
        came_from.append(np.argmin(arriving, axis=0))
        best = np.min(arriving, axis=0) + score
    path = [int(np.argmin(best))]
    for previous in reversed(came_from):
        path.append(int(previous[path[-1]]))
    return np.array(path[::-1])
