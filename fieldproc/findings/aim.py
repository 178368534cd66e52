"""How a loudspeaker should be aimed, and how high to sit: direct sound and in-room estimate against angle.

Angles are those of the output axes: azimuth positive to the loudspeaker's left, elevation positive upwards. A
loudspeaker turned by t to its left has what was straight ahead at azimuth -t; a seat higher than the axis origin by h
at a distance d along the floor is at elevation atan(h / d).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fieldproc.conventions import Floats, level_db, power_db
from fieldproc.findings.curves import Curve, curves_from, curves_of
from fieldproc.findings.departures import Departure
from fieldproc.findings.trend import Trend, require_enough, shares
from fieldproc.records import FarField
from fieldproc.settings import TableSettings
from fieldproc.tables.averages import overlaps, share_edges

# A far field in the directions of the two polars about an axis turned to azimuth and elevation, degrees.
Towards = Callable[[float, float], FarField]
_OCTAVES_HZ = 1000.0 * 2.0 ** np.arange(-3.0, 5.0)
# About a peak, what its level is the mean of.
_NEAR_OCTAVES = 1.0 / 24.0 + 1e-6
# Of an octave, what must be usable for its level.
_LEAST_SHARE = 0.75


@dataclass(frozen=True, slots=True)
class AimLimits:
    """What is tried, and what is tolerated.

    ``within_db`` is the rms departure that a recommended angle may have; ``tolerance_db`` the change of any octave of
    the direct sound that ends the tolerance, looked for in steps of ``tolerance_step_deg`` out to
    ``tolerance_most_deg``; ``stands_out_db`` is by how much larger a departure must be than on axis to be told.
    ``seat_azimuth_deg`` is that of the seat from a loudspeaker that is not turned; toe-in turns it to its left.
    """

    toe_in_deg: tuple[float, ...] = tuple(np.arange(0.0, 46.0, 5.0).tolist())
    band_hz: tuple[float, float] = (200.0, 16000.0)
    within_db: float = 1.5
    tolerance_db: float = 1.0
    tolerance_step_deg: float = 2.5
    tolerance_most_deg: float = 45.0
    stands_out_db: float = 0.5
    seat_azimuth_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Aimed:
    """One toe-in and elevation: rms departures from the trends on axis, dB, levels apart.

    ``sizes_db``: how far the direct sound is from its trend where a departure was found on axis, one by one. What
    falls away around a bump makes it stand out: so this is no size by the departure's own shoulders.
    """

    toe_in_deg: float
    elevation_deg: float
    direct_rms_db: float
    in_room_rms_db: float
    sizes_db: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Degrees from the seat until an octave of the direct sound changes; infinite where it never does."""

    left_deg: float
    right_deg: float
    up_deg: float
    down_deg: float


@dataclass(frozen=True, slots=True)
class StandsOut:
    """A departure that some aim makes stand out more than on axis: sizes as in :class:`Aimed`."""

    departure: Departure
    toe_in_deg: float
    elevation_deg: float
    on_axis_db: float
    there_db: float


@dataclass(frozen=True, slots=True)
class Aim:
    """All that was tried; the recommended one, its window of toe-in and its tolerance; what to be warned of.

    ``window_deg`` is ``None`` where no aim stays within what is tolerated; the recommended one is then the least bad.
    """

    tried: tuple[Aimed, ...]
    recommended: Aimed
    window_deg: tuple[float, float] | None
    tolerance: Tolerance
    warnings: tuple[StandsOut, ...]


def elevation_deg(height_m: float, distance_m: float) -> float:
    """Elevation of a seat so much higher than the axis origin, at a distance along the floor."""
    return float(np.degrees(np.arctan2(height_m, distance_m)))


def aim_of(
    towards: Towards,
    tables: TableSettings,
    channel: int,
    departures: Sequence[Departure],
    trends: tuple[Trend, Trend],
    elevations_deg: Sequence[float],
    limits: AimLimits,
    along: Towards | None = None,
) -> Aim:
    """Every toe-in at every elevation.

    ``departures`` are those found on axis, ``trends`` those of the direct sound and of the in-room estimate there.
    ``along`` gives the one direction of azimuth and elevation, which costs less than the polars about it.
    ``NumericalError`` where too few frequencies are usable.
    """
    seen = _Seat(towards, tables, channel, limits, along)
    on_axis = seen.residual_db(seen.curves(0.0, 0.0)["on_axis"], trends[0])
    tried = [
        seen.tried(toe_in, elevation, departures, trends)
        for elevation in elevations_deg
        for toe_in in limits.toe_in_deg
    ]
    windows = [
        window
        for elevation in elevations_deg
        for window in _windows([one for one in tried if one.elevation_deg == elevation], limits.within_db)
    ]
    # the widest; of equals the one that departs least in the mean
    best = min(windows, key=lambda own: (-len(own), np.mean([one.direct_rms_db for one in own])), default=None)
    recommended = min(best or tried, key=lambda one: one.direct_rms_db)
    own_sizes = [_size_db(on_axis, departure) for departure in departures]
    warnings = [
        StandsOut(departure, one.toe_in_deg, one.elevation_deg, own, there)
        for one in tried
        for departure, own, there in zip(departures, own_sizes, one.sizes_db, strict=True)
        if abs(there) - abs(own) >= limits.stands_out_db
    ]
    return Aim(
        tried=tuple(tried),
        recommended=recommended,
        window_deg=None if best is None else (best[0].toe_in_deg, best[-1].toe_in_deg),
        tolerance=seen.tolerance(recommended),
        warnings=tuple(warnings),
    )


