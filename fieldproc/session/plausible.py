"""What a scan states that is possible but hardly meant: another unit, a forgotten prefix. Questions, no refusals.

The ranges are our own, from common practice in rooms, and wide: whoever means such a number loses nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.session.contents import Contents
from fieldproc.session.schema import UNITS_PER_METRE


@dataclass(frozen=True, slots=True)
class _Range:
    """Where numbers of a dataset, or of its attribute, are usually found, and what else they may be."""

    path: str
    lowest: float
    highest: float
    question: str
    attribute: str = ""


_SHORT = "milliseconds for seconds?"
_LENGTH = "millimetres for metres?"
_KILOHERTZ = "kilohertz for hertz?"
_RANGES = (
    *(
        _Range(path, 1000.0, 1e7, _KILOHERTZ, "sampling_rate_hz")
        for path in ("/impulse_response", "/drive/reference", "/noise/impulse_response")
    ),
    _Range("/impulse_response", -0.5, 0.5, "milliseconds for seconds, or a latency of the apparatus?", "start_s"),
    _Range("/measured_at_s", 0.0, 1e6, "the time of day for seconds since the scan began?"),
    _Range("/air/sound_speed_m_per_s", 325.0, 362.0, "of another gas, or another place?"),
    _Range("/air/temperature_c", 0.0, 45.0, "degrees Fahrenheit for Celsius?"),
    _Range("/air/relative_humidity_percent", 1.0, 100.0, "a fraction for percent?"),
    _Range("/microphone/sensitivity_v_per_pa", 1e-5, 10.0, "millivolts for volts?"),
    _Range("/loudspeaker/cabinet_size_m", 0.01, 5.0, _LENGTH),
    _Range("/loudspeaker/rated_impedance_ohm", 0.5, 1000.0, "milliohms for ohms?"),
    _Range("/drive/voltage_v", 1e-3, 1000.0, "millivolts for volts?"),
    # a sine of full scale has 0, a square wave 3.01
    _Range("/drive/level_dbfs", -120.0, 3.02, "above full scale?"),
    _Range("/room/first_reflection_s", 0.0, 0.5, _SHORT),
    _Range("/sigma/position_m", 0.0, 0.05, _LENGTH),
    _Range("/sigma/surface_radius_m", 0.0, 0.05, _LENGTH),
    _Range("/sigma/surface_gain_db", 0.0, 6.0, "a level for an uncertainty?"),
    _Range("/sigma/sound_speed_m_per_s", 0.0, 20.0, "a speed for an uncertainty?"),
    _Range("/sigma/latency_s", 0.0, 0.01, _SHORT),
)
# The highest frequency of a response; below, nobody hears.
_HIGHEST_HZ = (20.0, 1e6)
# The axis origin, re the largest distance of a point from the middle of all.
_FARTHEST_ORIGIN = 3.0


def doubts(contents: Contents) -> list[str]:
    """Questions about contents that break no rule."""
    asked = []
    for known in _RANGES:
        values = _values(contents, known)
        odd = values[np.isfinite(values) & ((values < known.lowest) | (values > known.highest))]
        if odd.size:
            name = f"{known.path}@{known.attribute}" if known.attribute else known.path
            usual = f"usual are {known.lowest:g} to {known.highest:g}"
            asked.append(f"{name} is {odd[0]:g}, {usual}: {known.question}")
    frequency_hz = contents.arrays.get("/frequency")
    if frequency_hz is not None and not _HIGHEST_HZ[0] <= frequency_hz[-1] <= _HIGHEST_HZ[1]:
        asked.append(f"/frequency ends at {frequency_hz[-1]:g} Hz: {_KILOHERTZ}")
    return asked + _doubts_of_places(contents)


def _values(contents: Contents, known: _Range) -> Floats:
    if known.attribute:
        stated = contents.attributes.get((known.path, known.attribute))
        return np.array([] if stated is None else [float(stated)])
    return np.asarray(contents.arrays.get(known.path, []), dtype=np.float64).reshape(-1)


def _doubts_of_places(contents: Contents) -> list[str]:
    """Microphones inside the cabinet, and an origin of the axis far from them."""
    asked = []
    positions_m = contents.arrays["/positions"] / UNITS_PER_METRE[contents.text("/positions", "units")]
    size_m = contents.arrays.get("/loudspeaker/cabinet_size_m")
    center_m = contents.arrays.get("/loudspeaker/cabinet_center_m")
    if size_m is not None and center_m is not None:
        inside = np.all(np.abs(positions_m - center_m) < size_m / 2, axis=1)
        if inside.any():
            asked.append(f"{np.count_nonzero(inside)} of {len(inside)} points lie inside the stated cabinet")
    middle_m = (positions_m.min(axis=0) + positions_m.max(axis=0)) / 2
    extent_m = np.max(np.linalg.norm(positions_m - middle_m, axis=1))
    origin_m = contents.arrays.get("/loudspeaker/axis_origin_m", np.zeros(3))
    away_m = float(np.linalg.norm(origin_m - middle_m))
    if away_m > _FARTHEST_ORIGIN * extent_m:
        asked.append(
            f"the axis origin lies {away_m:.3g} m from the middle of points that reach {extent_m:.3g} m: {_LENGTH}"
        )
    return asked
