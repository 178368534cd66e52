"""What changed slowly while a scan was taken, as records of the same places at different times tell it.

Each quantity is taken for a random walk from repeat to repeat, as likely to step between two of them as between any
others, however much time passes; in between it lies on the straight line. How far it walks, and whether repeats
scatter by more than their standard errors say, are chosen by marginal likelihood (a local level model; Durbin &
Koopman, Time Series Analysis by State Space Methods, 2012, chapter 2; from memory); so a steady slope and a single
step are both followed. Every place has an unknown constant of its own, and the first time is the reference. Before
the first repeat and after the last the values are held.

A course counts where its likelihood exceeds by far that of noise alone, and also that of scatter that follows no
time, and where it is large enough to matter. A record that leaps away from its neighbours in time and back is no
part of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from fieldproc.conventions import Booleans, Floats, Integers

# Times at which a course has values of its own, at most.
_MOST_KNOTS = 24
# Probability of taking noise for a course: twice the logarithm of the likelihood ratio, with two free parameters.
_FALSE_ALARM = 1e-5
# The same of a course against scatter without order; e^2 to one.
_FOLLOWS = 4.0
# Leaps from one repeat to the next and back, re what is usual, and a number of records of a place that cannot tell.
_LEAP, _FEWEST = 6.0, 4
# Walks tried, from none to one that passes through every value.
_WALKS = np.concatenate([[0.0], np.logspace(-3.0, 13.0, 129)])


@dataclass(frozen=True, slots=True)
class Course:
    """A quantity over time: ``change`` at the knots ``at_s`` re the first of them, ``sigma`` their standard errors.

    ``stands_out`` of noise, and ``follows`` time rather than scattering. ``scatter`` is how far repeats lie from the
    course re their standard errors, at least 1, and ``spread`` their rms difference from the constants of the groups.
    """

    at_s: Floats
    change: Floats
    sigma: Floats
    stands_out: bool
    follows: bool
    scatter: float
    spread: float

    @property
    def range(self) -> float:
        """Largest less smallest value."""
        return float(np.ptp(self.change))

    def at(self, time_s: Floats) -> Floats:
        """Values at other times."""
        return np.asarray(np.interp(time_s, self.at_s, self.change))


def course(time_s: Floats, value: Floats, sigma: Floats, group: Integers) -> Course | None:
    """The most probable course of values (repeat,) with standard errors, known but for a constant in each group.

    ``None`` where fewer than two differences are left or time does not pass.
    """
    spare = len(value) - len(np.unique(group))
    if spare < 2 or not np.ptp(time_s) > 0:
        return None
    at_s = _knots(time_s)
    # the values at the knots re the first are sums of steps
    steps = np.tril(np.ones((len(at_s), len(at_s) - 1)), -1) / np.sqrt(len(at_s) - 1.0)
    hats = np.array([np.interp(time_s, at_s, hat) for hat in np.eye(len(at_s))]).T @ steps
    weight = sigma**-2.0
    hats, centered = (_less_mean(one, weight, group) for one in (hats, value[:, None]))
    information, pull = hats.T @ (weight[:, None] * hats), hats.T @ (weight[:, None] * centered)[:, 0]
    power, turned = np.linalg.eigh(information)
    power, along = np.maximum(power, 0.0), turned.T @ pull
    all_of_it = float(weight @ centered[:, 0] ** 2)
    walks = _WALKS / max(float(power.mean()), np.finfo(float).tiny)
    # rows: walks re the scatter; columns: directions
    grown = 1.0 + np.outer(walks, power)
    left = np.maximum(all_of_it - (walks[:, None] / grown) @ along**2, 0.0)
    scatter = np.maximum(left / spare, 1.0)
    # of a step the likelihood believes half to be scatter, even where neighbours agree
    scatter[1:] = np.minimum(scatter[1:], _scatter_of_neighbours(time_s, value, sigma, group) ** 2)
    misfit = left / scatter + spare * np.log(scatter) + np.log(grown).sum(axis=1)
    best = int(np.argmin(misfit))
    change = steps @ turned @ (walks[best] / grown[best] * along)
    # steady as it looks, it may be a step as large somewhere
    walk = max(walks[best], float(np.ptp(change)) ** 2 / scatter[best])
    spread = steps @ turned * np.sqrt(scatter[best] * walk / (1.0 + walk * power))
    return Course(
        at_s,
        change,
        np.sqrt(np.sum(spread**2, axis=1)),
        stands_out=all_of_it - float(misfit[best]) > float(chi2.isf(_FALSE_ALARM, 2)),
        follows=float(misfit[0] - misfit[best]) > _FOLLOWS,
        scatter=float(np.sqrt(scatter[best])),
        spread=float(np.sqrt(np.sum(centered**2) / spare)),
    )


def leaps(time_s: Floats, value: Floats, sigma: Floats, group: Integers, odd: Booleans) -> Booleans:
    """The ``odd`` records (repeat,), and those that leap away from the records before and after them and back."""
    found = odd.copy()
    for place in np.unique(group):
        own = np.flatnonzero((group == place) & ~odd)
        own = own[np.argsort(time_s[own], kind="stable")]
        # the largest first: it bends what is beside it
        while len(own) > _FEWEST:
            away = np.abs(value[own] - _running_median(value[own]))
            largest = int(np.argmax(away / sigma[own]))
            others = np.delete(own, largest)
            if away[largest] <= _LEAP * sigma[own[largest]] * _roughness(value[others], sigma[others]):
                break
            found[own[largest]] = True
            own = others
    return found


def _running_median(value: Floats) -> Floats:
    """Values in order of time without leaps; slopes and steps pass.

    Beyond the ends, the line through the next two values goes on (Tukey, Exploratory Data Analysis, 1977, chapter 7;
    from memory).
    """
    smooth = np.median([value[:-2], value[1:-1], value[2:]], axis=0)
    ends = np.median([value[[0, -1]], smooth[[0, -1]], 3.0 * smooth[[0, -1]] - 2.0 * smooth[[1, -2]]], axis=0)
    return np.concatenate([ends[:1], smooth, ends[1:]])


def _scatter_of_neighbours(time_s: Floats, value: Floats, sigma: Floats, group: Integers) -> float:
    """How far records scatter about their neighbours in time re their standard errors, the usual of the places."""
    found = []
    for place in np.unique(group):
        own = np.flatnonzero(group == place)
        own = own[np.argsort(time_s[own], kind="stable")]
        found.append(_roughness(value[own], sigma[own]))
    return float(np.median(found))


def _roughness(value: Floats, sigma: Floats) -> float:
    """Noise in values in order of time re their standard errors, at least 1: by the usual bend, as slopes and most of
    a step have none."""
    if len(value) < 3:
        return 1.0
    bend = np.abs(value[1:-1] - 0.5 * (value[:-2] + value[2:]))
    expected = np.sqrt(sigma[1:-1] ** 2 + 0.25 * (sigma[:-2] ** 2 + sigma[2:] ** 2))
    # 0.67: median size of a normal deviate of variance 1
    return max(1.0, float(np.median(bend / expected)) / 0.67)


def _knots(time_s: Floats) -> Floats:
    times = np.unique(time_s)
    if len(times) <= _MOST_KNOTS:
        return times
    return np.unique(np.quantile(time_s, np.linspace(0.0, 1.0, _MOST_KNOTS)))


def _less_mean(values: Floats, weight: Floats, group: Integers) -> Floats:
    """Columns (repeat, column) less their weighted means within the groups."""
    total = np.bincount(group, weight)
    sums = np.stack([np.bincount(group, weight * one) for one in values.T], axis=1)
    return np.asarray(values - (sums / np.where(total > 0, total, 1.0)[:, None])[group])
