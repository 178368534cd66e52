"""The records of several pieces of a scan, end to end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Floats, Integers
from fieldproc.records import Air, Drive, ImpulseResponses, Noise, Room, Session, Sigma, TransferFunctions


def joined(pieces: Sequence[Session], surfaces: Sequence[Integers]) -> tuple[Session, list[str]]:
    """Pieces that agree, end to end, with the surface numbers given; and what could not be kept, in sentences."""
    first = pieces[0]
    lost: list[str] = []
    joined = Session(
        name=first.name,
        title=first.title,
        device=first.device,
        attributes=_attributes(pieces),
        positions_m=np.concatenate([one.positions_m for one in pieces]),
        response=_end_to_end([one.response for one in pieces]),
        unit=first.unit,
        channel_names=first.channel_names,
        valid=np.concatenate([one.valid for one in pieces]),
        surface=np.concatenate(surfaces),
        axis=first.axis,
        air=_air(pieces, lost),
        microphone=first.microphone,
        drive=_drive(pieces, lost),
        cabinet=next((one.cabinet for one in pieces if one.cabinet is not None), None),
        rated_impedance_ohm=next((one.rated_impedance_ohm for one in pieces if one.rated_impedance_ohm), None),
        measured_at_s=_measured_at(pieces, lost),
        noise=_noise(pieces, lost),
        room=_room(pieces, lost),
        known_source=next((one.known_source for one in pieces if one.known_source is not None), None),
        sigma=_sigma(pieces),
        calibrated=first.calibrated,
    )
    return joined, lost


def _end_to_end(responses: Sequence[ImpulseResponses | TransferFunctions]) -> ImpulseResponses | TransferFunctions:
    first = responses[0]
    if isinstance(first, ImpulseResponses):
        return replace(first, values=np.concatenate([one.values for one in responses], axis=1))
    return replace(first, values=np.concatenate([one.values for one in responses], axis=2))


def _all(arrays: Sequence[NDArray[Any] | None], what: str, lost: list[str]) -> NDArray[Any] | None:
    """Values per point of all pieces; nothing, said aloud, where some have them and some do not."""
    stated = [one for one in arrays if one is not None]
    if not stated:
        return None
    if len(stated) < len(arrays):
        lost.append(f"{what} left out: not every piece has it")
        return None
    return np.concatenate(stated)


def _air(pieces: Sequence[Session], lost: list[str]) -> Air:
    return Air(
        _all([one.air.sound_speed_m_per_s for one in pieces], "/air/sound_speed_m_per_s", lost),
        _all([one.air.temperature_c for one in pieces], "/air/temperature_c", lost),
        _mean([one.air.relative_humidity_percent for one in pieces], "relative humidity", "%", lost),
        _mean([one.air.pressure_pa for one in pieces], "air pressure", "Pa", lost),
    )


def _mean(values: Sequence[float | None], what: str, unit: str, lost: list[str]) -> float | None:
    """One value for all: 10 % of humidity change the speed of sound by less than 1e-4."""
    stated = [value for value in values if value is not None]
    if not stated:
        return None
    mean = float(np.mean(stated))
    if min(stated) < max(stated) or len(stated) < len(values):
        lost.append(f"{what}: {mean:.6g} {unit} for all, the mean of what the pieces state")
    return mean


def _drive(pieces: Sequence[Session], lost: list[str]) -> Drive:
    drives = [one.drive for one in pieces]
    rates = {one.reference_sampling_rate_hz for one in drives}
    if len(rates) > 1:
        lost.append("/drive/reference left out: not every piece has it at the same sampling rate")
        return Drive(drives[0].voltage_v, drives[0].level_dbfs)
    references = [one.reference for one in drives if one.reference is not None]
    longest = max((one.shape[1] for one in references), default=0)
    padded = [np.pad(one, ((0, 0), (0, longest - one.shape[1]))) for one in references]
    reference = np.concatenate(padded) if padded else None
    return Drive(drives[0].voltage_v, drives[0].level_dbfs, reference, drives[0].reference_sampling_rate_hz)


def _noise(pieces: Sequence[Session], lost: list[str]) -> Noise | None:
    stated = [one.noise for one in pieces if one.noise is not None]
    if not stated:
        return None
    alike = {(one.values.shape[0], one.values.shape[2], one.sampling_rate_hz) for one in stated}
    if len(alike) > 1:
        lost.append(f"noise records of all but {pieces[0].name} left out: other lengths or sampling rates")
        return stated[0]
    return Noise(np.concatenate([one.values for one in stated], axis=1), stated[0].sampling_rate_hz)


def _room(pieces: Sequence[Session], lost: list[str]) -> Room:
    reflectors = [one.room.reflector_distances_m for one in pieces]
    first = reflectors[0]
    same = first is not None and all(one is not None and one.tolist() == first.tolist() for one in reflectors)
    if not same and any(one is not None for one in reflectors):
        lost.append("/room/reflector_distances_m left out: the pieces do not state the same")
    return Room(
        _all([one.room.first_reflection_s for one in pieces], "/room/first_reflection_s", lost),
        first if same else None,
    )


def _sigma(pieces: Sequence[Session]) -> Sigma:
    """Of every uncertainty the largest that a piece states."""
    largest = {}
    for name in Sigma.__dataclass_fields__:
        stated = [value for one in pieces if (value := getattr(one.sigma, name)) is not None]
        largest[name] = max(stated, default=None)
    return Sigma(**largest)


def _measured_at(pieces: Sequence[Session], lost: list[str]) -> Floats | None:
    """Seconds since the first piece began, by the clock where every piece says when, else one after the other."""
    times = [one.measured_at_s for one in pieces]
    if any(one is None for one in times):
        return _all(times, "/measured_at_s", lost)
    stated = [one for one in times if one is not None]
    clock = _offsets_by_clock(pieces)
    if clock is not None:
        return np.concatenate([one + offset for one, offset in zip(stated, clock, strict=True)])
    shifted = [stated[0]]
    for one in stated[1:]:
        shifted.append(one - one.min() + shifted[-1].max())
    lost.append("/measured_at_s: the pieces do not all say when they were started, so each follows the one before it")
    return np.concatenate(shifted)


def _offsets_by_clock(pieces: Sequence[Session]) -> list[float] | None:
    try:
        began = [datetime.fromisoformat(one.attributes["started"]) for one in pieces]
        return [(one - min(began)).total_seconds() for one in began]
    except (KeyError, ValueError, TypeError):
        # not stated, no date, or some with and some without a time zone
        return None


def _attributes(pieces: Sequence[Session]) -> dict[str, str]:
    """What the pieces say of themselves, differing texts one after the other; and what was merged."""
    names = dict.fromkeys(name for one in pieces for name in one.attributes)
    attributes = {
        name: "; ".join(dict.fromkeys(one.attributes[name] for one in pieces if name in one.attributes))
        for name in names
    }
    started = [one.attributes["started"] for one in pieces if "started" in one.attributes]
    if started:
        attributes["started"] = min(started)
    inputs = ", ".join(f"{one.name} (SHA-256 {one.sha256})" for one in pieces)
    attributes["comment"] = f"{attributes.get('comment', '')} Merged from {inputs}.".strip()
    return attributes
