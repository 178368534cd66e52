"""All findings about one channel: from curves and circles to what can be done."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from fieldproc.conventions import Complexes, Floats
from fieldproc.errors import NumericalError
from fieldproc.findings.aim import Aim, AimLimits, aim_of, elevation_deg
from fieldproc.findings.beam import Beam, BeamLimits, beam_of, full_coverage_deg
from fieldproc.findings.cause import Explained, correctable, explain
from fieldproc.findings.curves import Curve, curves_of
from fieldproc.findings.departures import Departure, DepartureLimits, band_within_limits, departures_of
from fieldproc.findings.equalizer import Equalizer, EqualizerLimits, equalize
from fieldproc.findings.hand_over import HandOver, hand_over
from fieldproc.findings.interference import Null, NullLimits, correctable_beside, nulls_of
from fieldproc.findings.level import Amplifier, Load, SeatLevel, VoltageSensitivity, level_at_seat
from fieldproc.findings.placement import BAND_HZ, Boundaries, Notch, level_change_db, notches, radiated_power_db
from fieldproc.findings.resonances import Resonance, resonance_near, resonances_of
from fieldproc.findings.trend import Trend, trend_of
from fieldproc.records import FarField, Scalar
from fieldproc.settings import EqualizerSettings, PlacementSettings, Settings

PLANES = ("horizontal", "vertical")
# Trends and departures are of these.
TOLD_CURVES = ("listening_window", "in_room_estimate")
# Two departures of different curves are one flaw when their peaks are nearer than that, in octaves.
_SAME_OCTAVES = 1.0 / 6.0
# Change of the index over a departure beyond which it is left alone, whatever the curves say.
_MUCH_DB = 1.0
# A departure counts in full so far beyond its ends, and no more at twice that: a section must not make a corner of a
# flank.
_FLANK_OCTAVES = 0.5


@dataclass(frozen=True, slots=True)
class Subject:
    """One far field, seen as findings need it; all about one axis.

    ``polars`` has the 72 directions of the two polars, ``circles`` every degree of both planes. ``about`` gives
    polars about an axis turned to azimuth and elevation in degrees, ``along`` that one direction alone, ``towards``
    far-field pressures (frequency, direction) of a channel at 1 m in any directions (direction, 3); ``None`` where
    only these directions are known.
    """

    polars: FarField
    circles: FarField
    about: Callable[[float, float], FarField] | None = None
    along: Callable[[float, float], FarField] | None = None
    towards: Callable[[Floats, int], Complexes] | None = None


@dataclass(frozen=True, slots=True)
class Flaw:
    """A departure and its cause, and the curves that it was found in, the one that shows it most first."""

    explained: Explained
    curves: tuple[str, ...]

    @property
    def departure(self) -> Departure:
        """Of the curve that shows it most."""
        return self.explained.departure


@dataclass(frozen=True, slots=True)
class Placement:
    """What boundaries do to power and to the sound at the seat, (frequency,) each, and the notches at the seat."""

    boundaries: Boundaries
    seat_m: Floats
    frequency_hz: Floats
    power_db: Floats
    at_seat_db: Floats
    notches: tuple[Notch, ...]


@dataclass(frozen=True, slots=True)
class Findings:
    """Of one channel. What is ``None`` was not asked for, or could not be found: ``not_found`` says why."""

    curves: Mapping[str, Curve]
    trends: Mapping[str, Trend]
    flaws: tuple[Flaw, ...]
    resonances: tuple[Resonance, ...]
    nulls: Mapping[str, tuple[Null, ...]]
    beams: Mapping[str, Beam]
    equalizer: Equalizer | None
    best_section: Equalizer | None
    aim: Aim | None
    placement: Placement | None
    hand_over: HandOver | None
    level: SeatLevel | None
    not_found: tuple[str, ...]


def find(
    subject: Subject,
    settings: Settings,
    scalars: Mapping[str, Scalar],
    rated_impedance_ohm: float | None,
    channel: int,
) -> Findings:
    """Everything that the settings ask for; ``scalars`` are the single numbers of the channel by their names."""
    curves = curves_of(subject.polars, settings.tables, channel)
    not_found: list[str] = []
    try:
        trends = {name: trend_of(curves[name], settings.findings.trend_band_hz) for name in (*TOLD_CURVES, "on_axis")}
        limits = _departure_limits(curves["listening_window"], settings)
        flaws = _flaws(curves, limits)
        resonances = _resonances(curves, flaws, limits)
    except NumericalError as error:
        trends, flaws, resonances = {}, (), ()
        not_found.append(str(error))
    speed = subject.circles.sound_speed_m_per_s
    nulls: dict[str, tuple[Null, ...]] = {}
    if np.isfinite(speed):
        nulls = {
            plane: tuple(nulls_of(subject.circles, channel, plane, NullLimits(), speed))  # type: ignore[arg-type]
            for plane in PLANES
        }
    beams = {
        plane: beam_of(subject.circles.frequency_hz, full_coverage_deg(subject.circles, channel, plane), BeamLimits())
        for plane in PLANES
    }
    equalizer = best_section = None
    if trends:
        try:
            allowed = _allowed(curves, flaws, [null for own in nulls.values() for null in own])
            best_section = _equalized(curves, trends, allowed, settings.equalizer, 1)
            most = settings.equalizer.most_sections
            equalizer = best_section if most == 1 else _equalized(curves, trends, allowed, settings.equalizer, most)
        except NumericalError as error:
            not_found.append(str(error))
    aim = None
    try:
        aim = _aim(subject, settings, channel, flaws, trends)
    except NumericalError as error:
        not_found.append(str(error))
    return Findings(
        curves=curves,
        trends=trends,
        flaws=flaws,
        resonances=resonances,
        nulls=nulls,
        beams=beams,
        equalizer=equalizer,
        best_section=best_section,
        aim=aim,
        placement=_placement(subject, settings, channel),
        hand_over=hand_over(curves["listening_window"], settings.placement.hand_over_hz),
        level=_level(settings, scalars, rated_impedance_ohm),
        not_found=tuple(not_found),
    )


def _departure_limits(window: Curve, settings: Settings) -> DepartureLimits:
    told = settings.findings
    band_hz = band_within_limits(window, told.departure_band_hz)
    return DepartureLimits(band_hz=band_hz, least_db=told.least_departure_db, curves=len(TOLD_CURVES))


def _flaws(curves: Mapping[str, Curve], limits: DepartureLimits) -> tuple[Flaw, ...]:
    """Departures of all told curves, one flaw each, the largest area first."""
    found = [(name, departure) for name in TOLD_CURVES for departure in departures_of(curves[name], limits)]
    found.sort(key=lambda pair: -abs(pair[1].area_db_octaves))
    flaws: list[Flaw] = []
    for name, departure in found:
        same = [at for at, flaw in enumerate(flaws) if _same(flaw.departure, departure)]
        if same:
            first = flaws[same[0]]
            flaws[same[0]] = replace(first, curves=tuple(dict.fromkeys((*first.curves, name))))
        else:
            flaws.append(Flaw(explain(departure, curves), (name,)))
    return tuple(flaws)


def _resonances(
    curves: Mapping[str, Curve], flaws: tuple[Flaw, ...], limits: DepartureLimits
) -> tuple[Resonance, ...]:
    """Of the whole curve; and of single flaws that all directions share, where the whole hid them."""
    found = resonances_of(curves, limits)
    for flaw in flaws:
        peak_hz = flaw.departure.peak_hz
        known = any(abs(np.log2(one.frequency_hz / peak_hz)) <= _SAME_OCTAVES for one in found)
        if flaw.explained.correctable and not flaw.departure.broad and not known:
            near = resonance_near(curves, peak_hz, limits)
            found += [] if near is None else [near]
    return tuple(sorted(found, key=lambda one: one.frequency_hz))


def _same(one: Departure, other: Departure) -> bool:
    near = abs(np.log2(one.peak_hz / other.peak_hz)) <= max(_SAME_OCTAVES, 0.5 * one.width_octaves)
    return bool(near and one.broad == other.broad and np.sign(one.size_db) == np.sign(other.size_db))


def _allowed(curves: Mapping[str, Curve], flaws: tuple[Flaw, ...], nulls: list[Null]) -> Floats:
    """How far an equaliser may act, (frequency,): where the index is smooth, away from nulls and from flaws that
    differ much between directions, but for those within them that are in all directions alike."""
    frequency_hz = curves["listening_window"].frequency_hz
    weight = np.ones_like(frequency_hz)
    for flaw in flaws:
        if not flaw.explained.correctable and abs(flaw.explained.evidence.index_change_db) > _MUCH_DB:
            away = _octaves_from(flaw.departure, frequency_hz)
            weight = np.minimum(weight, np.clip(away / _FLANK_OCTAVES - 1.0, 0.0, 1.0))
    for flaw in flaws:
        if flaw.explained.correctable:
            away = _octaves_from(flaw.departure, frequency_hz)
            weight = np.maximum(weight, np.clip(2.0 - away / _FLANK_OCTAVES, 0.0, 1.0))
    return weight * correctable(curves) * correctable_beside(nulls, frequency_hz)


def _octaves_from(departure: Departure, frequency_hz: Floats) -> Floats:
    """How far frequencies are from a departure, whose ends are at half its size."""
    below, above = np.log2(departure.lowest_hz / frequency_hz), np.log2(frequency_hz / departure.highest_hz)
    return np.asarray(np.maximum(np.maximum(below, above), 0.0))


def _equalized(
    curves: Mapping[str, Curve],
    trends: Mapping[str, Trend],
    allowed: Floats,
    told: EqualizerSettings,
    most_sections: int,
) -> Equalizer:
    window, room = (curves[name] for name in TOLD_CURVES)
    lowest_hz, highest_hz = band_within_limits(window, told.band_hz)
    carried = window.frequency_hz < 0.5 * told.sampling_rate_hz
    limits = EqualizerLimits(
        band_hz=(lowest_hz, highest_hz),
        most_boost_db=told.most_boost_db,
        most_cut_db=told.most_cut_db,
        largest_q=(told.largest_q_below, told.largest_q_above),
        most_sections=most_sections,
    )
    targets_db = targets(window.frequency_hz, trends, told.target)
    return equalize(
        window.picked(carried),
        room.picked(carried),
        (targets_db[0][carried], targets_db[1][carried]),
        allowed[carried],
        limits,
        told.sampling_rate_hz,
    )


def targets(frequency_hz: Floats, trends: Mapping[str, Trend], target: str | float) -> tuple[Floats, Floats]:
    """What listening window and in-room estimate are brought to: their own lines, both tilted alike.

    "trend" tilts nothing, "flat" levels the listening window, a number is the slope of the in-room estimate in dB per
    octave. An equaliser tilts all curves alike, so no other pair of lines can be had.
    """
    window, room = (trends[name] for name in TOLD_CURVES)
    tilt = 0.0
    if target == "flat":
        tilt = -window.slope_db_per_octave
    elif isinstance(target, float):
        tilt = target - room.slope_db_per_octave
    # about the middle of the band, so that a tilt is no change of level
    middle = 0.5 * np.log2(window.band_hz[0] * window.band_hz[1] / 1e6)
    turned = tilt * (np.log2(frequency_hz / 1000.0) - middle)
    return window.level_db(frequency_hz) + turned, room.level_db(frequency_hz) + turned


def _aim(
    subject: Subject, settings: Settings, channel: int, flaws: tuple[Flaw, ...], trends: Mapping[str, Trend]
) -> Aim | None:
    if subject.about is None or not trends:
        return None
    seat = settings.seat
    narrow = [flaw.departure for flaw in flaws if not flaw.departure.broad]
    elevations = sorted({0.0, elevation_deg(seat.height_m, seat.distance_m)})
    limits = AimLimits(band_hz=settings.findings.departure_band_hz, tolerance_db=seat.tolerance_db)
    told = trends["on_axis"], trends["in_room_estimate"]
    return aim_of(subject.about, settings.tables, channel, narrow, told, elevations, limits, subject.along)


def _placement(subject: Subject, settings: Settings, channel: int) -> Placement | None:
    told, seat = settings.placement, settings.seat
    boundaries = _boundaries(told)
    speed = subject.circles.sound_speed_m_per_s
    if boundaries is None or subject.towards is None or not np.isfinite(speed):
        return None
    frequency_hz = subject.circles.frequency_hz
    rows = (frequency_hz >= BAND_HZ[0]) & (frequency_hz <= BAND_HZ[1])
    everywhere = subject.towards

    def towards(directions: Floats) -> Complexes:
        return everywhere(directions, channel)[rows]

    seat_m = np.array([seat.distance_m, 0.0, seat.height_m])
    at_seat_db = level_change_db(towards, frequency_hz[rows], speed, boundaries, seat_m)
    return Placement(
        boundaries,
        seat_m,
        frequency_hz[rows],
        radiated_power_db(towards, frequency_hz[rows], speed, boundaries),
        at_seat_db,
        notches(frequency_hz[rows], at_seat_db),
    )


def _boundaries(told: PlacementSettings) -> Boundaries | None:
    front_m, side_m, floor_m = (
        None if one == "none" else one for one in (told.front_wall_m, told.side_wall_m, told.floor_m)
    )
    none = front_m is None and side_m is None and floor_m is None
    return None if none else Boundaries(front_m, side_m, floor_m, told.side)


def _level(settings: Settings, scalars: Mapping[str, Scalar], rated_impedance_ohm: float | None) -> SeatLevel | None:
    """From the sensitivity at 2.83 V; none without an amplifier, an impedance and a sensitivity."""
    told, seat = settings.amplifier, settings.seat
    sensitivity = scalars.get("sensitivity_2_83_v_1_m")
    if told.power_w == "none" or sensitivity is None or not np.isfinite(sensitivity.value):
        return None
    if told.impedance_curve != "none":
        load = Load.of_curve(*np.array(told.impedance_curve).T)
    elif told.rated_impedance_ohm != "session":
        load = Load.rated(told.rated_impedance_ohm)
    elif rated_impedance_ohm is not None:
        load = Load.rated(rated_impedance_ohm)
    else:
        return None
    wanted_db = None if seat.wanted_level_db == "none" else seat.wanted_level_db
    return level_at_seat(
        VoltageSensitivity(sensitivity.value),
        Amplifier(told.power_w, load),
        seat.distance_m,
        seat.room_allowance_db,
        wanted_db,
    )
