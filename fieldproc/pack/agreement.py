"""Do the pieces of a scan describe one loudspeaker, measured in one way?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from fieldproc.errors import Problem
from fieldproc.records import Session, TransferFunctions

# What must be equal in all pieces: name of the object, its value, how to mend it.
_MUST_AGREE: tuple[tuple[str, Callable[[Session], Any], str], ...] = (
    ("kind of response", lambda one: type(one.response).__name__, "convert one of them"),
    ("frequencies", lambda one: getattr(one.response, "frequency_hz", None), "record at equal frequencies"),
    (
        "sampling rate",
        lambda one: getattr(one.response, "sampling_rate_hz", None),
        "resample the responses before packing them",
    ),
    ("units", lambda one: one.unit, "convert one of them"),
    ("calibrated", lambda one: one.calibrated, "state the units of every piece"),
    ("device", lambda one: one.device, "merge scans of one loudspeaker only, under one name"),
    ("channel names", lambda one: one.channel_names, "name the channels alike"),
    ("drive voltage", lambda one: one.drive.voltage_v, "state one drive level"),
    ("drive level", lambda one: one.drive.level_dbfs, "state one drive level"),
    ("microphone sensitivity", lambda one: one.microphone.sensitivity_v_per_pa, "convert the responses to pascal"),
    ("microphone frequencies", lambda one: one.microphone.frequency_hz, "state one microphone response"),
    ("microphone response", lambda one: one.microphone.response, "state one microphone response"),
    ("axis origin", lambda one: one.axis.origin_m, "state it in the loudspeaker's coordinates"),
    ("axis direction", lambda one: one.axis.direction, "state it in the loudspeaker's coordinates"),
    ("up direction", lambda one: one.axis.up, "state it in the loudspeaker's coordinates"),
)
# What a piece may leave unsaid, but not say otherwise.
_MUST_NOT_CLASH: tuple[tuple[str, Callable[[Session], Any], str], ...] = (
    ("cabinet size", lambda one: one.cabinet and one.cabinet.size_m, "state one cabinet"),
    ("cabinet centre", lambda one: one.cabinet and one.cabinet.center_m, "state it in the loudspeaker's coordinates"),
    ("rated impedance", lambda one: one.rated_impedance_ohm, "state one impedance"),
    ("place of the known source", lambda one: one.known_source and one.known_source.position_m, "state one place"),
    (
        "volume velocity of the known source",
        lambda one: one.known_source and one.known_source.volume_velocity_m3_per_s_per_v,
        "state one volume velocity",
    ),
)
# What every piece must state if one does: a run could not tell the others from a default.
_ALL_OR_NONE: tuple[tuple[str, Callable[[Session], Any]], ...] = (
    ("/air/sound_speed_m_per_s", lambda one: one.air.sound_speed_m_per_s),
    ("/air/temperature_c", lambda one: one.air.temperature_c),
)


def find_clashes(pieces: Sequence[Session]) -> list[Problem]:
    """Everything in which a piece contradicts the first one that says it."""
    problems = []
    for name, value_of, fix in _MUST_AGREE:
        first = value_of(pieces[0])
        problems += [
            Problem(f"{one.name}, {name}", _text(value_of(one)), f"{_text(first)}, as in {pieces[0].name}", fix)
            for one in pieces[1:]
            if not _equal(value_of(one), first)
        ]
    for name, value_of, fix in _MUST_NOT_CLASH:
        stated = [one for one in pieces if value_of(one) is not None]
        problems += [
            Problem(
                f"{one.name}, {name}",
                _text(value_of(one)),
                f"{_text(value_of(stated[0]))}, as in {stated[0].name}",
                fix,
            )
            for one in stated[1:]
            if not _equal(value_of(one), value_of(stated[0]))
        ]
    for name, value_of in _ALL_OR_NONE:
        without = [one.name for one in pieces if value_of(one) is None]
        if 0 < len(without) < len(pieces):
            problems.append(Problem(f"{', '.join(without)}, {name}", "no value", "one in every piece", "state it"))
    return problems


def _equal(one: Any, other: Any) -> bool:
    """Equal numbers to 1e-9 of themselves (they went through text or unit conversion), anything else exactly."""
    if isinstance(one, np.ndarray | float) and isinstance(other, np.ndarray | float):
        return np.shape(one) == np.shape(other) and bool(np.allclose(one, other, rtol=1e-9, atol=1e-12))
    return one is other if one is None or other is None else bool(one == other)


def _text(value: Any) -> str:
    if isinstance(value, np.ndarray):
        return f"{len(value)} values" if len(value) > 3 else ", ".join(f"{one:g}" for one in value.tolist())
    if value == TransferFunctions.__name__:
        return "transfer functions"
    return "none" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
