"""Where a response falls off: limits at so many dB below its mean, and the effective range of IEC 60268-5.

Arrays alone: a curve is its levels in dB over log frequency in octaves, both (line,), at the frequencies that may be
used. A limit is first found on a plainly averaged curve, or on the curve itself, then read off a smoothing spline
through the lines around it, which smooths no more than they ask (``smooth_curve``). It comes with its influence, how
much a change at every line moves it, and with what the scatter of the curve itself leaves open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.tables.averages import overlaps, share_edges
from fieldproc.tables.smooth_curve import FEWEST, smooth_curve

# Lines that a crossing is read off, octaves to its louder and to its quieter side. Wider windows were no better.
_LOUD_SIDE, _QUIET_SIDE = 2.5, 1.5
# The spline may cross this far, in octaves, from where the first guess does.
_SEARCH = 0.5
_SEARCH_STEP = 0.002
# Between lines farther apart than this, in octaves, nothing is known of a crossing; thirds of an octave will do.
_GAP = 0.4
# Width in octaves of the first guess, and how far below the limit a curve has fallen for good, dB.
_GUESS_WIDTH, _FALLEN_DB = 1.0 / 3.0, 15.0
# IEC 60268-5: dips narrower than this, in octaves, don't end the range, which lies this far below its loudest octave.
NARROW = 1.0 / 9.0
RANGE_DROP_DB = 10.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number, its influence (line,): the change per dB of every line, and what scatter leaves open (standard
    uncertainty; nan = unknown).
    """

    value: float
    influence: Floats
    scatter: float = np.nan


def lowest_crossing(octave: Floats, level_db: Floats, reference: Estimate, drop_db: float, below: float) -> Estimate:
    """Lowest crossing of ``drop_db`` below a reference level, in octaves, on the way down from the octave ``below``.

    A curve that falls below the line and comes back has not reached its limit, unless it has fallen 15 dB farther:
    what comes back from there is noise. Value nan where the curve is nowhere above the line, or where it does not
    cross it.
    """
    if octave.size < FEWEST:
        return _nowhere(octave)
    line_db = reference.value - drop_db
    guess_db = _running_mean_db(octave, level_db)
    candidates = octave <= below
    fallen = np.flatnonzero(candidates & (guess_db < line_db - _FALLEN_DB))
    if fallen.size:
        candidates[: fallen[-1] + 1] = False
    above = np.flatnonzero(candidates & (guess_db > line_db))
    if not above.size:
        return _nowhere(octave)
    return _crossing_near(octave, level_db, reference, drop_db, octave[above[0]])


def effective_range(octave: Floats, level_db: Floats, loudest: Estimate, middle: float) -> tuple[Estimate, Estimate]:
    """Lower and upper end, in octaves, of the range 10 dB below the ``loudest`` octave, whose centre is ``middle``.

    Value nan where an end is not reached, or where there is no loudest octave.
    """
    if np.isnan(middle):
        return _nowhere(octave), _nowhere(octave)
    upper = _end_upwards(octave, level_db, loudest, middle)
    # the same way down, with frequency turned round
    turned = Estimate(loudest.value, loudest.influence[::-1], loudest.scatter)
    lower = _end_upwards(-octave[::-1], level_db[::-1], turned, -middle)
    return Estimate(-lower.value, -lower.influence[::-1], lower.scatter), upper


def loudest_octave(octave: Floats, level_db: Floats) -> tuple[Estimate, float]:
    """Level of the octave of greatest mean square over log frequency, and its centre; nan if there is no octave."""
    if octave.size < FEWEST:
        return _nowhere(octave), np.nan
    edges = share_edges(octave)
    centers = octave[(octave - 0.5 >= edges[0] - 1e-9) & (octave + 0.5 <= edges[-1] + 1e-9)]
    weights = overlaps(edges, centers - 0.5, centers + 0.5)
    # across a gap in the data the lines beside it would stand for what is not known
    steps = np.where(overlaps(octave, centers - 0.5, centers + 0.5) > 0.0, np.diff(octave), 0.0)
    whole = steps.max(axis=1, initial=0.0) < _GAP
    if not whole.any():
        return _nowhere(octave), np.nan
    means = [mean_square_level(level_db, own) for own in weights[whole]]
    best = int(np.argmax([mean.value for mean in means]))
    return means[best], float(centers[whole][best])


