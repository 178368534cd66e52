"""From an open file to its contents, and everything that is wrong with them, at once."""

from __future__ import annotations

from dataclasses import dataclass

from fieldproc.errors import Problem
from fieldproc.session.contents import Contents, content_digest, printable
from fieldproc.session.guard import (
    Refusal,
    Source,
    list_names,
    read_attribute,
    read_dataset,
)
from fieldproc.session.plausible import doubts
from fieldproc.session.rules import find_problems
from fieldproc.session.schema import OBJECTS, RESERVED, ROOT_ATTRIBUTES, Attribute

# Variable-length text can hide any amount of memory, so few objects may have it.
_VARIABLE_TEXT = ("/channel",)
# Attributes that HDF5 dimension scales and netCDF put on objects: no news to anybody.
_BOOKKEEPING = frozenset(
    (
        "CLASS",
        "NAME",
        "DIMENSION_LIST",
        "REFERENCE_LIST",
        "DIMENSION_LABELS",
        "_Netcdf4Dimid",
        "_NCProperties",
    )
)
_UNKNOWN_NAMED = 20


@dataclass(frozen=True, slots=True)
class Findings:
    """What ``verify`` learned; ``contents`` is complete only where there are no problems."""

    contents: Contents
    problems: tuple[Problem, ...]
    notices: tuple[str, ...]
    integrity: str


def verify(source: Source) -> Findings:
    """Read a scan session through the guard and apply every rule. Raises nothing of its own."""
    contents = Contents()
    refused: dict[str, Problem] = {}
    _read_attributes(source, "/", ROOT_ATTRIBUTES, contents, refused)
    for item in OBJECTS:
        try:
            array = read_dataset(source, item.path, variable_text=item.path in _VARIABLE_TEXT)
        except Refusal as refusal:
            refused[item.path] = refusal.problem
            continue
        if array is not None:
            contents.arrays[item.path] = array
            _read_attributes(source, item.path, item.attributes, contents, refused)
    # Several objects below one bad group report the group: once is enough.
    problems = list(dict.fromkeys(refused.values())) + find_problems(contents, set(refused))
    integrity = "no integrity check"
    stored = contents.attributes.get(("/", "content_sha256"))
    if stored is not None and not problems:
        if stored == content_digest(contents):
            integrity = "verified"
        else:
            problems.append(
                Problem(
                    "/@content_sha256",
                    "content that does not match its digest",
                    "the content as it was written",
                    "copy the file again; if it was edited on purpose, remove this attribute",
                )
            )
    notices: tuple[str, ...] = ()
    if not problems:
        try:
            notices = _notices(source, contents)
        except Refusal as refusal:
            problems.append(refusal.problem)
    return Findings(contents, tuple(problems), notices, integrity)


def _read_attributes(
    source: Source,
    path: str,
    attributes: tuple[Attribute, ...],
    contents: Contents,
    refused: dict[str, Problem],
) -> None:
    for attribute in attributes:
        try:
            value = read_attribute(source, path, attribute.name)
        except Refusal as refusal:
            refused[f"{path}@{attribute.name}"] = refusal.problem
        else:
            if value is not None:
                contents.attributes[path, attribute.name] = value


def _notices(source: Source, contents: Contents) -> tuple[str, ...]:
    notices = []
    unknown = _unknown_names(source)
    if unknown:
        more = f" and {len(unknown) - _UNKNOWN_NAMED} more" if len(unknown) > _UNKNOWN_NAMED else ""
        notices.append(f"unknown objects left alone: {', '.join(unknown[:_UNKNOWN_NAMED])}{more}")
    unused = [
        ("/frequency", "/transfer_function"),
        ("/loudspeaker/cabinet_size_m", "/loudspeaker/cabinet_center_m"),
        ("/loudspeaker/cabinet_center_m", "/loudspeaker/cabinet_size_m"),
        ("/known_source/volume_velocity_m3_per_s_per_v", "/known_source/position_m"),
    ]
    notices += [
        f"{path} is not used without {other}"
        for path, other in unused
        if path in contents.arrays and other not in contents.arrays
    ]
    return (*notices, *doubts(contents))


def _unknown_names(source: Source) -> list[str]:
    attributes = {"/": ROOT_ATTRIBUTES} | {item.path: item.attributes for item in OBJECTS}
    groups = {item.path.rpartition("/")[0] or "/" for item in OBJECTS}
    unknown = []
    for path in sorted(groups | set(attributes)):
        children, names = list_names(source, path)
        below = [f"{path.rstrip('/')}/{name}" for name in children]
        unknown += [name for name in below if name not in groups | set(attributes) | set(RESERVED)]
        listed = {attribute.name for attribute in attributes.get(path, ())} | _BOOKKEEPING
        unknown += [f"{path}@{name}" for name in names if name not in listed]
    return [printable(name) for name in unknown]
