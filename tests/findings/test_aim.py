from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from findings.planted import GRID_HZ, peak_db

from fieldproc.conventions import polar_directions
from fieldproc.findings.aim import AimLimits, aim_of, elevation_deg
from fieldproc.findings.curves import curves_of
from fieldproc.findings.departures import DepartureLimits, departures_of
from fieldproc.findings.trend import trend_of
from fieldproc.records import FarField
from fieldproc.settings import TableSettings

TABLES = TableSettings()
BAND = (200.0, 16000.0)
# Pattern of a direction: azimuth and elevation in degrees, (direction,), to pressures (frequency, direction).
Pattern = Callable[[np.ndarray, np.ndarray], np.ndarray]


def turned(pattern: Pattern) -> Callable[[float, float], FarField]:
    """The two polars about an axis turned to azimuth and elevation, of a pattern in closed form."""

    def towards(azimuth_deg: float, elevation_deg: float) -> FarField:
        turn, tip = np.radians(azimuth_deg), np.radians(elevation_deg)
        forward = np.array([np.cos(tip) * np.cos(turn), np.cos(tip) * np.sin(turn), np.sin(tip)])
        left = np.array([-np.sin(turn), np.cos(turn), 0.0])
        seen = polar_directions() @ np.stack([forward, left, np.cross(forward, left)])
        azimuth, elevation = np.arctan2(seen[:, 1], seen[:, 0]), np.arcsin(np.clip(seen[:, 2], -1.0, 1.0))
        pressure = pattern(np.degrees(azimuth), np.degrees(elevation))
        return FarField(
            GRID_HZ,
            polar_directions(),
            pressure[:, None].astype(np.complex128),
            np.full((len(GRID_HZ), 1), np.nan),
            np.inf,
            ("full range",),
        )

    return towards


def narrowing(from_hz: float) -> Pattern:
    """Coverage shrinks as 1/f above a frequency: a Gaussian beam of 60 degrees, 6 dB down, below."""

    def pattern(azimuth_deg: np.ndarray, elevation_deg: np.ndarray) -> np.ndarray:
        off_deg = np.degrees(np.arccos(np.cos(np.radians(azimuth_deg)) * np.cos(np.radians(elevation_deg))))
        half_deg = 60.0 * np.minimum(1.0, from_hz / GRID_HZ)[:, None]
        return 10.0 ** (-6.0 * np.minimum((off_deg / half_deg) ** 2, 4.0) / 20.0)

    return pattern


def test_a_bump_below_a_narrowing_top_stands_out_when_turned() -> None:
    """On axis 1.5 dB; 30 degrees off, what is above it has gone, and the bump is left."""
    beam = narrowing(6000.0)
    bump = 10.0 ** (peak_db(4500.0, 3.0, 1.5) / 20.0)
    towards = turned(lambda azimuth, elevation: 0.1 * bump[:, None] * beam(azimuth, elevation))
    curves = curves_of(towards(0.0, 0.0), TABLES, 0)
    departures = departures_of(curves["on_axis"], DepartureLimits(band_hz=BAND))
    trends = trend_of(curves["on_axis"], BAND), trend_of(curves["in_room_estimate"], BAND)
    limits = AimLimits(toe_in_deg=tuple(np.arange(0.0, 46.0, 15.0).tolist()), tolerance_most_deg=10.0)
    aim = aim_of(towards, TABLES, 0, departures, trends, [0.0], limits)
    assert len(departures) == 1
    by_toe_in = {one.toe_in_deg: one for one in aim.tried}
    on_axis, at_30 = by_toe_in[0.0].sizes_db[0], by_toe_in[30.0].sizes_db[0]
    # of the bump itself the mean level takes a little
    assert on_axis == pytest.approx(1.5, abs=0.3)
    assert at_30 > on_axis + 0.5
    assert [one.toe_in_deg for one in aim.warnings][:1] == [30.0]
    assert aim.warnings[0].there_db - aim.warnings[0].on_axis_db == pytest.approx(at_30 - on_axis, abs=1e-9)
    rms = [by_toe_in[toe_in].direct_rms_db for toe_in in (0.0, 15.0, 30.0, 45.0)]
    assert rms == sorted(rms)
    assert aim.window_deg is not None
    assert aim.window_deg[0] == 0.0


def test_a_turn_to_the_left_shows_the_right_side() -> None:
    """Bright to the right, dull to the left: with the trend of the axis, only one of them stays."""
    octave = np.log2(GRID_HZ / 1000.0)[:, None]

    def pattern(azimuth_deg: np.ndarray, _: np.ndarray) -> np.ndarray:
        right = np.clip(-azimuth_deg / 45.0, 0.0, 1.0)
        return 10.0 ** (right * octave / 20.0)

    towards = turned(pattern)
    curves = curves_of(towards(0.0, 0.0), TABLES, 0)
    trends = trend_of(curves["on_axis"], BAND), trend_of(curves["in_room_estimate"], BAND)
    limits = AimLimits(toe_in_deg=(0.0, 45.0), tolerance_db=0.5)
    aim = aim_of(towards, TABLES, 0, [], trends, [0.0], limits)
    straight, left = aim.tried
    assert straight.direct_rms_db == pytest.approx(0.0, abs=1e-9)
    # a slope of 1 dB per octave over 6.3 octaves, level apart: width / sqrt(12)
    assert left.direct_rms_db == pytest.approx(np.log2(16000.0 / 200.0) / np.sqrt(12.0), rel=0.02)
    assert aim.recommended is straight
    assert aim.window_deg == (0.0, 0.0)
    # to the right the octave at 8 kHz rises by 0.5 dB at 45 / 6 degrees; to the left and upwards nothing does
    assert aim.tolerance.right_deg == pytest.approx(5.0)
    assert np.isinf([aim.tolerance.left_deg, aim.tolerance.up_deg]).all()


def test_heights_are_tried_and_the_best_is_taken() -> None:
    """Nothing but 10 degrees up is flat."""
    octave = np.log2(GRID_HZ / 1000.0)[:, None]
    towards = turned(lambda _, elevation: 10.0 ** (np.abs(elevation - 10.0) / 5.0 * octave / 20.0))
    flat = curves_of(towards(0.0, 10.0), TABLES, 0)
    trends = trend_of(flat["on_axis"], BAND), trend_of(flat["in_room_estimate"], BAND)
    up_deg = elevation_deg(2.5 * np.tan(np.radians(10.0)), 2.5)
    assert up_deg == pytest.approx(10.0)
    aim = aim_of(towards, TABLES, 0, [], trends, [0.0, up_deg], AimLimits(toe_in_deg=(0.0, 5.0)))
    assert aim.recommended.elevation_deg == up_deg
    none = aim_of(towards, TABLES, 0, [], trends, [0.0], AimLimits(toe_in_deg=(0.0,), within_db=0.1))
    assert none.window_deg is None
    assert none.recommended.toe_in_deg == 0.0
