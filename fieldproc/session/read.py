"""From a scan session file to a ``Session`` in SI units."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fieldproc.conventions import DEFAULT_DRIVE_VOLTAGE_V, Floats
from fieldproc.errors import SessionError
from fieldproc.records import (
    Air,
    Cabinet,
    Drive,
    ImpulseResponses,
    KnownSource,
    Microphone,
    Noise,
    ReferenceAxis,
    Room,
    Session,
    Sigma,
    TransferFunctions,
)
from fieldproc.session.contents import Contents
from fieldproc.session.guard import Source, open_source
from fieldproc.session.rules import response_unit
from fieldproc.session.schema import ROOT_ATTRIBUTES, UNITS_PER_METRE
from fieldproc.session.verify import verify

_OWN_FIELDS = ("schema", "schema_version", "title", "device", "content_sha256")
DESCRIPTIONS = tuple(a.name for a in ROOT_ATTRIBUTES if a.name not in _OWN_FIELDS)


def read_session(path: Path) -> Session:
    """The scan in the file at ``path``.

    Raises ``UsageError`` if there is no such file, ``SessionError`` with every problem of the file.
    """
    with open_source(path) as source:
        return session_from_source(source)


def session_from_source(source: Source) -> Session:
    """As ``read_session``, from an open file."""
    findings = verify(source)
    if findings.problems:
        raise SessionError(str(source.path), findings.problems)
    contents = findings.contents
    points = len(contents.arrays["/positions"])
    response, channels = _response(contents)
    return Session(
        name=source.path.stem,
        title=contents.text("/", "title"),
        device=contents.text("/", "device"),
        attributes={name: contents.text("/", name) for name in DESCRIPTIONS if ("/", name) in contents.attributes},
        positions_m=contents.arrays["/positions"].astype(np.float64)
        / UNITS_PER_METRE[contents.text("/positions", "units")],
        response=response,
        unit=str(response_unit(contents)),
        channel_names=channel_names(channels, contents.arrays.get("/channel")),
        valid=contents.arrays.get("/valid", np.ones(points)).astype(np.bool_),
        surface=contents.arrays.get("/surface", np.full(points, -1)).astype(np.int64),
        axis=_axis(contents),
        air=_air(contents, points),
        microphone=_microphone(contents),
        drive=_drive(contents),
        cabinet=_cabinet(contents),
        rated_impedance_ohm=_number(contents, "/loudspeaker/rated_impedance_ohm"),
        measured_at_s=_floats(contents, "/measured_at_s"),
        noise=_noise(contents),
        room=Room(
            _per_point(contents, "/room/first_reflection_s", points),
            _floats(contents, "/room/reflector_distances_m"),
        ),
        known_source=_known_source(contents),
        sigma=Sigma(**{name: _number(contents, f"/sigma/{name}") for name in Sigma.__dataclass_fields__}),
        sha256=source.sha256,
        integrity=findings.integrity,
        notices=findings.notices,
    )


def channel_names(count: int, stated: object = None) -> tuple[str, ...]:
    """The stated names, or "full range" for one channel and "channel 0", "channel 1", ... for several."""
    if stated is not None:
        return tuple(str(name) for name in np.asarray(stated))
    return ("full range",) if count == 1 else tuple(f"channel {index}" for index in range(count))


def _response(contents: Contents) -> tuple[ImpulseResponses | TransferFunctions, int]:
    path = "/impulse_response"
    if path in contents.arrays:
        values = contents.arrays[path]
        start_s = float(contents.attributes.get((path, "start_s"), 0.0))
        return ImpulseResponses(values, contents.number(path, "sampling_rate_hz"), start_s), len(values)
    values = contents.arrays["/transfer_function"]
    frequency_hz = contents.arrays["/frequency"].astype(np.float64)
    return TransferFunctions(np.ascontiguousarray(np.moveaxis(values, 2, 0)), frequency_hz), len(values)


def _axis(contents: Contents) -> ReferenceAxis:
    stated = {
        "origin_m": _floats(contents, "/loudspeaker/axis_origin_m"),
        "direction": _floats(contents, "/loudspeaker/axis_direction"),
        "up": _floats(contents, "/loudspeaker/up_direction"),
    }
    return ReferenceAxis(**{name: value for name, value in stated.items() if value is not None})


def _air(contents: Contents, points: int) -> Air:
    return Air(
        _per_point(contents, "/air/sound_speed_m_per_s", points),
        _per_point(contents, "/air/temperature_c", points),
        _number(contents, "/air/relative_humidity_percent"),
        _number(contents, "/air/pressure_pa"),
    )


def _microphone(contents: Contents) -> Microphone:
    response = contents.arrays.get("/microphone/response")
    return Microphone(
        _number(contents, "/microphone/sensitivity_v_per_pa"),
        _floats(contents, "/microphone/frequency"),
        None if response is None else response.astype(np.complex128),
    )


def _drive(contents: Contents) -> Drive:
    path = "/drive/reference"
    voltage_v = _number(contents, "/drive/voltage_v")
    return Drive(
        DEFAULT_DRIVE_VOLTAGE_V if voltage_v is None else voltage_v,
        _number(contents, "/drive/level_dbfs"),
        contents.arrays.get(path),
        contents.number(path, "sampling_rate_hz") if path in contents.arrays else None,
    )


def _cabinet(contents: Contents) -> Cabinet | None:
    size_m = _floats(contents, "/loudspeaker/cabinet_size_m")
    center_m = _floats(contents, "/loudspeaker/cabinet_center_m")
    return None if size_m is None or center_m is None else Cabinet(size_m, center_m)


def _noise(contents: Contents) -> Noise | None:
    path = "/noise/impulse_response"
    if path not in contents.arrays:
        return None
    return Noise(contents.arrays[path], contents.number(path, "sampling_rate_hz"))


def _known_source(contents: Contents) -> KnownSource | None:
    position_m = _floats(contents, "/known_source/position_m")
    if position_m is None:
        return None
    return KnownSource(position_m, _number(contents, "/known_source/volume_velocity_m3_per_s_per_v"))


def _floats(contents: Contents, path: str) -> Floats | None:
    array = contents.arrays.get(path)
    return None if array is None else array.astype(np.float64)


def _number(contents: Contents, path: str) -> float | None:
    array = contents.arrays.get(path)
    return None if array is None else float(array[()])


def _per_point(contents: Contents, path: str, points: int) -> Floats | None:
    array = _floats(contents, path)
    return None if array is None else np.broadcast_to(array, (points,)).copy()
