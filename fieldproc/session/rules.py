"""The rules of the scan session file, applied to contents already in memory.

Used in both directions: on what was read, and on what is about to be written. Every fault gives one
problem; an object that is already reported (``faulty``) is left out of the rules that would need it.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import output_axes
from fieldproc.errors import Problem
from fieldproc.session.contents import Contents, printable
from fieldproc.session.schema import (
    DIRECTION,
    FIXED_SIZES,
    OBJECTS,
    RESPONSE_UNITS,
    ROOT_ATTRIBUTES,
    UNITS_PER_METRE,
    Attribute,
    Limits,
    Object,
)

# A room's worth: coordinates beyond it are millimetres or centimetres under the wrong unit.
FARTHEST_COORDINATE_M = 100.0

_KIND_OF_CODE = {"b": "boolean", "i": "integer", "u": "integer", "f": "float", "c": "complex", "U": "text"}


def find_problems(contents: Contents, faulty: set[str]) -> list[Problem]:
    """Everything wrong with the contents. ``faulty`` names objects that are there but already refused."""
    faulty = set(faulty)
    problems: list[Problem] = []
    for attribute in ROOT_ATTRIBUTES:
        problems += _attribute_problems(contents, "/", attribute, faulty)
    for item in OBJECTS:
        found = _object_problems(contents, item, faulty)
        if found:
            faulty.add(item.path)
        problems += found
        if item.path in contents.arrays:
            for attribute in item.attributes:
                problems += _attribute_problems(contents, item.path, attribute, faulty)
    known = {path: array for path, array in contents.arrays.items() if path not in faulty}
    problems += _size_problems(known)
    problems += _value_problems(known)
    problems += _response_problems(contents, faulty)
    problems += _calibration_problems(contents, faulty)
    problems += _far_position_problems(contents, known)
    problems += _axis_problems(known)
    return problems


def _attribute_problems(contents: Contents, path: str, attribute: Attribute, faulty: set[str]) -> list[Problem]:
    where = f"{path}@{attribute.name}"
    if where in faulty:
        return []
    value = contents.attributes.get((path, attribute.name))
    required = _one_of(attribute.choices) or ("text" if attribute.kind == "text" else "a number")
    fix = f"set the attribute {attribute.name} of {path}"
    if value is None:
        return [Problem(where, "no such attribute", required, fix)] if attribute.required else []
    if isinstance(value, str) != (attribute.kind == "text"):
        return [Problem(where, "a number" if attribute.kind == "text" else "text", required, fix)]
    if isinstance(value, str):
        wrong = attribute.choices and value not in attribute.choices
        return [Problem(where, f'"{printable(value)}"', required, fix)] if wrong else []
    return limit_problems(where, np.asarray(value), attribute.limits)


def _object_problems(contents: Contents, item: Object, faulty: set[str]) -> list[Problem]:
    """Absence, kind and shape of one object."""
    array = contents.arrays.get(item.path)
    if item.path in faulty:
        return []
    shapes = " or ".join(_axes_text(shape) for shape in item.shapes)
    if array is None:
        if not item.required:
            return []
        return [Problem(item.path, "no such dataset", f"{item.kinds[0]}, {shapes}", "add the dataset")]
    kind = _KIND_OF_CODE.get(array.dtype.kind)
    if kind not in item.kinds:
        found = "text" if kind == "text" else f"type {array.dtype}"
        return [Problem(item.path, found, " or ".join(item.kinds), f"store it as {item.kinds[0]}")]
    axes = _axes_of(item, array)
    if axes is None or any(FIXED_SIZES.get(name, size) != size for name, size in zip(axes, array.shape, strict=True)):
        return [Problem(item.path, f"shape {array.shape}", f"shape {shapes}", "store it in this shape")]
    return []


def _axes_of(item: Object, array: NDArray[Any]) -> tuple[str, ...] | None:
    return next((shape for shape in item.shapes if len(shape) == array.ndim), None)


def _size_problems(known: dict[str, NDArray[Any]]) -> list[Problem]:
    """Sizes that clash: on each axis, whoever disagrees with most of the others (ties: with the first)."""
    sizes: dict[str, list[tuple[str, int]]] = {}
    for item in OBJECTS:
        if item.path in known:
            array = known[item.path]
            for name, size in zip(_axes_of(item, array) or (), array.shape, strict=True):
                sizes.setdefault(name, []).append((item.path, size))
    problems = []
    for name, entries in sizes.items():
        expected = Counter(size for _, size in entries).most_common(1)[0][0]
        owner = next(path for path, size in entries if size == expected)
        if expected == 0:
            problems.append(Problem(owner, f"no {name}s at all", f"at least one {name}", "record some"))
        problems += [
            Problem(
                path,
                f"{name}={size}",
                f"{name}={expected}, as in {owner}",
                f"give one value per {name} in both",
            )
            for path, size in entries
            if expected and size != expected
        ]
    return problems


def _value_problems(known: dict[str, NDArray[Any]]) -> list[Problem]:
    problems = []
    for item in OBJECTS:
        if item.path in known:
            problems += limit_problems(item.path, known[item.path], item.limits)
    valid = known.get("/valid")
    if valid is not None and valid.size and not valid.any():
        problems.append(Problem("/valid", "every point marked 0", "points to work with", "mark good points 1"))
    return problems


def limit_problems(where: str, values: NDArray[Any], limits: Limits) -> list[Problem]:
    """The first limit that ``values`` break, as a problem at ``where``; empty if they break none."""
    checks: list[tuple[Any, str]] = []
    # "not (...)" so that nan fails every limit.
    if limits.finite:
        checks.append((~np.isfinite(values), "finite numbers"))
    if limits.above is not None:
        checks.append((~(values > limits.above), f"numbers above {limits.above:g}"))
    if limits.lowest is not None:
        checks.append((~(values >= limits.lowest), f"numbers from {limits.lowest:g}"))
    if limits.highest is not None:
        checks.append((~(values <= limits.highest), f"numbers up to {limits.highest:g}"))
    if limits.nonzero:
        checks.append((values == 0, "numbers other than 0"))
    if limits.rising and values.size > 1:
        checks.append((np.concatenate([[False], ~(np.diff(values) > 0)]), "strictly rising numbers"))
    for bad, required in checks:
        if np.any(bad):
            return [Problem(where, _first_bad(values, bad), required, "correct these values")]
    return []


def _first_bad(values: NDArray[Any], bad: NDArray[np.bool_]) -> str:
    if values.ndim == 0:
        return f"{values[()]:g}"
    first = tuple(int(i) for i in np.argwhere(bad)[0])
    index = first[0] if len(first) == 1 else first
    return f"{np.count_nonzero(bad)} of {values.size} values wrong, first {values[first]:g} at index {index}"


def _response_problems(contents: Contents, faulty: set[str]) -> list[Problem]:
    """One kind of response, its frequencies, and noise in the same unit."""
    impulse = _present("/impulse_response", contents, faulty)
    transfer = _present("/transfer_function", contents, faulty)
    required = "one of /impulse_response and /transfer_function"
    problems = []
    if impulse and transfer:
        problems.append(Problem("/impulse_response", "both responses", required, "leave one out"))
    elif not impulse and not transfer:
        problems.append(Problem("/impulse_response", "no response", required, "add one"))
    if transfer and not _present("/frequency", contents, faulty):
        problems.append(Problem("/frequency", "no such dataset", "one frequency in Hz per column", "add the dataset"))
    unit = response_unit(contents)
    noise_unit = contents.attributes.get(("/noise/impulse_response", "units"))
    if unit in RESPONSE_UNITS and noise_unit in RESPONSE_UNITS and noise_unit != unit:
        problems.append(
            Problem(
                "/noise/impulse_response@units",
                f'"{noise_unit}"',
                f'"{unit}", the unit of the response',
                "store the noise in the unit of the response",
            )
        )
    return problems


def response_unit(contents: Contents) -> str | None:
    """The unit of the response, ``None`` if it has none."""
    for path in ("/impulse_response", "/transfer_function"):
        if (path, "units") in contents.attributes:
            return contents.text(path, "units")
    return None


def _calibration_problems(contents: Contents, faulty: set[str]) -> list[Problem]:
    problems = []
    needed = {"V/V": "/microphone/sensitivity_v_per_pa", "Pa/FS": "/drive/level_dbfs"}
    unit = response_unit(contents)
    path = needed.get(unit or "")
    if path and not _present(path, contents, faulty):
        problems.append(Problem(path, "no such dataset", f'a number, since units are "{unit}"', "add the dataset"))
    pair = ("/microphone/frequency", "/microphone/response")
    for path, other in (pair, pair[::-1]):
        if _present(other, contents, faulty) and not _present(path, contents, faulty):
            problems.append(Problem(path, "no such dataset", f"values for {other}", "add the dataset"))
    return problems


def _far_position_problems(contents: Contents, known: dict[str, NDArray[Any]]) -> list[Problem]:
    positions = known.get("/positions")
    unit = contents.attributes.get(("/positions", "units"))
    if positions is None or unit not in UNITS_PER_METRE or not np.all(np.isfinite(positions)):
        return []
    farthest_m = float(np.max(np.abs(positions), initial=0.0)) / UNITS_PER_METRE[str(unit)]
    if farthest_m <= FARTHEST_COORDINATE_M:
        return []
    return [
        Problem(
            "/positions",
            f"a coordinate of {farthest_m:g} m",
            f"at most {FARTHEST_COORDINATE_M:g} m from the origin",
            'check the unit ("m", "cm" or "mm")',
        )
    ]


def _axis_problems(known: dict[str, NDArray[Any]]) -> list[Problem]:
    axis = known.get("/loudspeaker/axis_direction", np.array([1.0, 0.0, 0.0]))
    up = known.get("/loudspeaker/up_direction", np.array([0.0, 0.0, 1.0]))
    if limit_problems("", axis, DIRECTION) or limit_problems("", up, DIRECTION):
        return []
    try:
        output_axes(axis, up)
    except ValueError as error:
        stated = [p for p in ("/loudspeaker/axis_direction", "/loudspeaker/up_direction") if p in known]
        return [
            Problem(
                stated[0],
                str(error),
                "an axis and an up direction that are not parallel (defaults: x and z)",
                "correct the directions",
            )
        ]
    return []


def _present(path: str, contents: Contents, faulty: set[str]) -> bool:
    return path in contents.arrays or path in faulty


def _axes_text(shape: tuple[str, ...]) -> str:
    names = [f"{name}={FIXED_SIZES[name]}" if name in FIXED_SIZES else name for name in shape]
    return f"({', '.join(names)})"


def _one_of(choices: tuple[str, ...]) -> str:
    return " or ".join(f'"{choice}"' for choice in choices)
