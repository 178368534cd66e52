"""The field file: coefficients, orders, origin and quality, enough to compute any direction later.

HDF5 with checksummed object headers, Fletcher-32 on every dataset and fixed-length text only, so that a
flipped bit is an error and not another number. One schema, below, serves the writer and the reader.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from fieldproc.child import reading
from fieldproc.errors import Problem, SessionError, UsageError
from fieldproc.records import AnyComplexes, Deviations, Expansion, Measures, Quality, ReferenceAxis

SCHEMA = "spherical-field"
SCHEMA_VERSION = "1.0"

Context = Mapping[str, str | float]

# Larger than any field this package writes; a declared size beyond it is damage.
_MAX_DATASET_BYTES = 1 << 30
_MAX_TEXT_BYTES = 1 << 16
_CHUNK_BYTES = 1 << 20

_SCALARS = ("sound_speed_m_per_s", "air_density_kg_per_m3", "source_radius_m")
_TEXTS = ("channel_names", "notices")
# Errors that the coefficients may have, all frequencies side by side, and how many coefficients each has (0: no fit).
_DEVIATIONS, _COUNTS, _CAUSES, _DRAWS = (f"deviations/{name}" for name in ("outgoing", "counts", "causes", "draws"))
# What they may take; of more, some of the vectors drawn at random are left out.
_MOST_DEVIATION_BYTES = 200_000_000
_COMPLEX = {"outgoing", "regular"}
# Nothing in them where not known.
_OPTIONAL = {"absorption_db_per_m": (0,), "points_m": (0, 3)}
_INTEGER = {"outgoing_order", "regular_order", "quality/verdict", "measures/surface", "measures/forbidden"}
_REBUILD = "run the session again"


def field_bytes(expansion: Expansion, axis: ReferenceAxis, context: Context) -> bytes:
    """The HDF5 file as bytes; the same input gives the same bytes. ``context`` holds what the caller wants
    to know later (drive voltage, session hash): text and finite or non-finite floats."""
    buffer = io.BytesIO()
    with h5py.File(buffer, "w", libver=("v110", "v110")) as file:
        _write_attribute(file, "schema", SCHEMA)
        _write_attribute(file, "schema_version", SCHEMA_VERSION)
        for name in _SCALARS:
            _write_attribute(file, name, float(getattr(expansion, name)))
        for path, owner, name in _arrays(expansion, expansion.quality, axis):
            value = getattr(owner, name)
            known = np.empty(_OPTIONAL[path]) if path in _OPTIONAL and value is None else value
            _write_array(file, path, np.asarray(known, dtype=_dtype(path)))
        for name in _TEXTS:
            _write_array(file, name, _text_array(getattr(expansion, name)))
        if expansion.measures is not None:
            for name in Measures.AXES:
                path = f"measures/{name}"
                _write_array(file, path, np.asarray(getattr(expansion.measures, name), dtype=_dtype(path)))
        if expansion.deviations is not None:
            _write_deviations(file, expansion.deviations)
        group = file.create_group("context")
        for key, value in sorted(context.items()):
            _write_attribute(group, key, value)
    return buffer.getvalue()


def read_field(path: Path) -> tuple[Expansion, ReferenceAxis, dict[str, str | float]]:
    """Expansion, axis and context of a field file, equal to what was written.

    Raises ``UsageError`` if there is no such file, ``SessionError`` with all problems if it is not a whole
    and sound field file.
    """
    if not path.is_file():
        raise UsageError(f"{path}: no such file; give the field.h5 of a result folder")
    problems: list[Problem] = []
    try:
        # Through a file object the library has no folder in which to look for other files.
        with reading(path), path.open("rb") as stream, h5py.File(stream, "r") as file:
            values = _read_all(file, problems)
    except (OSError, RuntimeError, TypeError, ValueError, KeyError) as error:
        problems.append(Problem("file", f"unreadable HDF5 ({error})", "an undamaged field file", _REBUILD))
    if problems:
        raise SessionError(str(path), problems)
    try:
        return _records(values)
    except ValueError as error:
        problem = Problem("datasets", str(error), "sizes that agree", _REBUILD)
        raise SessionError(str(path), [problem]) from error


def _write_deviations(file: h5py.File, deviations: Deviations) -> None:
    vectors = deviations.draws + len(deviations.causes)
    rows = [np.pad(own, ((0, 0), (0, vectors - own.shape[1]), (0, 0))) for own in deviations.outgoing]
    whole = np.concatenate(rows, axis=2).astype(np.complex64)
    held = _MOST_DEVIATION_BYTES // max(whole.nbytes // vectors, 1)
    draws = min(deviations.draws, max(1, held - len(deviations.causes)))
    kept = np.r_[np.arange(draws), np.arange(deviations.draws, vectors)]
    _write_array(file, _DEVIATIONS, np.moveaxis(whole[:, kept], 2, 0))
    _write_array(file, _COUNTS, np.array([row.shape[2] for row in rows], dtype=np.int64))
    _write_array(file, _CAUSES, _text_array(deviations.causes))
    _write_array(file, _DRAWS, np.array([draws], dtype=np.int64))


def _deviations(values: Mapping[str, Any]) -> Deviations | None:
    """What was written; ``ValueError`` where sizes disagree."""
    if values.get(_DEVIATIONS) is None:
        return None
    stored, counts, draws = values[_DEVIATIONS], values[_COUNTS], values[_DRAWS]
    if draws.shape != (1,) or draws[0] < 1:
        raise ValueError(f"{_DRAWS} {draws.tolist()}, not one number of vectors")
    frequencies, channels, columns = values["outgoing"].shape
    degrees = np.round(np.sqrt(np.maximum(counts, 0))).astype(np.int64)
    if counts.shape != (frequencies,) or np.any(degrees**2 != counts) or counts.max(initial=0) > columns:
        raise ValueError(f"{_COUNTS} {counts.shape}, not {frequencies} squares of at most {columns}")
    expected = (int(counts.sum()), channels, int(draws[0]) + len(values[_CAUSES]))
    if stored.shape != expected:
        raise ValueError(f"{_DEVIATIONS} of shape {stored.shape}, which should be {expected}")
    whole = np.moveaxis(stored, 0, 2)
    rows = np.split(whole, np.cumsum(counts)[:-1], axis=2)
    outgoing: tuple[AnyComplexes, ...] = tuple(row if row.shape[2] else row[:, :0] for row in rows)
    return Deviations(outgoing, tuple(row[:, :, :0] for row in outgoing), int(draws[0]), values[_CAUSES])


def _arrays(expansion: object, quality: object, axis: object) -> Iterator[tuple[str, object, str]]:
    """Path in the file, owner and attribute name of every numeric array."""
    for prefix, record, owner in (
        ("", Expansion, expansion),
        ("quality/", Quality, quality),
        ("axis/", ReferenceAxis, axis),
    ):
        for name in record.AXES:
            yield prefix + name, owner, name


def _dtype(path: str) -> np.dtype[Any]:
    if path in _COMPLEX:
        return np.dtype(np.complex128)
    return np.dtype(np.int64 if path in _INTEGER else np.float64)


def _write_array(file: h5py.File, path: str, array: np.ndarray[Any, Any]) -> None:
    if array.size == 0:  # no chunk has zero size, and nothing needs no checksum
        file.create_dataset(path, data=array, track_times=False)
        return
    row_bytes = array.nbytes // array.shape[0]
    rows = min(array.shape[0], max(1, _CHUNK_BYTES // row_bytes))
    file.create_dataset(path, data=array, chunks=(rows, *array.shape[1:]), fletcher32=True, track_times=False)


def _text_array(texts: tuple[str, ...]) -> np.ndarray[Any, Any]:
    encoded = [text.encode() for text in texts]
    length = max([1, *map(len, encoded)])
    return np.array(encoded, dtype=h5py.string_dtype("utf-8", length))


def _write_attribute(owner: h5py.Group, name: str, value: str | float) -> None:
    if isinstance(value, str):
        encoded = value.encode()
        owner.attrs.create(name, encoded, dtype=h5py.string_dtype("utf-8", max(1, len(encoded))))
    else:
        owner.attrs.create(name, float(value), dtype=np.float64)


def _read_all(file: h5py.File, problems: list[Problem]) -> dict[str, Any]:
    """Everything the schema names, by path; what is missing or wrong goes to ``problems``."""
    found = {name: _read_attribute(file, name, problems) for name in ("schema", "schema_version")}
    if problems:
        return {}
    if found != {"schema": SCHEMA, "schema_version": SCHEMA_VERSION}:
        problems.append(
            Problem(
                "attributes schema, schema_version",
                f"{found['schema']} {found['schema_version']}",
                f"{SCHEMA} {SCHEMA_VERSION}",
                "give the field.h5 of a result folder that this version wrote",
            )
        )
        return {}
    values: dict[str, Any] = {name: _read_attribute(file, name, problems) for name in _SCALARS}
    for path, _, _ in _arrays(None, None, None):
        values[path] = _read_array(file, path, _dtype(path), problems)
    for name in _TEXTS:
        values[name] = _read_array(file, name, None, problems)
    if "measures" in file:
        for path in (f"measures/{name}" for name in Measures.AXES):
            values[path] = _read_array(file, path, _dtype(path), problems)
    if "deviations" in file:
        for path, dtype in (
            (_DEVIATIONS, np.dtype(np.complex64)),
            (_COUNTS, np.dtype(np.int64)),
            (_DRAWS, np.dtype(np.int64)),
        ):
            values[path] = _read_array(file, path, dtype, problems)
        values[_CAUSES] = _read_array(file, _CAUSES, None, problems)
    if "context" in file and _is_plain(file, "context"):
        context = file["context"]
        values["context"] = {key: _read_attribute(context, key, problems) for key in context.attrs}
    else:
        problems.append(Problem("context", "no such group", "a group", _REBUILD))
    return values


def _read_attribute(owner: h5py.Group, name: str, problems: list[Problem]) -> Any:
    if name not in owner.attrs:
        problems.append(Problem(f"attribute {name}", "nothing", "a scalar", _REBUILD))
        return None
    attribute = owner.attrs.get_id(name)
    # The type is looked at before anything is read: variable-length text can hang the library.
    stored = attribute.get_type()
    text = _is_fixed_text(stored)
    if attribute.shape != () or not (text or stored.equal(h5py.h5t.py_create(np.dtype(np.float64)))):
        problems.append(Problem(f"attribute {name}", "another type", "float64 or fixed-length text", _REBUILD))
        return None
    value = owner.attrs[name]
    return _decode(value) if text else float(value)


def _read_array(
    file: h5py.File, path: str, dtype: np.dtype[Any] | None, problems: list[Problem]
) -> np.ndarray[Any, Any] | tuple[str, ...] | None:
    """A numeric array of exactly ``dtype``, or texts where it is ``None``."""
    required = "fixed-length text" if dtype is None else str(dtype)
    if not _is_plain(file, path) or not isinstance(file[path], h5py.Dataset):
        problems.append(Problem(path, "no such dataset", f"a dataset of {required}", _REBUILD))
        return None
    dataset = file[path]
    # The stored type is compared before numpy sees it: some that h5py maps to the same dtype crash it.
    stored = dataset.id.get_type()
    sound = _is_fixed_text(stored) if dtype is None else stored.equal(h5py.h5t.py_create(dtype))
    size = math.prod(dataset.shape) * stored.get_size() if sound else 0
    if not sound or dataset.is_virtual or dataset.external or size > _MAX_DATASET_BYTES:
        found = f"{size} bytes" if sound else "another type"
        limits = f"{required} of at most {_MAX_DATASET_BYTES} bytes, stored in this file"
        problems.append(Problem(path, found, limits, _REBUILD))
        return None
    filters = dataset.id.get_create_plist().get_nfilters()
    if size and not (dataset.fletcher32 and filters == 1 and dataset.id.get_storage_size() >= size):
        problems.append(Problem(path, "no checksum, or parts missing", "Fletcher-32 throughout", _REBUILD))
        return None
    try:
        array: np.ndarray[Any, Any] = dataset[()]
    except OSError as error:
        problems.append(Problem(path, f"damaged data ({error})", "data that match their checksum", _REBUILD))
        return None
    return array if dtype is not None else tuple(_decode(text) for text in array.tolist())


def _is_fixed_text(stored: h5py.h5t.TypeID) -> bool:
    return (
        stored.get_class() == h5py.h5t.STRING
        and not stored.is_variable_str()
        and stored.get_size() <= _MAX_TEXT_BYTES
    )


def _is_plain(file: h5py.File, path: str) -> bool:
    """Is every step of the path a hard link, inside this file?"""
    steps = path.split("/")
    return all(
        isinstance(file.get("/".join(steps[: depth + 1]), getlink=True), h5py.HardLink) for depth in range(len(steps))
    )


def _decode(value: str | bytes) -> str:
    return value if isinstance(value, str) else value.decode("utf-8", errors="replace")


def _records(values: Mapping[str, Any]) -> tuple[Expansion, ReferenceAxis, dict[str, str | float]]:
    quality = Quality(**{name: values[f"quality/{name}"] for name in Quality.AXES})
    axis = ReferenceAxis(**{name: values[f"axis/{name}"] for name in ReferenceAxis.AXES})
    measures = None
    if "measures/surface" in values:
        measures = Measures(**{name: values[f"measures/{name}"] for name in Measures.AXES})
        if measures.forbidden.shape != quality.condition.shape:
            raise ValueError(f"measures of {len(measures.forbidden)} frequencies, not {len(quality.condition)}")
    beside = ("quality", "deviations", "measures")
    names = [field.name for field in fields(Expansion) if field.name not in beside]
    unknown = {name for name in _OPTIONAL if values[name].size == 0}
    known: dict[str, Any] = {name: None if name in unknown else values[name] for name in names}
    expansion = Expansion(quality=quality, deviations=_deviations(values), measures=measures, **known)
    if len(expansion.channel_names) != expansion.outgoing.shape[1]:
        raise ValueError(f"{len(expansion.channel_names)} channel names, {expansion.outgoing.shape[1]} channels")
    for kind in ("outgoing", "regular"):
        order, columns = getattr(expansion, f"{kind}_order"), getattr(expansion, kind).shape[2]
        if np.any(order < -1) or np.any((order + 1) ** 2 > columns):
            raise ValueError(f"{kind}_order up to {order.max()}, but {columns} {kind} coefficients")
    return expansion, axis, values["context"]
