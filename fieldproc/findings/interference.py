"""Nulls between displaced sources: minima in angle that move towards the axis as frequency rises.

Two equal sources a distance d apart, one later by t, cancel where sin(angle) = (c t +- (n + 1/2) c / f) / d, angles
from the plane that halves the line between them. So the sine of the angle of each null is a straight line in 1/f: its
slope gives the separation, its end at infinite frequency the delay. Minima that stay where they are, or are shallow,
are something else.

Such a null is where two sounds differ, at one place: an equaliser would change both alike and every other place, too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.signal import find_peaks

from fieldproc.conventions import PLANES, REFERENCE_PRESSURE_PA, Booleans, Floats, power_db
from fieldproc.findings.trend import line_design
from fieldproc.records import FarField, Verdict
from fieldproc.tables import match_directions, standard_uncertainty

Plane = Literal["horizontal", "vertical"]
DROPS_DB = (3.0, 6.0)
_ANGLES_DEG = np.arange(-90.0, 91.0)
_AXIS = 90
# Between what is seen and what no null reaches: at 90 degrees a circle turns back.
_MOST_DEG = 85.0
# Steps from one frequency to the next, and frequencies that a null may be missing in.
_STEP_SINE, _GAP = 0.06, 2
# A null must be followed so far (that of a steep crossover is not there for longer), move as 1/f does, at least by
# half, and lie on its line within this sine.
_LEAST_OCTAVES, _LEAST_LINES, _LEAST_MOTION, _OFF_LINE = 1.0 / 8.0, 4, 0.5, 0.05
# Power on axis, re the strongest direction, at which a null is told to be beside the axis.
_ON_AXIS = 0.5
# Within the first an equaliser has no say where a null is; beyond the second it harms nothing.
_NEAR_DEG, _FAR_DEG = 45.0, 75.0


@dataclass(frozen=True, slots=True)
class NullLimits:
    """What counts as a null: depth below what is on either side, dB; what is missing re its uncertainty."""

    band_hz: tuple[float, float] = (200.0, 16000.0)
    least_db: float = 6.0
    least_significance: float = 4.0


@dataclass(frozen=True, slots=True)
class Null:
    """One null from ``lowest_hz`` to ``highest_hz``; angles as in the polars: positive to the left, or up.

    ``sine_at_top`` + ``sine_hz`` / f is the sine of its angle. ``order`` counts from the axis outwards on its side,
    0 first. ``separation_m`` of two sources that would make it; ``lag_s`` by how much later the one on the positive
    side sounds. At ``frequency_hz``, where the null comes nearest to the axis without taking it, it lies at
    ``angle_deg``, and levels have dropped by 3 and 6 dB at ``drops_deg``: (positive side, negative side), nan where
    they do not within 90 degrees. ``significance`` is the median over frequency of what is missing re its
    uncertainty, infinite where that is not known.
    """

    plane: Plane
    lowest_hz: float
    highest_hz: float
    order: int
    sine_at_top: float
    sine_hz: float
    separation_m: float
    lag_s: float
    frequency_hz: float
    angle_deg: float
    depth_db: float
    drops_deg: Mapping[float, tuple[float, float]]
    significance: float

    def angle_at_deg(self, frequency_hz: Floats) -> Floats:
        """Angle of the null at frequencies between its ends."""
        return np.asarray(np.degrees(np.arcsin(np.clip(self.sine_at_top + self.sine_hz / frequency_hz, -1.0, 1.0))))


def nulls_of(
    circles: FarField, channel: int, plane: Plane, limits: NullLimits, sound_speed_m_per_s: float
) -> list[Null]:
    """Nulls of one plane by their lowest frequency, of a far field in steps of a degree.

    ``ValueError`` for a far field that does not hold every degree from -90 to 90.
    """
    seen = _Seen.of(circles, channel, plane)
    band = (seen.frequency_hz >= limits.band_hz[0]) & (seen.frequency_hz <= limits.band_hz[1]) & seen.usable
    tracks: list[_Track] = []
    for row in np.flatnonzero(band):
        _follow(tracks, int(row), seen.minima(int(row), limits))
    found = [track for track in tracks if track.is_null(seen.frequency_hz)]
    return sorted(
        (seen.null(track, _order(track, found), plane, sound_speed_m_per_s) for track in found),
        key=lambda null: null.lowest_hz,
    )


def correctable_beside(nulls: Sequence[Null], frequency_hz: Floats) -> Floats:
    """How far an equaliser may act, (frequency,): 0 where a null lies within 45 degrees of the axis, 1 beyond 75."""
    weight = np.ones_like(frequency_hz)
    for null in nulls:
        there = (frequency_hz >= null.lowest_hz) & (frequency_hz <= null.highest_hz)
        angle_deg = np.abs(null.angle_at_deg(frequency_hz))
        own = np.clip((angle_deg - _NEAR_DEG) / (_FAR_DEG - _NEAR_DEG), 0.0, 1.0)
        weight = np.where(there, np.minimum(weight, own), weight)
    return weight


@dataclass(slots=True)
class _Track:
    """Minima that belong together: rows, sines, depths in dB, significances."""

    rows: list[int] = field(default_factory=list)
    sines: list[float] = field(default_factory=list)
    depths_db: list[float] = field(default_factory=list)
    significances: list[float] = field(default_factory=list)

    def line(self, frequency_hz: Floats) -> Floats:
        """Constant and slope of the sine over 1/f."""
        inverse = 1.0 / frequency_hz[self.rows]
        return np.asarray(np.linalg.lstsq(line_design(inverse), np.array(self.sines))[0])

    def is_null(self, frequency_hz: Floats) -> bool:
        """Does it move as a null between two sources does, for long enough?"""
        hertz = frequency_hz[self.rows]
        if len(hertz) < _LEAST_LINES or np.log2(hertz[-1] / hertz[0]) < _LEAST_OCTAVES:
            return False
        constant, slope = self.line(frequency_hz)
        sines = np.array(self.sines)
        off = float(np.sqrt(np.mean((sines - constant - slope / hertz) ** 2)))
        moves = slope * np.sign(sines.mean()) / np.median(hertz) >= _LEAST_MOTION * abs(np.median(sines))
        return bool(moves) and off <= _OFF_LINE


@dataclass(frozen=True, slots=True)
class _Minimum:
    sine: float
    depth_db: float
    significance: float


@dataclass(frozen=True, slots=True)
class _Seen:
    """Half a circle: squared pressures (frequency, angle), standard uncertainties of pressures the same, or none."""

    frequency_hz: Floats
    power: Floats
    uncertainty_pa: Floats | None
    usable: Booleans

    @classmethod
    def of(cls, circles: FarField, channel: int, plane: Plane) -> _Seen:
        index = match_directions(circles.directions, PLANES[plane](_ANGLES_DEG))
        if np.any(index < 0):
            raise ValueError(f"nulls of the {plane} plane need every degree from -90 to 90")
        pressure_pa = circles.pressure_pa[:, channel, index]
        usable: Booleans = np.asarray(np.isfinite(pressure_pa).all(axis=1))
        errors = circles.errors
        uncertainty_pa = None
        if errors is not None:
            usable &= errors.verdict[:, channel] != Verdict.DO_NOT_USE
            vectors = np.moveaxis(np.abs(errors.pressure_pa[:, channel][..., index]), 1, 0)
            uncertainty_pa = standard_uncertainty(vectors, errors.draws)
        if circles.verdict is not None:
            usable &= circles.verdict[:, channel] != Verdict.DO_NOT_USE
        return cls(circles.frequency_hz, np.abs(pressure_pa) ** 2, uncertainty_pa, usable)

    def minima(self, row: int, limits: NullLimits) -> list[_Minimum]:
        """Deep and significant minima over angle at one frequency."""
        power = self.power[row]
        # a null may be infinitely deep
        level_db = power_db(np.maximum(power, 1e-8 * power.max()) / REFERENCE_PRESSURE_PA**2)
        places = find_peaks(-level_db, prominence=limits.least_db)[0]
        found = []
        for at in places[np.abs(_ANGLES_DEG[places]) <= _MOST_DEG]:
            significance = self._significance(row, int(at))
            if significance < limits.least_significance:
                continue
            # a squared pressure is a parabola about its null
            left, middle, right = power[at - 1 : at + 2]
            shift = 0.5 * (left - right) / (left - 2.0 * middle + right)
            depth_db = float(level_db.max() - level_db[at])
            found.append(_Minimum(float(np.sin(np.radians(_ANGLES_DEG[at] + shift))), depth_db, significance))
        return found

    def null(self, track: _Track, order: int, plane: Plane, sound_speed_m_per_s: float) -> Null:
        constant, slope = (float(x) for x in track.line(self.frequency_hz))
        # not where the null has reached the axis itself
        on_axis = self.power[track.rows, _AXIS] >= _ON_AXIS * self.power[track.rows].max(axis=1)
        near = int(np.argmin(np.where(on_axis | ~on_axis.any(), np.abs(track.sines), np.inf)))
        row = track.rows[near]
        separation_m = (order + 0.5) * sound_speed_m_per_s / abs(slope)
        return Null(
            plane=plane,
            lowest_hz=float(self.frequency_hz[track.rows[0]]),
            highest_hz=float(self.frequency_hz[track.rows[-1]]),
            order=order,
            sine_at_top=constant,
            sine_hz=slope,
            separation_m=separation_m,
            lag_s=constant * separation_m / sound_speed_m_per_s,
            frequency_hz=float(self.frequency_hz[row]),
            angle_deg=float(np.degrees(np.arcsin(track.sines[near]))),
            depth_db=track.depths_db[near],
            drops_deg={drop_db: self._drop_deg(row, drop_db) for drop_db in DROPS_DB},
            significance=float(np.median(track.significances)),
        )

    def _significance(self, row: int, at: int) -> float:
        """What is missing re its standard uncertainty; infinite where errors are not known, so that none is lost."""
        if self.uncertainty_pa is None:
            return float("inf")
        most = int(np.argmax(self.power[row]))
        missing = np.sqrt(self.power[row, most]) - np.sqrt(self.power[row, at])
        return float(missing / np.hypot(self.uncertainty_pa[row, most], self.uncertainty_pa[row, at]))

    def _drop_deg(self, row: int, drop_db: float) -> tuple[float, float]:
        """Where the level first is that far below the axis, on the positive and on the negative side."""
        with np.errstate(divide="ignore"):
            relative_db = power_db(self.power[row] / self.power[row, _AXIS])
        return _first_deg(relative_db[_AXIS:], drop_db), -_first_deg(relative_db[_AXIS::-1], drop_db)


def _first_deg(relative_db: Floats, drop_db: float) -> float:
    below = np.flatnonzero(relative_db <= -drop_db)
    if not below.size:
        return float("nan")
    at = int(below[0])
    over = relative_db[at - 1] + drop_db
    return at - 1 + float(over / (relative_db[at - 1] - relative_db[at]))


def _follow(tracks: list[_Track], row: int, minima: list[_Minimum]) -> None:
    """Minima of one frequency to the tracks that they continue, nearest first; the others begin one."""
    live = [track for track in tracks if row - track.rows[-1] <= _GAP + 1]
    pairs = sorted(
        (abs(one.sine - track.sines[-1]), number, which)
        for number, one in enumerate(minima)
        for which, track in enumerate(live)
    )
    taken_minima, taken_tracks = set(), set()
    for step, number, which in pairs:
        if step <= _STEP_SINE and number not in taken_minima and which not in taken_tracks:
            taken_minima.add(number)
            taken_tracks.add(which)
            _append(live[which], row, minima[number])
    for number, one in enumerate(minima):
        if number not in taken_minima:
            tracks.append(_Track())
            _append(tracks[-1], row, one)


def _append(track: _Track, row: int, one: _Minimum) -> None:
    track.rows.append(row)
    track.sines.append(one.sine)
    track.depths_db.append(one.depth_db)
    track.significances.append(one.significance)


def _order(track: _Track, found: Sequence[_Track]) -> int:
    """How many others lie nearer to the axis on the same side, where both are."""
    count = 0
    for other in found:
        common = sorted(set(track.rows) & set(other.rows))
        if other is track or not common or track.sines[0] * other.sines[0] <= 0.0:
            continue
        at = common[len(common) // 2]
        count += abs(other.sines[other.rows.index(at)]) < abs(track.sines[track.rows.index(at)])
    return count
