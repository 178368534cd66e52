"""Slow drifts of level, latency and air, as repeats tell them, and every record as it would be without.

What a stated temperature or a drive signal recorded with the points explains has been taken out before; this is for
the rest. A delay and a sound speed are both looked for. Where hardly any sound comes late (no room) they look alike,
no sound speed stands out, and what changes is a delay, which is as good at every point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.condition.course import Course, course, leaps
from fieldproc.condition.returns import DELAY, GAIN, SPEED, Repeats, differences
from fieldproc.conventions import Booleans, Floats, Integers


@dataclass(frozen=True, slots=True)
class _Kind:
    """Name, unit, value of a unit, and the least that is told."""

    name: str
    unit: str
    value: float
    least: float


# In the order of GAIN, DELAY, SPEED. A gain of so much costs -32 dB at 60 Hz layer by layer; the others are 0.1 mm at
# 0.5 m, the last of them a tenth of a kelvin.
_KINDS = (
    _Kind("gain", "dB", float(np.log(10.0) / 20.0), 0.02),
    _Kind("delay", "us", 1e-6, 0.3),
    _Kind("sound speed", "%", 0.01, 0.0175),
)
# What a sound speed means as temperature near 20 degrees C, K per %.
_KELVIN = 5.86
# Standard errors of a course, at least, in its range.
_SIGMAS = 5.0
# Share of the scan's time that repeats must cover, not to be mentioned.
_COVERED = 0.5
# How far beyond their standard errors repeats must scatter to be told.
_SCATTERS = 3.0
_MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class Drifts:
    """Of every record: how much louder (``gain``) and later it is than at the first repeat, and how many times faster
    sound was, (record,); and what to tell."""

    gain: Floats
    late_s: Floats
    faster: Floats
    told: tuple[str, ...]


def drifts(repeats: Repeats, time_s: Floats, file_point: Integers, timed: bool) -> Drifts:
    """From ``repeats`` among records taken at ``time_s`` (record,), which is the order of the file unless ``timed``.

    ``file_point`` (record,) is what a record is called.
    """
    at_s = time_s[repeats.record]
    courses, odd = _look(repeats, at_s, (GAIN, DELAY, SPEED))
    if SPEED not in courses or not _clear(SPEED, courses[SPEED]):
        courses, odd = _look(repeats, at_s, (GAIN, DELAY))
    clear = {kind: one for kind, one in courses.items() if _clear(kind, one)}
    gain, late_s, faster = (clear[kind].at(time_s) if kind in clear else np.zeros(len(time_s)) for kind in range(3))
    told = [_scatter_told(kind, one) for kind, one in courses.items() if _scatters(kind, one)]
    if clear:
        covered = float(np.ptp(at_s) / np.ptp(time_s))
        told.insert(0, _told(clear, repeats, covered, timed))
    if odd.any():
        named = [str(one) for one in file_point[repeats.record[odd]]]
        more = f" and {len(named) - _MOST_NAMED} more" if len(named) > _MOST_NAMED else ""
        words = ", ".join(named[:_MOST_NAMED])
        told.append(f"records unlike the others of their place, not asked for drifts: {words}{more}")
    return Drifts(np.exp(gain), late_s, 1.0 + faster, tuple(told))


def _look(repeats: Repeats, at_s: Floats, kinds: Sequence[int]) -> tuple[dict[int, Course], Booleans]:
    """The course of each kind, and which repeats took no part."""
    found, group, odd = differences(repeats, kinds), repeats.group, np.zeros(len(at_s), dtype=np.bool_)
    for kind in kinds:
        odd |= leaps(at_s, found.value[kind], found.sigma[kind], group, found.odd)
    good = ~odd
    made = {kind: course(at_s[good], found.value[kind, good], found.sigma[kind, good], group[good]) for kind in kinds}
    return {kind: one for kind, one in made.items() if one is not None}, odd


def _clear(kind: int, one: Course) -> bool:
    large = one.range >= max(_KINDS[kind].least * _KINDS[kind].value, _SIGMAS * float(one.sigma.max()))
    return one.stands_out and one.follows and large


def _scatters(kind: int, one: Course) -> bool:
    """Do repeats differ by what matters, more than their noise, and in no order of time?"""
    return one.scatter > _SCATTERS and not one.follows and one.spread >= _KINDS[kind].least * _KINDS[kind].value


def _told(clear: dict[int, Course], repeats: Repeats, covered: float, timed: bool) -> str:
    changes = [_change_told(_KINDS[kind], one) for kind, one in clear.items()]
    places = int(repeats.group.max()) + 1
    told = (
        f"drift shown by {len(repeats.group)} records of {places} {'place' if places == 1 else 'places'}, taken out "
        f"of all records: {', '.join(changes)}"
    )
    if covered < _COVERED:
        told += f"; they cover {100 * covered:.0f} % of the scan's time, outside it nothing was taken to change"
    return told if timed else f"{told}; the order of the file was taken for that of time"


def _change_told(kind: _Kind, one: Course) -> str:
    words = f"{kind.name} by {one.range / kind.value:.3g} {kind.unit} +- {one.sigma.max() / kind.value:.1g}"
    kelvin = f" (as by {_KELVIN * one.range / kind.value:.2g} K)"
    return words + kelvin if kind.unit == "%" else words


def _scatter_told(kind: int, one: Course) -> str:
    what = _KINDS[kind]
    return (
        f"repeats differ in {what.name} by {one.spread / what.value:.2g} {what.unit} (rms) beyond their noise, in no "
        "order of time: not put right"
    )
