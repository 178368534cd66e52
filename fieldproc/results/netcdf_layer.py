"""NetCDF-4 files as bytes: HDF5 laid out so that netCDF libraries find dimensions and variables in it.

Source: "NetCDF-4 Format Specification", appendix of the NetCDF user's guide. A dimension is an HDF5 dimension scale,
a coordinate variable is the scale itself; a dimension without one is a dataset without values, under a name that
says so. Text is of fixed length, which every reader decodes; empty text has no dataspace, as the library writes it.
"""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

Attribute = str | float | int | NDArray[Any]

_BARE_DIMENSION = "This is a netCDF dimension but not a netCDF variable.{:10d}"
# A slash would make groups; the rest are names that the specification allows.
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_.+@-]*")
# Smaller datasets gain nothing from compression; a balloon becomes a fifth smaller.
_COMPRESSED_FROM_BYTES = 1 << 16
_CHUNK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Variable:
    """An array along named dimensions; texts as arrays of single characters (dtype "S1")."""

    name: str
    dimensions: tuple[str, ...]
    values: NDArray[Any]
    attributes: Mapping[str, Attribute] = field(default_factory=dict)


def netcdf_file(
    dimensions: Mapping[str, int], variables: Sequence[Variable], attributes: Mapping[str, Attribute]
) -> bytes:
    """The file as bytes; the same input gives the same bytes.

    A variable with the name of a dimension is its coordinate. ``ValueError`` for a name that netCDF does not allow
    or that is taken, and for a shape that contradicts the dimensions.
    """
    buffer = io.BytesIO()
    # netCDF keeps the order in which things were made
    with h5py.File(buffer, "w", track_order=True) as file:
        for name, value in attributes.items():
            _write_attribute(file, name, value)
        coordinates = {variable.name: variable for variable in variables if variable.name in dimensions}
        for number, (name, size) in enumerate(dimensions.items()):
            if name in coordinates:
                scale = _write_values(file, coordinates[name], dimensions)
                scale.make_scale(name)
            else:
                _require_free(file, name)
                scale = file.create_dataset(name, shape=(size,), dtype=">f4", track_times=False)
                scale.make_scale(_BARE_DIMENSION.format(size))
            scale.attrs["_Netcdf4Dimid"] = np.int32(number)
        for variable in variables:
            if variable.name in dimensions:
                continue
            dataset = _write_values(file, variable, dimensions)
            for axis, name in enumerate(variable.dimensions):
                dataset.dims[axis].attach_scale(file[name])
    return buffer.getvalue()


def _write_values(file: h5py.File, variable: Variable, dimensions: Mapping[str, int]) -> h5py.Dataset:
    values = variable.values
    sizes = tuple(dimensions[name] for name in variable.dimensions)
    if values.shape != sizes:
        raise ValueError(f"{variable.name} of shape {values.shape}, its dimensions {variable.dimensions} are {sizes}")
    _require_free(file, variable.name)
    storage: dict[str, Any] = {}
    if values.nbytes >= _COMPRESSED_FROM_BYTES:
        storage = {"chunks": _chunk(values), "compression": "gzip", "shuffle": True}
    dataset = file.create_dataset(variable.name, data=values, track_times=False, **storage)
    for name, value in variable.attributes.items():
        _write_attribute(dataset, name, value)
    return dataset


def _chunk(values: NDArray[Any]) -> tuple[int, ...]:
    """About ``_CHUNK_BYTES``, whole along all axes but the first that is longer than one."""
    axis = next(axis for axis, size in enumerate(values.shape) if size > 1)
    size = values.shape[axis]
    rows = min(size, max(1, _CHUNK_BYTES * size // values.nbytes))
    return (*values.shape[:axis], rows, *values.shape[axis + 1 :])


def _require_free(file: h5py.File, name: str) -> None:
    if name in file or not _NAME.fullmatch(name):
        raise ValueError(f'"{name}" is {"taken" if _NAME.fullmatch(name) else "no name for netCDF"}')


def _write_attribute(owner: h5py.File | h5py.Dataset, name: str, value: Attribute) -> None:
    if not _NAME.fullmatch(name):
        raise ValueError(f'"{name}" is no name for a netCDF attribute')
    if not isinstance(value, str):
        owner.attrs.create(name, value)
        return
    encoded = value.encode()
    kind = h5py.string_dtype("ascii" if value.isascii() else "utf-8", max(1, len(encoded)))
    owner.attrs.create(name, encoded if encoded else h5py.Empty(kind), dtype=kind)
