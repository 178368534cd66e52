"""AES69 files as sessions or far fields.

A loudspeaker measured at many microphone positions is stored in AES69 as GeneralFIR, GeneralFIR-E or
GeneralTF: these become a ``Session``. FreeFieldDirectivityTF, and GeneralTF files that hold magnitudes
only, describe a finished far field: these become a ``FarField``.

Source: AES69-2022, "AES standard for file exchange - Spatial acoustic data file format". Its dimensions:
M measurements, R receivers, N samples or frequencies, E emitters, C coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Floats, output_axes
from fieldproc.errors import Problem, SessionError
from fieldproc.records import FarField, ImpulseResponses, ReferenceAxis, Session, TransferFunctions
from fieldproc.session.aes69_facts import StatedFacts
from fieldproc.session.aes69_items import Items
from fieldproc.session.contents import printable
from fieldproc.session.guard import Refusal, Source, read_attribute
from fieldproc.session.read import channel_names
from fieldproc.session.schema import ANY, FINITE, POSITIVE, Limits

_IMPULSES = ("GeneralFIR", "GeneralFIR-E", "GeneralFIRE")  # the last is an earlier spelling
_TRANSFERS = ("GeneralTF", "FreeFieldDirectivityTF")
_RELATIVE = "the file states no unit of pressure per volt: levels are relative (uncalibrated)"
_DESCRIPTIONS = {
    "AuthorContact": "author",
    "Organization": "organization",
    "SourceManufacturer": "manufacturer",
    "License": "license",
    "Comment": "comment",
}


@dataclass(frozen=True, slots=True)
class _Data:
    """``values`` (measurement, receiver, bin, emitter) and what their bins are."""

    values: NDArray[Any]
    calibrated: bool
    frequency_hz: Floats | None = None
    sampling_rate_hz: float = np.nan
    start_s: float = 0.0


@dataclass(frozen=True, slots=True)
class _Geometry:
    """Microphone positions (measurement or 1, receiver, 3), what they are around, and the axis; in metres."""

    positions_m: Floats
    listeners_m: Floats
    axis: ReferenceAxis
    notices: tuple[str, ...]


def is_aes69(source: Source) -> bool:
    """Does the file call itself an AES69 file?"""
    try:
        return read_attribute(source, "/", "Conventions") == "SOFA"
    except Refusal:
        return False


def read_aes69(source: Source) -> Session | FarField:
    """The content of an AES69 file. Raises ``SessionError`` with every problem found."""
    convention = Items(source).text("/", "SOFAConventions")
    if convention not in _IMPULSES + _TRANSFERS:
        problem = Problem(
            "/@SOFAConventions",
            f'"{printable(convention)}"',
            "GeneralFIR, GeneralFIR-E, GeneralTF or FreeFieldDirectivityTF",
            "convert the file to one of these conventions",
        )
        raise SessionError(str(source.path), [problem])
    items = Items(source)
    data = _impulse_data(items) if convention in _IMPULSES else _transfer_data(items)
    geometry = _geometry(items, data)
    items.stop_if_wrong()
    # A file of magnitudes fills the imaginary part with zeros; bands without data are nan in either.
    magnitudes = data.frequency_hz is not None and not np.any(
        (np.nan_to_num(data.values.imag) != 0) | (data.values.real < 0)
    )
    if convention == "FreeFieldDirectivityTF" or magnitudes:
        return _far_field(items, data, geometry, phase_known=not magnitudes)
    return _session(items, data, geometry)


def _impulse_data(items: Items) -> _Data:
    values = items.numbers("/Data.IR", (3, 4), ANY)
    rate_hz = items.numbers("/Data.SamplingRate", (1, 2), POSITIVE)
    delay = items.numbers("/Data.Delay", (2, 3), FINITE, optional=True)
    _require_hertz(items, "/Data.SamplingRate")
    # One clock and one start for all records: a session has no more.
    for path, numbers in (("/Data.SamplingRate", rate_hz), ("/Data.Delay", delay)):
        items.require(np.ptp(numbers) == 0 if numbers.size else True, path, "several values", "one for all")
    items.stop_if_wrong()
    start_s = float(delay.flat[0] / rate_hz.flat[0]) if delay.size else 0.0
    return _Data(
        values.reshape(*values.shape[:3], -1),
        items.text("/Data.IR", "Units") == "Pa/V",
        sampling_rate_hz=float(rate_hz.flat[0]),
        start_s=start_s,
    )


def _transfer_data(items: Items) -> _Data:
    real = items.numbers("/Data.Real", (3,), ANY)
    imaginary = items.numbers("/Data.Imag", (3,), ANY)
    frequency_hz = items.numbers("/N", (1,), Limits(finite=True, above=0.0, rising=True))
    _require_hertz(items, "/N")
    items.stop_if_wrong()
    shape = real.shape
    items.require(imaginary.shape == shape, "/Data.Imag", f"shape {imaginary.shape}", f"{shape}, as Data.Real")
    items.require(
        len(frequency_hz) == shape[2], "/N", f"{len(frequency_hz)} frequencies", f"{shape[2]}, as Data.Real"
    )
    items.stop_if_wrong()
    values = np.empty(shape, dtype=np.complex128)
    values.real, values.imag = real, imaginary
    return _Data(values[..., None], items.text("/Data.Real", "Units") == "Pa/V", frequency_hz)


def _require_hertz(items: Items, path: str) -> None:
    units = items.text(path, "Units")
    right = units.lower() in ("hertz", "hz") or not items.exists(path)
    items.require(right, f"{path}@Units", f'"{printable(units)}"', '"hertz"')


def _geometry(items: Items, data: _Data) -> _Geometry:
    """Microphones and loudspeaker in the frame of the file.

    Receivers are given relative to the listener, in axes set by its view and up direction; the listener
    may move from measurement to measurement, the loudspeaker may not.
    """
    measurements, receivers = data.values.shape[:2]
    receiver = items.vectors("/ReceiverPosition", FINITE)
    listener = items.vectors("/ListenerPosition", FINITE)
    source = items.vectors("/SourcePosition", FINITE)
    listener_axes = _views(items, "/Listener")
    source_axes = _views(items, "/Source")
    present = items.exists("/ReceiverPosition")
    items.require(present, "/ReceiverPosition", "no positions", "the microphone positions")
    items.stop_if_wrong()
    items.require(
        len(receiver) == receivers,
        "/ReceiverPosition",
        f"{len(receiver)} receivers",
        f"{receivers}, as the data",
    )
    moving = {"/ReceiverPosition": receiver.shape[2], "/ListenerView": len(listener_axes)}
    if listener.size:
        moving["/ListenerPosition"] = len(listener)
    for path, count in moving.items():
        items.require(count in (1, measurements), path, f"{count} measurements", f"1 or {measurements}")
    for path, states in (("/SourcePosition", source), ("/SourceView", source_axes)):
        fixed = states.size == 0 or not np.any(np.ptp(states, axis=0))
        items.require(fixed, path, "a loudspeaker that moves or turns", "one fixed loudspeaker")
    items.stop_if_wrong()
    offsets_m = np.moveaxis(receiver, 2, 0) @ listener_axes
    listeners_m = listener[:, None, :, 0] if listener.size else np.zeros((1, 1, 3))
    origin_m = source[0, :, 0] if source.size else np.zeros(3)
    notice = "the file states no SourceView: the loudspeaker is taken to face x, z up"
    return _Geometry(
        listeners_m + offsets_m,
        listeners_m[:, 0],
        ReferenceAxis(origin_m, source_axes[0, 0], source_axes[0, 2]),
        () if items.exists("/SourceView") else (notice,),
    )


def _views(items: Items, owner: str) -> Floats:
    """Rotation matrices (measurement or 1, 3, 3) whose rows are the owner's axes x', y', z'."""
    view_path = f"{owner}View"
    view = items.vectors(view_path, FINITE, like=view_path)
    up = items.vectors(f"{owner}Up", FINITE, like=view_path)
    fronts = view[..., 0] if view.size else np.array([[1.0, 0.0, 0.0]])
    tops = up[..., 0] if up.size else np.array([[0.0, 0.0, 1.0]])
    count = max(len(fronts), len(tops))
    if {len(fronts), len(tops)} <= {1, count}:
        fronts, tops = np.broadcast_to(fronts, (count, 3)), np.broadcast_to(tops, (count, 3))
        try:
            return np.array([output_axes(front, top) for front, top in zip(fronts, tops, strict=True)])
        except ValueError as error:
            items.require(False, view_path, str(error), "directions that are not parallel")
    else:
        items.require(False, view_path, f"{len(fronts)} views, {len(tops)} up directions", "as many of both")
    return np.eye(3)[None]


def _by_channel(data: _Data, geometry: _Geometry) -> tuple[NDArray[Any], Floats]:
    """Values (channel, point, bin) and positions (point, 3).

    Where microphones move, measurements are further points; else they are channels, as emitters are.
    """
    measurements, receivers, bins, emitters = data.values.shape
    positions_m = geometry.positions_m
    if np.any(np.ptp(positions_m, axis=0)):
        values = np.moveaxis(data.values, 3, 0).reshape(emitters, measurements * receivers, bins)
        return values, positions_m.reshape(-1, 3)
    values = np.moveaxis(data.values, 3, 1).reshape(measurements * emitters, receivers, bins)
    return values, positions_m[0]


def _names(items: Items, count: int) -> tuple[str, ...]:
    stated = items.emitter_names()
    return channel_names(count, stated if len(stated) == count and all(stated) else None)


def _session(items: Items, data: _Data, geometry: _Geometry) -> Session:
    values, positions_m = _by_channel(data, geometry)
    response: ImpulseResponses | TransferFunctions
    if data.frequency_hz is None:
        response = ImpulseResponses(values, data.sampling_rate_hz, data.start_s)
    else:
        response = TransferFunctions(np.ascontiguousarray(np.moveaxis(values, 2, 0)), data.frequency_hz)
    title = items.text("/", "Title") or "untitled"
    described = {ours: items.text("/", theirs) for theirs, ours in _DESCRIPTIONS.items()}
    return Session(
        name=items.source.path.stem,
        title=title,
        device=items.text("/", "SourceType") or title,
        attributes={name: text for name, text in described.items() if text},
        positions_m=positions_m,
        response=response,
        unit="Pa/V",
        channel_names=_names(items, len(values)),
        valid=np.ones(len(positions_m), dtype=np.bool_),
        surface=np.full(len(positions_m), -1),
        axis=geometry.axis,
        calibrated=data.calibrated,
        sha256=items.source.sha256,
        notices=geometry.notices + (() if data.calibrated else (_RELATIVE,)),
    )


def _far_field(items: Items, data: _Data, geometry: _Geometry, *, phase_known: bool) -> FarField:
    values, positions_m = _by_channel(data, geometry)
    # Receivers all around one listener place: the directions are theirs, and what the file gives as the
    # place of the source need not be their centre.
    one_place = len(geometry.listeners_m) == 1 and len(positions_m) > 1
    center_m = geometry.listeners_m[0] if one_place else geometry.axis.origin_m
    offsets_m = positions_m - center_m
    distance_m = np.linalg.norm(offsets_m, axis=1)
    items.require(bool(np.all(distance_m > 0)), "/ReceiverPosition", "a receiver in the loudspeaker", "directions")
    items.stop_if_wrong()
    assert data.frequency_hz is not None
    directions = offsets_m / distance_m[:, None]
    stated = StatedFacts(items)
    drive = {"drive_voltage_v": stated.positive("DriveVoltage"), "drive_level_dbfs": stated.finite("DriveLevel")}
    calibrated = stated.yes("Calibrated", default=False)
    power_w = stated.sound_power_w(len(data.frequency_hz), len(values))
    verdict = stated.verdict(len(data.frequency_hz), len(values))
    items.stop_if_wrong()
    return FarField(
        frequency_hz=data.frequency_hz,
        directions=directions @ output_axes(geometry.axis.direction, geometry.axis.up).T,
        pressure_pa=np.ascontiguousarray(np.moveaxis(values, 2, 0)),
        sound_power_w=power_w,
        verdict=verdict,
        distance_m=stated.length("FieldDistance", np.inf),
        reference_distance_m=stated.length("ReferenceDistance", 1.0),
        channel_names=_names(items, len(values)),
        phase_known=stated.yes("PhaseKnown", default=phase_known),
        air_density_kg_per_m3=stated.positive("AirDensity"),
        sound_speed_m_per_s=stated.positive("SoundSpeed"),
        sha256=items.source.sha256,
        notices=(*geometry.notices, *(() if calibrated else (_RELATIVE,)), *stated.notices),
        facts={
            "calibrated": int(calibrated),
            **{name: value for name, value in drive.items() if not np.isnan(value)},
        },
    )
