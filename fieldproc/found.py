"""Findings of a far field, and the files that a result folder gets of them. Writes nothing."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from fieldproc.conventions import Complexes, Floats, directions_from_angles, output_axes, polar_directions
from fieldproc.derive import Radiation, Tables
from fieldproc.extrapolate import extrapolate, far_field_pressure
from fieldproc.findings import Subject, find, findings_bytes, findings_tables
from fieldproc.outcome import FINDINGS, channel_prefix, table_files
from fieldproc.records import Expansion, Facts, FarField, ReferenceAxis, Scalar
from fieldproc.settings import Settings


def subject_of(radiation: Radiation, settings: Settings, field: tuple[Expansion, ReferenceAxis] | None) -> Subject:
    """What findings are read from; with the field itself, in any direction and about any axis."""
    polars, circles = (replace(one, verdict=radiation.verdict) for one in (radiation.polars, radiation.circles))
    if field is None:
        return Subject(polars, circles)
    expansion, axis = field
    # aims are compared with each other, and a whole set of errors for each would take minutes
    plain = replace(expansion, deviations=None)

    def about(azimuth_deg: float, elevation_deg: float) -> FarField:
        return extrapolate(
            plain, turned(axis, azimuth_deg, elevation_deg), polar_directions(), settings.extrapolation
        )

    def along(azimuth_deg: float, elevation_deg: float) -> FarField:
        direction = directions_from_angles(np.array([azimuth_deg]), np.array([elevation_deg]))
        return extrapolate(plain, axis, direction, settings.extrapolation)

    def towards(directions: Floats, channel: int) -> Complexes:
        return far_field_pressure(expansion, axis, directions)[:, channel]

    return Subject(polars, circles, about, along, towards)


def turned(axis: ReferenceAxis, azimuth_deg: float, elevation_deg: float) -> ReferenceAxis:
    """The axis turned to the left, then up, about its own axes."""
    forward, left, up = output_axes(axis.direction, axis.up)
    (ca, sa), (ce, se) = ((np.cos(angle), np.sin(angle)) for angle in np.radians([azimuth_deg, elevation_deg]))
    ahead = ca * forward + sa * left
    return replace(axis, direction=ce * ahead + se * up, up=ce * up - se * ahead)


def findings_files(
    subject: Subject, scalars: Mapping[str, Scalar], settings: Settings, facts: Facts
) -> tuple[dict[str, bytes], list[Tables]]:
    """``findings.json`` and the tables beside it by path in the result folder; those tables by channel, too.

    ``scalars`` are those of the summary.
    """
    names = subject.polars.channel_names
    impedance_ohm = facts.get("rated_impedance_ohm")
    own = [_of_channel(scalars, channel, len(names)) for channel in range(len(names))]
    found = [
        find(subject, settings, numbers, None if impedance_ohm is None else float(impedance_ohm), channel)
        for channel, numbers in enumerate(own)
    ]
    tables = [findings_tables(findings, subject, settings, facts, channel) for channel, findings in enumerate(found)]
    return {FINDINGS: findings_bytes(names, found, own), **table_files(tables)}, tables


def told_of(files: Mapping[str, bytes]) -> list[list[dict[str, Any]]]:
    """Topics and their sentences of every channel, from the files of a result folder; none without findings."""
    document = files.get(FINDINGS)
    return [] if document is None else [own["sentences"] for own in json.loads(document)["channels"]]


def findings_lines(document: bytes) -> list[str]:
    """The sentences of ``findings.json``, each topic under its name."""
    lines: list[str] = []
    channels = json.loads(document)["channels"]
    for own in channels:
        if len(channels) > 1:
            lines += ["", str(own["channel"])]
        for topic in own["sentences"]:
            lines += ["", f"{topic['topic']}:", *(f"  {sentence}" for sentence in topic["told"])]
    return lines[1:]


def _of_channel(scalars: Mapping[str, Scalar], channel: int, channels: int) -> dict[str, Scalar]:
    prefix = channel_prefix(channel, channels)
    return {name.removeprefix(prefix): scalar for name, scalar in scalars.items() if name.startswith(prefix)}


def joined(one: Sequence[Tables], other: Sequence[Tables]) -> list[Tables]:
    """Tables of both, by channel."""
    return [first | second for first, second in zip(one, other, strict=True)]
