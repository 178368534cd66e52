"""The scan session file as data: which objects there are, their axes, kinds, attributes and limits.

``rules.py`` applies this table; rules that join two objects ("V/V" needs a sensitivity) live there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

SCHEMA = "pressure-scan"
SCHEMA_VERSION = "1.0"

Kind = Literal["float", "complex", "integer", "boolean", "text"]

# Axes whose length is part of their meaning; every other axis takes its length from the file.
FIXED_SIZES = {"xyz": 3, "side": 6}

UNITS_PER_METRE = {"m": 1.0, "cm": 100.0, "mm": 1000.0}
RESPONSE_UNITS = ("Pa/V", "V/V", "Pa/FS")


@dataclass(frozen=True, slots=True)
class Limits:
    """What the values must satisfy; ``None`` = no limit. NaN passes only where there is no limit at all."""

    finite: bool = False
    above: float | None = None
    lowest: float | None = None
    highest: float | None = None
    nonzero: bool = False
    rising: bool = False


ANY = Limits()
FINITE = Limits(finite=True)
POSITIVE = Limits(finite=True, above=0.0)
# inf says "no reflection".
POSITIVE_OR_INFINITE = Limits(above=0.0)
# Of any length, but one whose square is still a number.
DIRECTION = Limits(finite=True, lowest=-1e6, highest=1e6)
NOT_NEGATIVE = Limits(finite=True, lowest=0.0)


@dataclass(frozen=True, slots=True)
class Attribute:
    """An attribute: text (one of ``choices`` if there are any), or a number within ``limits``."""

    name: str
    kind: Literal["text", "float"] = "text"
    required: bool = True
    choices: tuple[str, ...] = ()
    limits: Limits = FINITE


@dataclass(frozen=True, slots=True)
class Object:
    """A dataset. ``shapes`` are the allowed shapes by axis name; an axis name means one size per file."""

    path: str
    shapes: tuple[tuple[str, ...], ...]
    kinds: tuple[Kind, ...] = ("float", "integer")
    limits: Limits = FINITE
    attributes: tuple[Attribute, ...] = ()
    required: bool = False


_SCALAR: tuple[tuple[str, ...], ...] = ((),)
_SCALAR_OR_POINT: tuple[tuple[str, ...], ...] = ((), ("point",))
_XYZ = (("xyz",),)
_RATE = Attribute("sampling_rate_hz", "float", limits=POSITIVE)
_RESPONSE_UNIT = Attribute("units", choices=RESPONSE_UNITS)

ROOT_ATTRIBUTES = (
    Attribute("schema", choices=(SCHEMA,)),
    Attribute("schema_version", choices=(SCHEMA_VERSION,)),
    Attribute("title"),
    Attribute("device"),
    Attribute("started", required=False),
    Attribute("operator", required=False),
    Attribute("comment", required=False),
    Attribute("author", required=False),
    Attribute("organization", required=False),
    Attribute("manufacturer", required=False),
    Attribute("license", required=False),
    Attribute("content_sha256", required=False),
)

# Facts may be whole numbers; positions and responses may not: integers there are metres cut short or raw
# converter counts. Order matters: where two objects disagree on a size, the earlier one is believed.
OBJECTS = (
    Object(
        "/positions",
        (("point", "xyz"),),
        ("float",),
        attributes=(Attribute("units", choices=tuple(UNITS_PER_METRE)),),
        required=True,
    ),
    Object(
        "/impulse_response",
        (("channel", "point", "sample"),),
        ("float",),
        ANY,
        (_RESPONSE_UNIT, _RATE, Attribute("start_s", "float", required=False)),
    ),
    Object("/transfer_function", (("channel", "point", "frequency"),), ("complex",), ANY, (_RESPONSE_UNIT,)),
    Object("/frequency", (("frequency",),), limits=Limits(finite=True, above=0.0, rising=True)),
    Object("/channel", (("channel",),), ("text",), ANY),
    Object("/valid", (("point",),), ("boolean", "integer"), Limits(lowest=0, highest=1)),
    Object("/surface", (("point",),), ("integer",), Limits(lowest=0)),
    Object("/measured_at_s", (("point",),)),
    # The ranges of air catch kelvin, hectopascal, and millimetres per second.
    Object("/air/sound_speed_m_per_s", _SCALAR_OR_POINT, limits=Limits(lowest=250.0, highest=450.0)),
    Object("/air/temperature_c", _SCALAR_OR_POINT, limits=Limits(lowest=-50.0, highest=70.0)),
    Object("/air/relative_humidity_percent", _SCALAR, limits=Limits(lowest=0.0, highest=100.0)),
    Object("/air/pressure_pa", _SCALAR, limits=Limits(lowest=30e3, highest=120e3)),
    Object("/microphone/sensitivity_v_per_pa", _SCALAR, limits=POSITIVE),
    Object(
        "/microphone/frequency",
        (("microphone frequency",),),
        limits=Limits(finite=True, lowest=0.0, rising=True),
    ),
    # Recordings are divided by the response.
    Object(
        "/microphone/response",
        (("microphone frequency",),),
        ("complex",),
        Limits(finite=True, nonzero=True),
    ),
    Object("/loudspeaker/axis_origin_m", _XYZ),
    Object("/loudspeaker/axis_direction", _XYZ, limits=DIRECTION),
    Object("/loudspeaker/up_direction", _XYZ, limits=DIRECTION),
    Object("/loudspeaker/cabinet_size_m", _XYZ, limits=POSITIVE),
    Object("/loudspeaker/cabinet_center_m", _XYZ),
    Object("/loudspeaker/rated_impedance_ohm", _SCALAR, limits=POSITIVE),
    Object("/drive/voltage_v", _SCALAR, limits=POSITIVE),
    Object("/drive/level_dbfs", _SCALAR),
    Object("/drive/reference", (("point", "reference sample"),), ("float",), ANY, (_RATE,)),
    Object(
        "/noise/impulse_response",
        (("channel", "noise record", "noise sample"),),
        ("float",),
        ANY,
        (_RESPONSE_UNIT, _RATE),
    ),
    Object("/room/first_reflection_s", _SCALAR_OR_POINT, limits=POSITIVE_OR_INFINITE),
    Object("/room/reflector_distances_m", (("side",),), limits=POSITIVE_OR_INFINITE),
    Object("/known_source/position_m", _XYZ),
    Object("/known_source/volume_velocity_m3_per_s_per_v", _SCALAR, limits=Limits(finite=True, nonzero=True)),
    Object("/sigma/position_m", _SCALAR, limits=NOT_NEGATIVE),
    Object("/sigma/surface_gain_db", _SCALAR, limits=NOT_NEGATIVE),
    Object("/sigma/surface_radius_m", _SCALAR, limits=NOT_NEGATIVE),
    Object("/sigma/sound_speed_m_per_s", _SCALAR, limits=NOT_NEGATIVE),
    Object("/sigma/latency_s", _SCALAR, limits=NOT_NEGATIVE),
)

# Reserved for measurements that go with a scan: never reported as unknown.
RESERVED = ("/companion",)