@dataclass(frozen=True, slots=True)
class _Seat:
    towards: Towards
    tables: TableSettings
    channel: int
    limits: AimLimits
    along: Towards | None = None

    def direct(self, azimuth_deg: float, elevation_deg: float) -> Curve:
        """The direct sound there."""
        if self.along is None:
            return self.curves(azimuth_deg, elevation_deg)["on_axis"]
        own = replace(self.along(azimuth_deg, elevation_deg), errors=None)

        def level(of: FarField) -> dict[str, Floats]:
            return {"on_axis_db": level_db(of.pressure_pa[:, self.channel, 0])}

        return curves_from(own, self.channel, level)["on_axis"]

    def curves(self, azimuth_deg: float, elevation_deg: float) -> dict[str, Curve]:
        """Curves about the axis turned there; what can be used is known from errors, which are not needed else."""
        far_field = self.towards(azimuth_deg, elevation_deg)
        if far_field.errors is not None:
            far_field = replace(far_field, errors=None, verdict=far_field.errors.verdict)
        return curves_of(far_field, self.tables, self.channel)

    def tried(
        self, toe_in_deg: float, elevation_deg: float, departures: Sequence[Departure], trends: tuple[Trend, Trend]
    ) -> Aimed:
        curves = self.curves(self.limits.seat_azimuth_deg - toe_in_deg, elevation_deg)
        direct = self.residual_db(curves["on_axis"], trends[0])
        in_room = self.residual_db(curves["in_room_estimate"], trends[1])
        return Aimed(
            toe_in_deg=toe_in_deg,
            elevation_deg=elevation_deg,
            direct_rms_db=_rms_db(direct),
            in_room_rms_db=_rms_db(in_room),
            sizes_db=tuple(_size_db(direct, departure) for departure in departures),
        )

    def tolerance(self, at: Aimed) -> Tolerance:
        azimuth, elevation = self.limits.seat_azimuth_deg - at.toe_in_deg, at.elevation_deg
        here_db = self._octaves_db(azimuth, elevation)
        return Tolerance(*(self._reach_deg(here_db, azimuth, elevation, *way) for way in _WAYS))

    def _reach_deg(self, here_db: Floats, azimuth_deg: float, elevation_deg: float, left: float, up: float) -> float:
        """Last step at which no octave has changed by more than is tolerated."""
        step = self.limits.tolerance_step_deg
        for count in range(1, int(self.limits.tolerance_most_deg / step) + 1):
            there_db = self._octaves_db(azimuth_deg + count * step * left, elevation_deg + count * step * up)
            if np.any(np.abs(there_db - here_db) > self.limits.tolerance_db):
                return (count - 1) * step
        return float("inf")

    def _octaves_db(self, azimuth_deg: float, elevation_deg: float) -> Floats:
        """Level of the direct sound in bands of an octave, (band,); nan where too little of one is known."""
        part = self.direct(azimuth_deg, elevation_deg).within(*self.limits.band_hz)
        middle = np.log2(_OCTAVES_HZ / 1000.0)
        weights = overlaps(share_edges(part.octave), middle - 0.5, middle + 0.5)
        known = weights.sum(axis=1) >= _LEAST_SHARE
        mean = weights @ 10.0 ** (part.level_db / 10.0) / np.where(known, weights.sum(axis=1), 1.0)
        return np.where(known, power_db(np.where(known, mean, 1.0)), np.nan)

    def residual_db(self, curve: Curve, trend: Trend) -> Curve:
        """A curve re a trend that is moved to the mean level there: less sound is no colour."""
        part = curve.within(*self.limits.band_hz)
        require_enough(part, self.limits.band_hz)
        apart_db = part.level_db - trend.level_db(part.frequency_hz)
        return replace(part, level_db=apart_db - np.average(apart_db, weights=shares(part)))


def _rms_db(residual: Curve) -> float:
    """Over log frequency."""
    return float(np.sqrt(np.average(residual.level_db**2, weights=shares(residual))))


def _size_db(residual: Curve, departure: Departure) -> float:
    """Mean about the peak of a departure; nan where nothing is known there."""
    near = np.abs(residual.octave - np.log2(departure.peak_hz / 1000.0)) <= _NEAR_OCTAVES
    return float(residual.level_db[near].mean()) if near.any() else float("nan")


# Left, right, up, down: steps of azimuth and elevation.
_WAYS = ((1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0))


def _windows(tried: Sequence[Aimed], within_db: float) -> list[list[Aimed]]:
    """Neighbouring toe-ins of one elevation whose direct sound stays within what is tolerated."""
    windows: list[list[Aimed]] = [[]]
    for one in tried:
        if one.direct_rms_db <= within_db:
            windows[-1].append(one)
        elif windows[-1]:
            windows.append([])
    return [window for window in windows if window]
