"""The smallest set of sections that brings listening window and in-room estimate towards their targets.

An equaliser changes both curves, and every other, by the same decibels. So what it should do at a frequency is the
weighted mean of what both lack, held to where neither curve ends up farther from its target than it was: nothing
where one is above and the other below, never more than twice what the nearer one lacks. A null of one curve is left
alone.

Sections are found one after the other, each at the best of many places, and all fitted together; another one must
gain more than a stated improvement, and more than what the errors of the curves leave open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Booleans, Floats
from fieldproc.errors import NumericalError
from fieldproc.findings.curves import Curve, octave_shares
from fieldproc.findings.section_fit import Reach, SectionFit, Sections
from fieldproc.side_by_side import side_by_side
from fieldproc.tables import standard_uncertainty

# In standard uncertainties. A section is the best of some sixty separate places, and the largest of sixty independent
# errors exceeds two in 94 % of cases, three in 15 %, three and a half in 3 %; beside that, two will do for the rms.
_SIGNIFICANT, _COVERAGE = 3.5, 2.0
# Of a fit among many; what comes of it is fitted to the end.
_SEARCH_STEPS = 20


@dataclass(frozen=True, slots=True)
class EqualizerLimits:
    """What an equaliser may do; the defaults are common practice.

    ``largest_q`` holds below and above ``q_changes_hz``. ``window_weight`` is the share of the listening window, the
    rest is the in-room estimate's. Outside the band, and where nothing may be corrected, the response stays within
    ``outside_db``. Another section must lower the weighted rms departure by ``least_improvement_db``, and have a gain
    of ``least_gain_db``.
    """

    band_hz: tuple[float, float] = (20.0, 20000.0)
    most_boost_db: float = 3.0
    most_cut_db: float = 10.0
    largest_q: tuple[float, float] = (10.0, 6.0)
    q_changes_hz: float = 500.0
    most_sections: int = 8
    window_weight: float = 0.5
    outside_db: float = 0.3
    least_improvement_db: float = 0.05
    least_gain_db: float = 0.5

    def reach(self, inside_hz: Floats) -> Reach:
        """What a section may be, at frequencies that may be corrected."""
        band_hz = float(inside_hz[0]), float(inside_hz[-1])
        return Reach(band_hz, self.most_boost_db, self.most_cut_db, self.largest_q, self.q_changes_hz)


@dataclass(frozen=True, slots=True)
class Improvement:
    """Rms departure of one curve from its target over log frequency in the band, dB, with standard uncertainties.

    Those are of random and systematic errors alike, to first order, but for errors of the overall level; nan where
    errors are not known. ``improvement_uncertainty_db`` is that of before minus after, which share most errors.
    """

    before_db: float
    after_db: float
    before_uncertainty_db: float
    after_uncertainty_db: float
    improvement_uncertainty_db: float


@dataclass(frozen=True, slots=True)
class Equalizer:
    """Sections by frequency, the standard uncertainties of their gains, what they gain, and why there are no more.

    ``limited_by`` are sentences: what ended the search, then every limit that a section or the whole meets.
    """

    sections: Sections
    gain_uncertainty_db: tuple[float, ...]
    sampling_rate_hz: float
    listening_window: Improvement
    in_room: Improvement
    limited_by: tuple[str, ...]


def equalize(
    listening_window: Curve,
    in_room: Curve,
    targets_db: tuple[Floats, Floats],
    correctable: Floats,
    limits: EqualizerLimits,
    sampling_rate_hz: float,
) -> Equalizer:
    """The sections for two curves of one far field; with ``most_sections`` 1 the single best one.

    Parameters
    ----------
    targets_db
        Of both curves, (frequency,) each, in their own decibels: where they lie is the caller's choice. Errors of the
        overall level count for nothing: they are volume, not colour.
    correctable
        (frequency,), 0 to 1: how far an equaliser may act. It is the weight of a frequency, too.

    Where the curves come without errors, uncertainties are nan, and the scatter about the result stands in for them
    when sections are judged. ``NumericalError`` where no usable frequency may be corrected; ``UsageError`` for a
    sampling rate that cannot carry the frequencies.
    """
    task = _Task.of((listening_window, in_room), np.array(targets_db), correctable, limits, sampling_rate_hz)
    found, ended = _search(task)
    found = tuple(sorted(found, key=lambda section: section.frequency_hz))
    change_db = task.fit.change_db(found)
    window, room = (
        _improvement(departure_db, change_db, np.where(task.usable, task.shares, 0.0), errors_db, task.draws)
        for departure_db, errors_db in zip(task.departures_db, task.errors_db, strict=True)
    )
    uncertainty_db = task.gain_uncertainty_db(found) if task.errors_known else np.full(len(found), np.nan)
    return Equalizer(
        sections=found,
        gain_uncertainty_db=tuple(float(one) for one in uncertainty_db),
        sampling_rate_hz=sampling_rate_hz,
        listening_window=window,
        in_room=room,
        limited_by=(ended, *_limits_met(task, found)),
    )


def wanted_change_db(departures_db: Floats, of_curves: Floats) -> Floats:
    """What an equaliser should do about departures (curve, frequency), by the weights (curve,) of the curves.

    No curve that has a weight ends up farther from its target than it was.
    """
    counted = departures_db[of_curves > 0.0]
    alike = np.all(counted > 0.0, axis=0) | np.all(counted < 0.0, axis=0)
    most = np.where(alike, 2.0 * np.min(np.abs(counted), axis=0), 0.0)
    return np.clip(-(of_curves @ departures_db), -most, most)


@dataclass(frozen=True, slots=True)
class _Task:
    """Two curves as a fit sees them. Arrays (frequency,) or (curve, frequency); errors (curve, vector, frequency).

    ``shares`` are octaves of the band; errors of the overall level are taken out.
    """

    fit: SectionFit
    limits: EqualizerLimits
    usable: Booleans
    shares: Floats
    departures_db: Floats
    of_curves: Floats
    errors_db: Floats
    draws: int

    @classmethod
    def of(
        cls,
        curves: tuple[Curve, Curve],
        targets_db: Floats,
        correctable: Floats,
        limits: EqualizerLimits,
        sampling_rate_hz: float,
    ) -> _Task:
        frequency_hz = curves[0].frequency_hz
        shares = octave_shares(frequency_hz, limits.band_hz)
        usable = curves[0].usable & curves[1].usable & np.isfinite(targets_db).all(axis=0)
        # outside the band, and where nothing is known, nothing is corrected
        acting = np.where(usable & (shares > 0.0), correctable, 0.0)
        weight = shares * acting
        if not weight.any():
            raise NumericalError(
                "equaliser",
                f"what may be corrected from {limits.band_hz[0]:g} to {limits.band_hz[1]:g} Hz",
                "nothing",
                "one usable frequency",
                "widen the band, or see quality.csv for why nothing there may be used",
            )
        weight /= weight.sum()
        of_curves = np.array([limits.window_weight, 1.0 - limits.window_weight])
        departures_db = np.where(usable, np.array([curve.level_db for curve in curves]) - targets_db, 0.0)
        fit = SectionFit(
            frequency_hz,
            wanted_change_db(departures_db, of_curves),
            weight,
            lowest_db=-(acting * limits.most_cut_db + (1.0 - acting) * limits.outside_db),
            highest_db=acting * limits.most_boost_db + (1.0 - acting) * limits.outside_db,
            reach=limits.reach(frequency_hz[weight > 0.0]),
            sampling_rate_hz=sampling_rate_hz,
        )
        vectors = min(len(curve.errors_db) for curve in curves)
        errors_db = np.where(usable, np.array([curve.errors_db[:vectors] for curve in curves]), 0.0)
        errors_db -= (of_curves @ (errors_db @ weight))[:, None]
        return cls(fit, limits, usable, shares, departures_db, of_curves, errors_db, curves[0].draws)

    @property
    def errors_known(self) -> bool:
        return len(self.errors_db[0]) > 0

    def rms_db(self, sections: Sections) -> float:
        """Of both departures, by the weights of curves and frequencies."""
        after = self.departures_db + self.fit.change_db(sections)
        return float(np.sqrt(self.of_curves @ (after**2 @ self.fit.weight)))

    def rms_changes_db(self, sections: Sections) -> Floats:
        """What every vector of errors changes of it, to first order, (vector,)."""
        after = self.departures_db + self.fit.change_db(sections)
        changes = np.einsum("c,cf,f,cvf->v", self.of_curves, after, self.fit.weight, self.errors_db)
        return np.asarray(changes / max(self.rms_db(sections), 1e-300))

    def gain_uncertainty_db(self, sections: Sections) -> Floats:
        """Standard uncertainty of every gain, (section,): by the scatter about the fit where errors are not known."""
        if not sections:
            return np.empty(0)
        slopes = self.fit.gain_slopes(sections)
        if self.errors_known:
            return standard_uncertainty(np.einsum("c,cvf,sf->vs", self.of_curves, self.errors_db, slopes), self.draws)
        left = self.fit.wanted_db - self.fit.change_db(sections)
        return np.asarray(np.sqrt(self.fit.weight @ left**2) * np.linalg.norm(slopes, axis=1))

    def significant(self, sections: Sections) -> bool:
        return bool(np.all(_gains_db(sections) > _SIGNIFICANT * self.gain_uncertainty_db(sections)))

    def worthwhile(self, more: Sections, fewer: Sections) -> str:
        """Why ``more`` is not worth it, in words; empty where it is."""
        least_db = self.limits.least_improvement_db
        gained_db = self.rms_db(fewer) - self.rms_db(more)
        if gained_db < least_db:
            return f"another section would lower the rms departure by less than {least_db:g} dB"
        if _gains_db(more).min() < self.limits.least_gain_db:
            return f"another section would have a gain of less than {self.limits.least_gain_db:g} dB"
        changes_db = self.rms_changes_db(fewer) - self.rms_changes_db(more)
        open_db = standard_uncertainty(changes_db, self.draws) if self.errors_known else 0.0
        if gained_db < _COVERAGE * open_db or not self.significant(more):
            return "another section would do less than the errors of the curves leave open"
        return ""


def _search(task: _Task) -> tuple[Sections, str]:
    """Sections, and what ended the search."""
    fit, most = task.fit, task.limits.most_sections
    found: Sections = ()
    ended = ""
    while not ended:
        if len(found) == most:
            ended = f"no more than {most} section{' was' if most == 1 else 's were'} asked for"
            break
        grown = _best(fit, [(*found, start) for start in fit.starts(found)])
        ended = task.worthwhile(grown, found)
        found = found if ended else grown
    # one that was found early may be of little use beside those found later
    while found:
        without = sorted((found[:at] + found[at + 1 :] for at in range(len(found))), key=fit.cost)
        fewer = _best(fit, without[:2])
        useless = task.worthwhile(found, fewer)
        if not useless:
            break
        found, ended = fewer, useless
    return fit.fitted(found), ended


def _best(fit: SectionFit, candidates: Sequence[Sections]) -> Sections:
    """Each fitted; the one that comes closest."""
    return min(side_by_side(lambda at: fit.fitted(candidates[at], _SEARCH_STEPS), len(candidates)), key=fit.cost)


def _gains_db(sections: Sections) -> Floats:
    return np.array([abs(section.gain_db) for section in sections])


def _improvement(
    departure_db: Floats, change_db: Floats, weight: Floats, errors_db: Floats, draws: int
) -> Improvement:
    """Of one curve; weights and values (frequency,), errors (vector, frequency)."""
    weight = weight / weight.sum()
    rms_db, effects = [], []
    for left_db in (departure_db, departure_db + change_db):
        rms_db.append(float(np.sqrt(weight @ left_db**2)))
        effects.append(errors_db @ (weight * left_db) / max(rms_db[-1], 1e-300))

    def uncertainty(effect: Floats) -> float:
        return float(standard_uncertainty(effect, draws)) if len(effect) else float("nan")

    return Improvement(*rms_db, *(uncertainty(effect) for effect in (*effects, effects[0] - effects[1])))


def _limits_met(task: _Task, sections: Sections) -> list[str]:
    """Limits that the result lies at, in words."""
    words = ("its frequency is at an end of what it may be", "its gain is at its limit", "its Q is at its limit")
    told = [
        f"{section.kind} section at {float(f'{section.frequency_hz:.3g}'):g} Hz: {words[column]}"
        for section, at_bound in zip(sections, task.fit.at_bound(sections) if sections else (), strict=True)
        for column in np.flatnonzero(at_bound)
        # a shelf is as steep as it may be as a rule
        if section.kind == "peaking" or column < 2
    ]
    outside_db = np.abs(task.fit.change_db(sections))[task.fit.weight == 0.0].max(initial=0.0)
    # half of what is printed
    if outside_db > task.limits.outside_db + 0.005:
        told.append(
            f"where nothing may be corrected the response comes to {outside_db:.2f} dB; "
            f"{task.limits.outside_db:g} dB were to be kept"
        )
    return told
