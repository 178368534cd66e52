"""Where a curve departs from its trend, by how much, and whether its errors can have made it.

Two things depart from a straight line. *Narrow* departures stand out from a smooth baseline with knots every octave
and a half, which robust weights keep from following them. *Broad* ones are that baseline's own way from the line:
most are the honest course of a directivity. What lies between, and would be half of each, is read off the curve and
its line together. So a bump on a slope is a bump and a slope.

The size of each is linear in the levels, ``weights @ level``: the same weights tell what the errors of the curve do
to it, where errors that neighbours share cancel, and how large it is in any other curve.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy import stats
from scipy.signal import find_peaks

from fieldproc.conventions import Booleans, Floats
from fieldproc.findings.curves import Curve
from fieldproc.findings.trend import (
    baseline_design,
    line_design,
    line_operator,
    require_enough,
    robust_operator,
    shares,
)
from fieldproc.tables.averages import share_edges
from fieldproc.tables.smoothing import smoothing_weights

# Sizes are means over this part of an octave: single lines would be the largest of many errors.
_SIZES_PER_OCTAVE = 12
# Sizes are halved, in dB, at the ends of a band, as those of the cookbook's bandwidth.
_END = 0.5
# Second differences of independent errors vary by six times their variance.
_SECOND_DIFFERENCE, _NORMAL = np.sqrt(6.0), 1.4826
# A level that far below that of the middle is beyond a loudspeaker's limits.
_LIMIT_DB, _MIDDLE_HZ = 6.0, (300.0, 3000.0)


@dataclass(frozen=True, slots=True)
class DepartureLimits:
    """What counts as a departure.

    ``least_db`` is the smallest size. ``false_alarms`` is how often errors alone may make any, in all ``curves`` that
    are searched together: by Bonferroni over their frequencies, by Student's distribution where errors are known from
    few draws.
    """

    band_hz: tuple[float, float] = (100.0, 16000.0)
    least_db: float = 0.7
    false_alarms: float = 1.0 / 60.0
    curves: int = 2

    def critical(self, part: Curve) -> float:
        """Size re its standard uncertainty that errors alone do not reach."""
        tail = self.false_alarms / (2.0 * self.curves * len(part.frequency_hz))
        return float(stats.t.isf(tail, part.draws) if part.draws else stats.norm.isf(tail))


@dataclass(frozen=True, slots=True)
class Departure:
    """One band in which a curve departs.

    ``lowest_hz`` and ``highest_hz`` are where it is half its size, or where the search ends. ``area_db_octaves`` is
    all of it, out to where it ends. ``significance`` is the size re its standard uncertainty, ``uncertainty_db``.
    ``weights`` (frequency,) of the whole curve: the size is their sum with the levels.
    """

    lowest_hz: float
    highest_hz: float
    peak_hz: float
    size_db: float
    area_db_octaves: float
    uncertainty_db: float
    significance: float
    broad: bool
    weights: Floats

    @property
    def width_octaves(self) -> float:
        """Between ``lowest_hz`` and ``highest_hz``."""
        return float(np.log2(self.highest_hz / self.lowest_hz))

    def size_in(self, curve: Curve) -> tuple[float, float]:
        """Size of the same band in another curve on the same frequencies, and its standard uncertainty.

        nan where that curve may not be used somewhere the size takes anything of.
        """
        taken = self.weights != 0.0
        weights = self.weights[taken]
        return float(weights @ curve.level_db[taken]), float(curve.uncertainty_of(lambda row: weights @ row[taken]))


def departures_of(curve: Curve, limits: DepartureLimits) -> list[Departure]:
    """All departures of a curve from its trend, largest area first; ``NumericalError`` for too few frequencies.

    The band of ``limits`` should be within the limits of the loudspeaker: see :func:`band_within_limits`.
    """
    inside = (curve.frequency_hz >= limits.band_hz[0]) & (curve.frequency_hz <= limits.band_hz[1]) & curve.usable
    part = curve.within(*limits.band_hz)
    require_enough(part, limits.band_hz)
    search = _Search(part, limits, inside)
    own = np.eye(len(part.frequency_hz))
    line = line_design(part.octave) @ line_operator(part)
    smooth = baseline_design(part.octave)
    baseline = smooth @ robust_operator(smooth, part.level_db, shares(part))
    mean = smoothing_weights(part.frequency_hz, _SIZES_PER_OCTAVE)
    narrow = list(search.found(mean @ (own - baseline), broad=False))
    broad = list(search.found(baseline - line, broad=True))
    halves = [pair for pair in ((one, other) for one in narrow for other in broad) if _halves(*pair)]
    whole = [one for one in narrow + broad if not any(one is half for pair in halves for half in pair)]
    slow = (baseline - line) @ part.level_db
    for both in search.found(mean @ (own - line), broad=False):
        if not any(_same(both, one) for one in whole):
            of_slow = float(slow[part.frequency_hz == both.peak_hz][0])
            whole.append(replace(both, broad=of_slow / both.size_db > 0.5))
    return sorted(whole, key=lambda one: -abs(one.area_db_octaves))


def band_within_limits(curve: Curve, band_hz: tuple[float, float]) -> tuple[float, float]:
    """The part of a band between the limits of a loudspeaker: 6 dB below its median from 300 Hz to 3 kHz."""
    middle = curve.within(*_MIDDLE_HZ)
    if not len(middle.frequency_hz):
        return band_hz
    beyond = curve.usable & ~(curve.level_db >= np.median(middle.level_db) - _LIMIT_DB)
    lower = curve.frequency_hz[beyond & (curve.frequency_hz < _MIDDLE_HZ[0])]
    upper = curve.frequency_hz[beyond & (curve.frequency_hz > _MIDDLE_HZ[1])]
    return max([band_hz[0], *lower[-1:].tolist()]), min([band_hz[1], *upper[:1].tolist()])


def scatter_db(part: Curve) -> float:
    """Standard deviation of neighbouring levels about a smooth curve, from their second differences."""
    second = np.diff(part.level_db, 2)
    return float(_NORMAL * np.median(np.abs(second)) / _SECOND_DIFFERENCE)


def uncertainty_by_all(part: Curve, operator: Floats) -> Floats:
    """Standard uncertainty of ``operator @ level`` (place,) by errors, or by scatter where that is larger or all."""
    by_scatter = scatter_db(part) * np.linalg.norm(operator, axis=-1)
    return np.asarray(np.fmax(part.uncertainty_of(lambda row: operator @ row), by_scatter))


@dataclass(frozen=True, slots=True)
class _Search:
    part: Curve
    limits: DepartureLimits
    inside: Booleans

    def found(self, operator: Floats, *, broad: bool) -> Iterator[Departure]:
        """Departures in ``operator @ level`` (frequency, frequency)."""
        values = operator @ self.part.level_db
        uncertainty = uncertainty_by_all(self.part, operator)
        least = np.maximum(self.limits.least_db, self.limits.critical(self.part) * uncertainty)
        for sign in (1.0, -1.0):
            # beyond the ends there is no departure; what falls to none between peaks parts them, what stays merges
            above = np.concatenate([[0.0], np.maximum(sign * values, 0.0), [0.0]])
            height = np.concatenate([[np.inf], least, [np.inf]])
            peaks = find_peaks(above, height=height, prominence=height)[0] - 1
            bounds = [0, *(int(a + np.argmin(above[a + 1 : b + 2])) for a, b in pairwise(peaks))]
            for peak, low, high in zip(peaks, bounds, [*bounds[1:], len(values)], strict=False):
                yield self._departure(int(peak), low, high, sign * values, sign, operator, uncertainty, broad)

    def _departure(
        self,
        peak: int,
        low: int,
        high: int,
        above: Floats,
        sign: float,
        operator: Floats,
        uncertainty: Floats,
        broad: bool,
    ) -> Departure:
        size = above[peak]
        octave = self.part.octave
        first, last = _run(above, peak, low, high, 0.0)
        area = float(np.diff(share_edges(octave))[first : last + 1] @ above[first : last + 1])
        ends = _run(above, peak, low, high, _END * size)
        lowest, highest = (
            _crossing(octave, above, at, step, _END * size) for at, step in zip(ends, (-1, 1), strict=True)
        )
        weights = np.zeros(self.inside.shape)
        weights[self.inside] = operator[peak]
        return Departure(
            lowest_hz=float(1000.0 * 2.0**lowest),
            highest_hz=float(1000.0 * 2.0**highest),
            peak_hz=float(self.part.frequency_hz[peak]),
            size_db=float(sign * size),
            area_db_octaves=sign * area,
            uncertainty_db=float(uncertainty[peak]),
            significance=float(size / max(uncertainty[peak], np.finfo(np.float64).tiny)),
            broad=broad,
            weights=weights,
        )


def _run(above: Floats, peak: int, low: int, high: int, level: float) -> tuple[int, int]:
    """First and last place about a peak, from ``low`` up to and without ``high``, that lie above a level."""
    below = np.flatnonzero(above <= level)
    first = max([low, *(below[below < peak][-1:] + 1)])
    last = min([high - 1, *(below[below > peak][:1] - 1)])
    return int(first), int(last)


def _crossing(octave: Floats, above: Floats, at: int, step: int, level: float) -> float:
    """Where, in octaves, a level is crossed beyond the last place above it; that place itself at an end."""
    beyond = at + step
    if not 0 <= beyond < len(above) or above[beyond] > level:
        return float(octave[at])
    share = (above[at] - level) / (above[at] - above[beyond])
    return float(octave[at] + share * (octave[beyond] - octave[at]))


def _halves(narrow: Departure, broad: Departure) -> bool:
    """Is one thing found in two, because it is as wide as what divides narrow from broad?"""
    return _same(broad, narrow) and narrow.width_octaves > 0.5 * broad.width_octaves


def _same(one: Departure, other: Departure) -> bool:
    """Does the other one lie within the band of the first, on the same side?"""
    return one.size_db * other.size_db > 0.0 and one.lowest_hz <= other.peak_hz <= one.highest_hz
