"""From a ``Session`` to a scan session file whose every byte is covered by a checksum."""

from __future__ import annotations

import io
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from h5py import h5d, h5p, h5s, h5t
from numpy.typing import NDArray

from fieldproc.errors import OutputError, SessionError
from fieldproc.records import ImpulseResponses, Session
from fieldproc.session.contents import Contents, content_digest
from fieldproc.session.read import DESCRIPTIONS
from fieldproc.session.rules import find_problems
from fieldproc.session.schema import SCHEMA, SCHEMA_VERSION

# Object headers and chunk indices of this format version carry checksums; HDF5 1.10 and later read it.
_FORMAT = ("v110", "v110")
# Below this, compression saves less than its own bookkeeping.
_COMPRESS_FROM_BYTES = 16384

# Values and attributes of a measurement that goes with the scan.
Companion = tuple[NDArray[Any], Mapping[str, str | float]]


def write_session(session: Session, path: Path, companions: Mapping[str, Companion] | None = None) -> None:
    """Write a scan session file; the same session gives the same bytes.

    ``companions`` go to ``/companion/NAME``; readers of a scan leave them alone, so the content digest leaves them
    out: their bytes have checksums of their own. The file appears under its name complete or not at all. Raises
    ``SessionError`` for a session that no reader would accept, ``OutputError`` if the file cannot be written.
    """
    contents = _contents(session)
    problems = find_problems(contents, set())
    if problems:
        raise SessionError(str(path), problems)
    contents.attributes["/", "content_sha256"] = content_digest(contents)
    for name, (values, attributes) in (companions or {}).items():
        contents.arrays[f"/companion/{name}"] = values
        contents.attributes |= {(f"/companion/{name}", key): value for key, value in attributes.items()}
    _replace_file(path, hdf5_bytes(contents))


def _contents(session: Session) -> Contents:
    response = session.response
    items: dict[str, Any] = {
        "/positions": session.positions_m,
        "/channel": np.array(session.channel_names, dtype=np.str_),
        "/valid": session.valid,
        "/surface": None if np.all(session.surface == -1) else session.surface,
        "/measured_at_s": session.measured_at_s,
        "/air/sound_speed_m_per_s": session.air.sound_speed_m_per_s,
        "/air/temperature_c": session.air.temperature_c,
        "/air/relative_humidity_percent": session.air.relative_humidity_percent,
        "/air/pressure_pa": session.air.pressure_pa,
        "/microphone/sensitivity_v_per_pa": session.microphone.sensitivity_v_per_pa,
        "/microphone/frequency": session.microphone.frequency_hz,
        "/microphone/response": session.microphone.response,
        "/loudspeaker/axis_origin_m": session.axis.origin_m,
        "/loudspeaker/axis_direction": session.axis.direction,
        "/loudspeaker/up_direction": session.axis.up,
        "/loudspeaker/cabinet_size_m": session.cabinet and session.cabinet.size_m,
        "/loudspeaker/cabinet_center_m": session.cabinet and session.cabinet.center_m,
        "/loudspeaker/rated_impedance_ohm": session.rated_impedance_ohm,
        "/drive/voltage_v": session.drive.voltage_v,
        "/drive/level_dbfs": session.drive.level_dbfs,
        "/drive/reference": session.drive.reference,
        "/noise/impulse_response": session.noise and session.noise.values,
        "/room/first_reflection_s": session.room.first_reflection_s,
        "/room/reflector_distances_m": session.room.reflector_distances_m,
        "/known_source/position_m": session.known_source and session.known_source.position_m,
        "/known_source/volume_velocity_m3_per_s_per_v": session.known_source
        and session.known_source.volume_velocity_m3_per_s_per_v,
    }
    items |= {f"/sigma/{name}": getattr(session.sigma, name) for name in session.sigma.__dataclass_fields__}
    if isinstance(response, ImpulseResponses):
        items["/impulse_response"] = response.values
    else:
        items["/transfer_function"] = np.ascontiguousarray(np.moveaxis(response.values, 0, 2))
        items["/frequency"] = response.frequency_hz
    arrays = {path: np.asarray(value) for path, value in items.items() if value is not None}
    return Contents(arrays, _attributes(session))


