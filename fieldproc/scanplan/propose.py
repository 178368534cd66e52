"""From the loudspeaker's size, the nearest reflector, the band and the time to surfaces, rings and visits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fieldproc.conventions import Floats, Integers, amplitude_db, wavenumber
from fieldproc.errors import NumericalError
from fieldproc.expand.order import automatic_orders
from fieldproc.records import Cabinet, ReferenceAxis
from fieldproc.scanplan.carried import TARGET_DB, UNKNOWNS_PER_POINT, noise_gain, orders_of, sweep
from fieldproc.scanplan.grid import Grid, sound_speed_at
from fieldproc.scanplan.leak import LOWEST_LEAK_HZ, leak_db
from fieldproc.scanplan.settings import PlanSettings
from fieldproc.scanplan.surfaces import Surface, innermost, ring_points
from fieldproc.scanplan.surroundings import TRUSTED_LENGTHS, gate_lengths
from fieldproc.scanplan.visiting import interleaved, with_returns

# Distances between the surfaces that are tried, and the one that rings and azimuths are first laid out for.
_GAPS_M = np.arange(2, 16) / 100.0
_FIRST_GAP_M = 0.05
# The first frequency at which the surfaces are half a wavelength apart lies this far above where a gate takes over,
# so that an octave is left in which the two can be compared; without a gate, above all that is separated.
_OCTAVE, _ABOVE = 2.0, 1.1
# The distances compared go by the worst of so many frequencies of the separated band.
_COMPARED = 5
# Steps of an octave in which the top of what a grid carries is looked for.
_PER_OCTAVE = 6
# Azimuths per ring re those of square cells at the side of the surface.
_STRETCHES = (0.7, 0.85, 1.0, 1.2)
# Fewest rings and azimuths, and points for every unknown of the wanted orders.
_FEWEST_RINGS, _FEWEST_AZIMUTHS, _PER_UNKNOWN = 4, 8, 2.0
# Points with which the distance between the surfaces is looked for, at least and at most: it hardly depends on them.
_FEWEST, _SEARCHED = 64, 2000
_STRIDES = (1, 2, 3, 4)
# Room for the microphone between the outer surface and a reflector.
_BESIDE_M = 0.05


@dataclass(frozen=True, slots=True)
class Layout:
    """Two surfaces ``gap_m`` apart, each with ``rings`` of ``azimuths`` points."""

    inner: Surface
    gap_m: float
    rings: int
    azimuths: int

    @property
    def outer(self) -> Surface:
        """The outer surface."""
        return self.inner.grown(self.gap_m)


@dataclass(frozen=True, slots=True)
class Proposal(Layout):
    """A layout, and its visits as a ``grid``: in ``stride`` squared passes, ``per_point_s`` for every visit."""

    stride: int
    per_point_s: float
    grid: Grid


def propose(settings: PlanSettings) -> Proposal:
    """The scan for given settings; the same settings give the same scan.

    ``NumericalError`` where a reflector stands in the way, or the time does not suffice for the lowest frequency.
    """
    size_m, scan, time = np.array(settings.loudspeaker.size_m), settings.scan, settings.time
    inner = innermost(scan.shape, size_m, scan.clearance_m)
    granted = max(int(time.total_s / time.per_point_s) - time.returns, 0) if scan.points == "auto" else scan.points
    layout = Layout(inner, _FIRST_GAP_M, *_counts(inner, min(max(granted, _FEWEST), _SEARCHED), 1.0))
    layout = replace(layout, gap_m=_best_gap(layout, settings) if scan.gap_m == "auto" else scan.gap_m)
    _require_room(layout, settings)
    points = _enough(layout, granted, settings) if scan.points == "auto" else granted
    return _best_visits(_best_counts(layout, points, settings), settings)


def grid_of(layout: Layout, visits: Integers, settings: PlanSettings) -> Grid:
    """The grid of a layout visited in the order of rows (surface, ring, azimuth), returns included."""
    center_m = np.array(settings.loudspeaker.center_m)
    points_m = np.array(
        [ring_points(surface, layout.rings, layout.azimuths, center_m) for surface in (layout.inner, layout.outer)]
    )
    positions_m, surface = points_m[tuple(visits.T)], visits[:, 0]
    before = with_returns(len(visits), settings.time.returns)
    # the inner point that is furthest in front hears the most
    place = np.unravel_index(int(np.argmax(points_m[0, :, :, 0])), points_m.shape[1:3])
    positions_m = np.insert(positions_m, before, points_m[0][place], axis=0)
    surface = np.insert(surface, before, 0)
    distances_m = np.array([np.inf if one is None else one for one in settings.room.distances_m()])
    return Grid(
        positions_m,
        surface,
        np.asarray(settings.time.per_point_s * np.arange(len(surface), dtype=np.float64)),
        ReferenceAxis(origin_m=np.array(settings.loudspeaker.axis_origin_m)),
        distances_m,
        Cabinet(np.array(settings.loudspeaker.size_m), center_m),
        sound_speed_at(settings.room.temperature_c),
    )


def separated_to_hz(grid: Grid, lowest_hz: float, wanted_hz: float) -> float:
    """Up to where separation must tell room from loudspeaker: where a gate may be trusted.

    Without a gate as far as the points carry both wave sets, at most to the highest frequency wanted.
    """
    lengths_s = gate_lengths(grid)
    if lengths_s is not None:
        top_hz = TRUSTED_LENGTHS / float(np.median(lengths_s))
    else:
        top_hz = sweep(grid, lowest_hz, _PER_OCTAVE, separate=True).highest_hz
    return max(min(top_hz, wanted_hz), lowest_hz)


def _plain(layout: Layout, settings: PlanSettings) -> Grid:
    return grid_of(layout, interleaved(layout.rings, layout.azimuths, 1), settings)


def _counts(inner: Surface, points: int, stretch: float) -> tuple[int, int]:
    """Rings per surface and azimuths per ring for so many points on both surfaces, no more."""
    around_m = 2.0 * np.pi * inner.radius_m
    # square cells on the side: profile / rings = around / azimuths
    azimuths = stretch * np.sqrt(points / 2.0 * around_m / inner.profile_m)
    even = max(_FEWEST_AZIMUTHS, 2 * round(float(azimuths) / 2.0))
    return max(_FEWEST_RINGS, int(points / 2.0 / even)), even


def _best_gap(layout: Layout, settings: PlanSettings) -> float:
    """The distance whose worst noise gain in the separated band is least, half a wavelength well above it."""
    lowest_hz = settings.band.lowest_hz
    grid = _plain(layout, settings)
    gated = gate_lengths(grid) is not None
    top_hz = separated_to_hz(grid, lowest_hz, settings.band.highest_hz)
    alike_hz = grid.sound_speed_m_per_s / (2.0 * _GAPS_M)
    gaps_m = _GAPS_M[alike_hz >= top_hz * (_OCTAVE if gated else _ABOVE)]
    if not gaps_m.size:
        return float(_GAPS_M[0])
    frequency_hz = np.geomspace(lowest_hz, top_hz, _COMPARED)
    worst_db = [_noise_in_far_field(_plain(replace(layout, gap_m=one), settings), frequency_hz) for one in gaps_m]
    return float(gaps_m[int(np.argmin(worst_db))])


def _noise_in_far_field(grid: Grid, frequency_hz: Floats) -> float:
    """Noise in the far field re that at the points, each re the sound there, in dB: the worst of the frequencies."""
    points_m = grid.positions_m[grid.first_visits()]
    origin_m, reach = grid.reach()
    k = wavenumber(frequency_hz, grid.sound_speed_m_per_s)
    plan = automatic_orders(k, reach, True, int(UNKNOWNS_PER_POINT * len(points_m)), TARGET_DB)
    gain = noise_gain(grid, frequency_hz, orders_of(plan))
    near = np.sqrt(np.mean(1.0 / np.sum((points_m - origin_m) ** 2, axis=1)))
    return float(np.max(gain.gain_db + amplitude_db(near)))


def _require_room(layout: Layout, settings: PlanSettings) -> None:
    """No reflector within the outer surface."""
    center_m = np.array(settings.loudspeaker.center_m) - np.array(settings.loudspeaker.axis_origin_m)
    reach_m = layout.outer.reach_m + _BESIDE_M
    # front, rear, left, right, up, down
    needed_m = np.stack([reach_m + center_m, reach_m - center_m], axis=1).ravel()
    names = ("front_m", "rear_m", "left_m", "right_m", "up_m", "down_m")
    for name, needed, stated in zip(names, needed_m, settings.room.distances_m(), strict=True):
        if stated is not None and stated < needed:
            raise NumericalError(
                "plan",
                f"distance to the reflector room.{name}",
                f"{stated:g} m",
                f"at least {needed:.2f} m for the outer surface",
                "move the loudspeaker, or lower scan.clearance_m or scan.gap_m",
            )


def _enough(layout: Layout, granted: int, settings: PlanSettings) -> int:
    """Points that the orders wanted need, within those that the time allows."""
    grid, band = _plain(layout, settings), settings.band
    if sweep(grid, band.lowest_hz, _PER_OCTAVE, separate=True).highest_hz < band.lowest_hz:
        raise NumericalError(
            "plan",
            "number of points in time.total_s",
            str(granted),
            f"enough for both wave sets at {band.lowest_hz:g} Hz",
            "grant more time, or lower time.per_point_s or time.returns",
        )
    top_hz = separated_to_hz(grid, band.lowest_hz, band.highest_hz)
    reach, speed = grid.reach()[1], grid.sound_speed_m_per_s
    both, alone = (
        automatic_orders(wavenumber(np.array([at_hz]), speed), reach, separate, 10**9, TARGET_DB).unknowns[0]
        for at_hz, separate in ((top_hz, True), (band.highest_hz, False))
    )
    return int(min(granted, _PER_UNKNOWN * max(both, alone)))


def _best_counts(layout: Layout, points: int, settings: PlanSettings) -> Layout:
    """Rings and azimuths that carry what is not gated off, or with a gate outgoing waves, furthest up."""
    stated = settings.scan.azimuths
    if stated != "auto":
        return replace(layout, rings=max(_FEWEST_RINGS, points // (2 * stated)), azimuths=stated)
    candidates = []
    for stretch in _STRETCHES:
        rings, azimuths = _counts(layout.inner, points, stretch)
        one = replace(layout, rings=rings, azimuths=azimuths)
        grid = _plain(one, settings)
        gated = gate_lengths(grid) is not None
        tried = sweep(grid, settings.band.lowest_hz, _PER_OCTAVE, separate=not gated)
        candidates.append((-tried.highest_hz, abs(np.log(stretch)), one))
    return min(candidates, key=lambda candidate: candidate[:2])[2]


def _best_visits(layout: Layout, settings: PlanSettings) -> Proposal:
    """The smallest stride that keeps the assumed drift below the noise, else the one that leaks least."""
    at_hz = max(settings.band.lowest_hz, LOWEST_LEAK_HZ)
    tried = []
    for stride in _STRIDES:
        grid = grid_of(layout, interleaved(layout.rings, layout.azimuths, stride), settings)
        own = layout.inner, layout.gap_m, layout.rings, layout.azimuths
        one = Proposal(*own, stride, settings.time.per_point_s, grid)
        tried.append((leak_db(grid, at_hz, True, settings.assumptions), one))
        if tried[-1][0] <= settings.assumptions.noise_db:
            return one
    return min(tried, key=lambda pair: pair[0])[1]
