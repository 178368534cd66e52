"""Numbers that break no rule but are hardly meant bring a question, with the number in it; usual ones bring none."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fieldproc.records import Session
from fieldproc.session import open_input

WriteScan = Callable[..., Path]
POINTS = 5
RATE = "/impulse_response@sampling_rate_hz"
TRANSFER = {
    "/impulse_response": None,
    "/transfer_function": np.ones((1, POINTS, 3), dtype=np.complex128),
    "/transfer_function@units": "Pa/V",
}
NOISE = {"/noise/impulse_response": np.ones((1, 2, 8)), "/noise/impulse_response@units": "Pa/V"}
REFERENCE = {"/drive/reference": np.ones((POINTS, 8))}
CABINET = {"/loudspeaker/cabinet_size_m": [0.2, 0.2, 0.3], "/loudspeaker/cabinet_center_m": [0.0, 0.0, 0.0]}

# What is stated: what is asked. The points lie between 0.3 and 1.3 m along every axis.
DOUBTS: dict[str, tuple[dict[str, Any], str]] = {
    "rate in kHz": ({RATE: 48.0}, "sampling_rate_hz is 48, usual are 1000 to 1e+07: kilohertz"),
    "rate of noise in kHz": (NOISE | {"/noise/impulse_response@sampling_rate_hz": 48.0}, "is 48, usual"),
    "rate of drive in kHz": (REFERENCE | {"/drive/reference@sampling_rate_hz": 48.0}, "is 48, usual"),
    "latency of 1 s": ({"/impulse_response@start_s": 1.0}, "start_s is 1, usual are -0.5 to 0.5"),
    "start in ms": ({"/impulse_response@start_s": -2.5}, "start_s is -2.5"),
    "time of day": ({"/measured_at_s": 1.7e9 + np.arange(5.0)}, "/measured_at_s is 1.7e+09"),
    "before the scan began": ({"/measured_at_s": np.arange(5.0) - 2.0}, "/measured_at_s is -2"),
    "helium": ({"/air/sound_speed_m_per_s": 400.0}, "is 400, usual are 325 to 362"),
    "fahrenheit": ({"/air/temperature_c": 68.0}, "is 68, usual are 0 to 45: degrees Fahrenheit"),
    "one temperature of five": ({"/air/temperature_c": [20.0, 20.0, -20.0, 20.0, 20.0]}, "is -20"),
    "fraction": ({"/air/relative_humidity_percent": 0.45}, "is 0.45, usual are 1 to 100: a fraction"),
    "sensitivity in mV": (
        {"/impulse_response@units": "V/V", "/microphone/sensitivity_v_per_pa": 12.5},
        "is 12.5, usual are 1e-05 to 10: millivolts",
    ),
    "cabinet in cm": (
        {"/loudspeaker/cabinet_size_m": [20.0, 20.0, 30.0], "/loudspeaker/cabinet_center_m": [50.0, 0.0, 0.0]},
        "is 20, usual are 0.01 to 5",
    ),
    "impedance in milliohm": ({"/loudspeaker/rated_impedance_ohm": 8000.0}, "is 8000"),
    "voltage in mV": ({"/drive/voltage_v": 2830.0}, "is 2830, usual are 0.001 to 1000: millivolts"),
    "above full scale": ({"/impulse_response@units": "Pa/FS", "/drive/level_dbfs": 12.0}, "is 12"),
    "reflection in ms": ({"/room/first_reflection_s": 3.0}, "is 3, usual are 0 to 0.5: milliseconds"),
    "place error in mm": ({"/sigma/position_m": 0.5}, "is 0.5, usual are 0 to 0.05: millimetres"),
    "radius error in mm": ({"/sigma/surface_radius_m": 0.3}, "is 0.3"),
    "gain for its error": ({"/sigma/surface_gain_db": 40.0}, "is 40"),
    "speed for its error": ({"/sigma/sound_speed_m_per_s": 343.0}, "is 343"),
    "latency error in us": ({"/sigma/latency_s": 5.0}, "is 5"),
    "frequency in kHz": (TRANSFER | {"/frequency": [0.1, 1.0, 16.0]}, "/frequency ends at 16 Hz: kilohertz"),
    "points in the cabinet": (
        CABINET | {"/loudspeaker/cabinet_size_m": [2.6, 2.6, 2.6]},
        "5 of 5 points lie inside the stated cabinet",
    ),
    "axis origin in mm": (
        {"/loudspeaker/axis_origin_m": [50.0, 80.0, 30.0]},
        "m from the middle of points",
    ),
}


def notices(path: Path) -> tuple[str, ...]:
    session = open_input(path)
    assert isinstance(session, Session)
    return session.notices


@pytest.mark.parametrize("name", DOUBTS)
def test_an_odd_number_is_asked_about(write_scan: WriteScan, name: str) -> None:
    changes, question = DOUBTS[name]

    asked = notices(write_scan(changes))

    assert len(asked) == 1
    assert question in asked[0]


def test_usual_numbers_are_not_asked_about(write_scan: WriteScan) -> None:
    usual = {
        RATE: 44100.0,
        "/impulse_response@start_s": -0.01,
        "/measured_at_s": np.arange(5.0),
        "/air/temperature_c": 19.5,
        "/air/relative_humidity_percent": 45.0,
        "/drive/voltage_v": 0.1,
        "/loudspeaker/rated_impedance_ohm": 4.0,
        "/room/first_reflection_s": np.inf,
        "/sigma/position_m": 0.001,
        "/sigma/latency_s": 1e-6,
        "/loudspeaker/axis_origin_m": [0.0, 0.1, 0.0],
    }

    assert notices(write_scan(usual | CABINET)) == ()


def test_positions_count_in_their_unit(write_scan: WriteScan) -> None:
    """The same points in millimetres are as far from the cabinet as before."""
    positions = 300.0 + 1000.0 * np.random.default_rng(1).random((POINTS, 3))

    assert notices(write_scan(CABINET | {"/positions": positions, "/positions@units": "mm"})) == ()
