"""Datasets, texts and coordinates of an AES69 file, with the liberties that writers take."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Floats, directions_from_angles
from fieldproc.errors import Problem, SessionError
from fieldproc.session.contents import printable
from fieldproc.session.guard import Refusal, Source, find, read_attribute, read_dataset
from fieldproc.session.rules import FARTHEST_COORDINATE_M, limit_problems
from fieldproc.session.schema import Limits


@dataclass
class Items:
    """Reads by name and gathers problems; ``stop_if_wrong`` raises them together."""

    source: Source
    problems: list[Problem] = field(default_factory=list)

    def stop_if_wrong(self) -> None:
        """Raise ``SessionError`` if anything was wrong so far."""
        if self.problems:
            raise SessionError(str(self.source.path), self.problems)

    def require(self, right: bool, where: str, found: str, required: str) -> None:
        """Note a problem unless ``right``."""
        if not right:
            self.problems.append(Problem(where, found, required, "export the file again"))

    def text(self, path: str, name: str) -> str:
        """A text attribute without surrounding blanks; "" if absent or empty."""
        try:
            value = read_attribute(self.source, path, name)
        except Refusal as refusal:
            self.problems.append(refusal.problem)
            return ""
        return value.strip() if isinstance(value, str) else ""

    def numbers(self, path: str, ranks: tuple[int, ...], limits: Limits, *, optional: bool = False) -> Floats:
        """Real numbers of one of the ``ranks``; an empty array where that is a problem, or if absent."""
        try:
            values = read_dataset(self.source, path)
        except Refusal as refusal:
            self.problems.append(refusal.problem)
            return np.zeros(0)
        if values is None:
            self.require(optional, path, "no such dataset", "a dataset of numbers")
        elif values.dtype.kind not in "fiu":
            self.require(False, path, f"type {values.dtype}", "real numbers")
        elif values.ndim not in ranks or values.size == 0:
            self.require(False, path, f"shape {values.shape}", f"values along {ranks[0]} axes")
        else:
            self.problems += limit_problems(path, values, limits)
            return values.astype(np.float64, copy=False)
        return np.zeros(0)

    def vectors(self, path: str, limits: Limits, like: str = "") -> Floats:
        """Cartesian coordinates in metres, shape (item, 3, measurement); empty if the dataset is absent.

        ``like`` names the dataset whose Type and Units hold where ``path`` has none of its own (a view and
        its up direction share them).
        """
        values = self.numbers(path, (2, 3), limits, optional=True)
        if values.size == 0:
            return values
        if values.shape[1] != 3:
            self.require(False, path, f"shape {values.shape}", "three coordinates along the second axis")
            return np.zeros(0)
        values = values.reshape(*values.shape[:2], -1)
        kind = (self.text(path, "Type") or self.text(like or path, "Type") or "cartesian").lower()
        units = _unit_words(self.text(path, "Units") or self.text(like or path, "Units"))
        if kind == "cartesian" and set(units) <= {"metre"} and (units or like):
            return values if self._is_near(path, values) else np.zeros(0)
        if kind == "spherical" and units == ["degree", "degree", "metre"]:
            azimuth, elevation, radius = np.moveaxis(values, 1, 0)
            if not self._is_near(path, radius):
                return np.zeros(0)
            return np.moveaxis(radius[..., None] * directions_from_angles(azimuth, elevation), -1, 1)
        self.require(
            False,
            f"{path}@Units",
            f'"{printable(" ".join(units))}" for the type "{printable(kind)}"',
            'cartesian in "metre", or spherical in "degree, degree, metre"',
        )
        return np.zeros(0)

    def _is_near(self, path: str, lengths_m: Floats) -> bool:
        """Lengths beyond a room are noted as a problem."""
        farthest_m = float(np.max(np.abs(lengths_m), where=np.isfinite(lengths_m), initial=0.0))
        near = farthest_m <= FARTHEST_COORDINATE_M
        self.require(near, path, f"a coordinate of {farthest_m:g} m", f"at most {FARTHEST_COORDINATE_M:g} m")
        return near

    def exists(self, path: str) -> bool:
        """Is there anything at ``path``?"""
        try:
            return find(self.source, path) is not None
        except Refusal as refusal:
            self.problems.append(refusal.problem)
            return False

    def emitter_names(self) -> tuple[str, ...]:
        """Names of the emitters, if the file gives any."""
        for path in ("/EmitterDescriptions", "/EmitterDescription"):
            try:
                values = read_dataset(self.source, path, variable_text=True)
            except Refusal:
                # Only names: not worth refusing the measurement.
                continue
            if values is not None and values.dtype.kind == "U" and values.size:
                return _joined_names(values)
        return ()


def _unit_words(units: str) -> list[str]:
    """The units one by one, in the singular and the spelling of the standard."""
    words = [word.removesuffix("s") for word in re.split(r"[,;\s]+", units.lower()) if word]
    return ["metre" if word in ("meter", "m") else word for word in words]


def _joined_names(values: NDArray[Any]) -> tuple[str, ...]:
    """Names stored whole, or as rows of single characters.

    Some writers hand over column-major memory under row-major dimensions, which interleaves the names.
    Read row by row, such text has gaps (the padding of all names gathers behind the last one) or, as names
    of one file tend to be alike, most letters two or three times in a row. Unlike names of equal length
    leave no trace.
    """
    if values.ndim < 2 or values.shape[-1] == 1 or np.max(np.char.str_len(values)) > 1:
        return tuple(str(name).strip() for name in values.reshape(-1))
    flat = np.where(values == "", " ", values).reshape(-1)
    length = values.shape[-1]
    count = flat.size // length
    rows = tuple("".join(flat[i * length : (i + 1) * length]).rstrip() for i in range(count))
    interleaved = tuple("".join(flat[i::count]).strip() for i in range(count))
    gaps = any(not row or row.startswith(" ") or "  " in row for row in rows)
    doubled = sum(a == b for row in rows for a, b in pairwise(row))
    garbled = gaps or 3 * doubled > sum(map(len, rows))
    return interleaved if garbled and all(interleaved) else tuple(row.strip() for row in rows)