def _attributes(session: Session) -> dict[tuple[str, str], str | float]:
    attributes: dict[tuple[str, str], str | float] = {
        ("/", "schema"): SCHEMA,
        ("/", "schema_version"): SCHEMA_VERSION,
        ("/", "title"): session.title,
        ("/", "device"): session.device,
        ("/positions", "units"): "m",
    }
    attributes |= {("/", name): session.attributes[name] for name in DESCRIPTIONS if name in session.attributes}
    if isinstance(session.response, ImpulseResponses):
        attributes["/impulse_response", "units"] = session.unit
        attributes["/impulse_response", "sampling_rate_hz"] = session.response.sampling_rate_hz
        attributes["/impulse_response", "start_s"] = session.response.start_s
    else:
        attributes["/transfer_function", "units"] = session.unit
    if session.noise:
        attributes["/noise/impulse_response", "units"] = session.unit
        attributes["/noise/impulse_response", "sampling_rate_hz"] = session.noise.sampling_rate_hz
    if session.drive.reference_sampling_rate_hz is not None:
        attributes["/drive/reference", "sampling_rate_hz"] = session.drive.reference_sampling_rate_hz
    return attributes


def hdf5_bytes(contents: Contents) -> memoryview:
    """The file in memory: writing HDF5 straight to a full disk can end in a crash of the library."""
    stream = io.BytesIO()
    with h5py.File(stream, "w", libver=_FORMAT) as file:
        for path, array in sorted(contents.arrays.items()):
            _create_dataset(file, path, array)
        for (path, name), value in sorted(contents.attributes.items()):
            file[path].attrs[name] = _fixed_text(np.array(value)) if isinstance(value, str) else value
    return stream.getbuffer()


def _create_dataset(file: h5py.File, path: str, array: NDArray[Any]) -> None:
    if array.dtype.kind == "U":
        array = _fixed_text(array)
    if array.ndim:
        big = array.nbytes >= _COMPRESS_FROM_BYTES
        packing = {"compression": "gzip", "compression_opts": 1, "shuffle": True} if big else {}
        file.create_dataset(path, data=array, chunks=True, fletcher32=True, **packing)
        return
    # A single value cannot be chunked and so bears no Fletcher-32; inside the object header it shares
    # the header's checksum.
    group, _, name = path.rpartition("/")
    plan = h5p.create(h5p.DATASET_CREATE)
    plan.set_layout(h5d.COMPACT)
    plan.set_obj_track_times(False)
    owner = file.require_group(group or "/").id
    space = h5s.create(h5s.SCALAR)
    dataset = h5d.create(owner, name.encode(), h5t.py_create(array.dtype, logical=True), space, plan)
    dataset.write(space, space, np.ascontiguousarray(array))


def _fixed_text(texts: NDArray[Any]) -> NDArray[Any]:
    encoded = [str(text).encode() for text in texts.reshape(-1)]
    length = max(1, *map(len, encoded)) if encoded else 1
    return np.array(encoded, dtype=h5py.string_dtype("utf-8", length)).reshape(texts.shape)


def _replace_file(path: Path, data: memoryview) -> None:
    """As results are written: beside, to the disk, then renamed. A file is replaced; a link or a device is not."""
    # a fixed name, so that the next writer of the same file removes what a killed one left
    temporary = path.parent / f".{path.name}.fieldproc-tmp"
    try:
        if path.is_symlink() or (path.exists() and not path.is_file()):
            raise OutputError(f"{path}: exists and is not a file; choose another name")
        temporary.unlink(missing_ok=True)
        try:
            with open(temporary, "xb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(temporary, path)
        except BaseException:
            with suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror})") from error


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