def mean_square_level(level_db: Floats, weights: Floats) -> Estimate:
    """Level of the weighted mean square of levels (line,)."""
    power = weights * 10.0 ** (level_db / 10.0)
    return Estimate(float(10.0 * np.log10(power.sum() / weights.sum())), power / power.sum())


def mean_level(level_db: Floats, weights: Floats) -> Estimate:
    """Weighted mean of levels (line,), in dB."""
    share = weights / weights.sum()
    return Estimate(float(share @ level_db), share)


def _end_upwards(octave: Floats, level_db: Floats, loudest: Estimate, middle: float) -> Estimate:
    """Where, going up from ``middle``, the first stretch no narrower than 1/9 octave lies 10 dB below."""
    difference = level_db - (loudest.value - RANGE_DROP_DB)
    start = int(np.searchsorted(octave, middle))
    down = np.flatnonzero((difference[start:-1] > 0.0) & (difference[start + 1 :] <= 0.0)) + start
    up = np.flatnonzero((difference[start:-1] <= 0.0) & (difference[start + 1 :] > 0.0)) + start
    for falls in down:
        left = _joined(octave, difference, falls)
        rises = up[up > falls]
        right = _joined(octave, difference, rises[0]) if rises.size else octave[-1]
        if right - left >= NARROW:
            turned = Estimate(loudest.value, loudest.influence[::-1])
            found = _crossing_near(-octave[::-1], level_db[::-1], turned, RANGE_DROP_DB, -left)
            return Estimate(-found.value, -found.influence[::-1], found.scatter)
    return _nowhere(octave)


def _crossing_near(octave: Floats, level_db: Floats, reference: Estimate, drop_db: float, guess: float) -> Estimate:
    """Where the spline through the lines around ``guess`` rises through the line, nearest to it."""
    inside = np.flatnonzero((octave >= guess - _QUIET_SIDE) & (octave <= guess + _LOUD_SIDE))
    if inside.size < FEWEST:
        return _nowhere(octave)
    curve = smooth_curve(octave[inside], level_db[inside])
    places = np.arange(
        max(guess - _SEARCH, octave[inside[0]]), min(guess + _SEARCH, octave[inside[-1]]), _SEARCH_STEP
    )
    difference = curve.at(places) - (reference.value - drop_db)
    rising = np.flatnonzero((difference[:-1] <= 0.0) & (difference[1:] > 0.0))
    if not rising.size:
        return _nowhere(octave)
    found = rising[np.argmin(np.abs(places[rising] - guess))]
    place = _joined(places, difference, found)
    after = int(np.searchsorted(octave, place))
    if octave[after] - octave[after - 1] > _GAP:
        return _nowhere(octave)
    slope = (difference[found + 1] - difference[found]) / _SEARCH_STEP
    influence = reference.influence.copy()
    influence[inside] -= curve.weights(np.array([place]))[0]
    of_reference = curve.noise_deviation * np.sqrt(np.sum(reference.influence**2))
    scatter = np.hypot(curve.deviation(place), of_reference) / slope
    return Estimate(place, influence / slope, float(scatter))


def _joined(octave: Floats, difference: Floats, at: int | np.signedinteger[Any]) -> float:
    """Zero of the straight line from one place to the next."""
    step = octave[at + 1] - octave[at]
    return float(octave[at] + step * difference[at] / (difference[at] - difference[at + 1]))


def _running_mean_db(octave: Floats, level_db: Floats) -> Floats:
    edges = share_edges(octave)
    half = np.minimum(_GUESS_WIDTH / 2.0, np.minimum(octave - edges[0], edges[-1] - octave))
    held = overlaps(edges, octave - half, octave + half)
    return np.asarray(10.0 * np.log10(held @ 10.0 ** (level_db / 10.0) / held.sum(axis=1)))


def _nowhere(octave: Floats) -> Estimate:
    return Estimate(np.nan, np.zeros_like(octave))
