"""From a folder of WAV files and their positions to a scan session, one file at a time."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Floats, Integers
from fieldproc.errors import Problem, SessionError, UsageError
from fieldproc.pack.positions import Positions, read_positions
from fieldproc.pack.settings import ImpulseResponsesModel, PackSettings
from fieldproc.pack.take import ImpulseTaker, SweepTaker, Taken
from fieldproc.pack.wav import Recording, WavFault, read_wav
from fieldproc.records import (
    Air,
    Axes,
    Cabinet,
    Drive,
    ImpulseResponses,
    Microphone,
    ReferenceAxis,
    Session,
    check_axes,
)

Progress = Callable[[int, int], None]

# Clocks of player and recorder that differ by less do no harm: 2 ppm of 10 s is one sample at 48 kHz.
_DRIFT_TOLD = 2e-6
_NAMED = 5
_MOST_PROBLEMS = 20


@dataclass(frozen=True, slots=True)
class Harmonics:
    """Responses of harmonics at n times the exciting frequency, in the unit of the linear response.

    ``start_s`` is the time of the first sample after the moment each harmonic counts from. The magnitude at an
    output frequency f is the amplitude of the harmonic of an excitation at f/n, re that of the excitation.
    """

    AXES: ClassVar[Axes] = {
        "values": ("harmonic", "channel", "point", "sample"),
        "order": ("harmonic",),
        "start_s": ("harmonic",),
    }
    values: NDArray[np.float32]
    order: Integers
    start_s: Floats
    sampling_rate_hz: float
    unit: str

    def __post_init__(self) -> None:
        check_axes(self, self.AXES)

    def companions(self) -> dict[str, tuple[NDArray[Any], dict[str, str | float]]]:
        """As datasets below ``/companion``, with their attributes."""
        facts: dict[str, str | float] = {"units": self.unit, "sampling_rate_hz": self.sampling_rate_hz}
        return {
            "harmonic_response": (self.values, facts),
            "harmonic_order": (self.order, {}),
            "harmonic_start_s": (self.start_s, {}),
        }


@dataclass(frozen=True, slots=True)
class Packed:
    """A session, and with sweeps the harmonics that were asked for."""

    session: Session
    harmonics: Harmonics | None = None


def pack_folder(folder: Path, positions: Path, settings: PackSettings, progress: Progress | None = None) -> Packed:
    """The scan in a folder of WAV files.

    ``positions`` is a CSV file with a row per WAV file; see :func:`fieldproc.pack.positions.read_positions`. Files
    are read one at a time and only their shortened responses kept. Clipped records and records with a silent
    reference are marked not valid. Raises ``UsageError`` for what is not there, ``SessionError`` with every fault.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: no folder; give the one that holds the WAV files")
    rows = read_positions(positions, folder)
    model = settings.recording
    taker = ImpulseTaker(model) if isinstance(model, ImpulseResponsesModel) else SweepTaker(model, folder)
    taken, rate = _take_all(rows, folder, taker, str(positions), progress)
    valid = np.array([not (one.clipped or one.silent_reference) for one in taken])
    stimulus = () if isinstance(model, ImpulseResponsesModel) else (model.stimulus,)
    session = Session(
        name=folder.resolve().name,
        title=settings.title,
        device=settings.device,
        attributes={"comment": _comment(settings, rows, positions)},
        positions_m=rows.positions_m,
        response=ImpulseResponses(_stacked([one.responses for one in taken], 1), rate, taker.start_s),
        unit=settings.units,
        channel_names=settings.channels,
        valid=valid if rows.valid is None else rows.valid & valid,
        surface=np.full(len(taken), -1) if rows.surface is None else rows.surface,
        axis=_axis(settings),
        air=_air(settings, rows),
        microphone=Microphone(settings.microphone_sensitivity_v_per_pa),
        drive=_drive(settings, taken, rate),
        cabinet=_cabinet(settings),
        rated_impedance_ohm=settings.loudspeaker.rated_impedance_ohm,
        measured_at_s=rows.measured_at_s,
        notices=(*taker.notices, *_notices(rows, taken, _unnamed(folder, rows, stimulus))),
    )
    return Packed(session, _harmonics(taken, taker, settings.units))


def _take_all(
    rows: Positions, folder: Path, taker: ImpulseTaker | SweepTaker, where: str, progress: Progress | None
) -> tuple[list[Taken], float]:
    """What is kept of every file, and their sampling rate. Once a file is at fault, the others are only looked at."""
    taken: list[Taken] = []
    problems: list[Problem] = []
    rate = taker.sampling_rate_hz if isinstance(taker, SweepTaker) else None
    for done, (name, line) in enumerate(zip(rows.files, rows.lines, strict=True), start=1):
        try:
            recording = read_wav(folder / name)
            rate = _same_rate(recording, rate)
            one = taker.take(recording)
            if not problems:
                taken.append(one)
        except WavFault as fault:
            problems.append(fault.problem(f"line {line}, {name}"))
            if len(problems) == _MOST_PROBLEMS:
                break
        if progress is not None:
            progress(done, len(rows.files))
    if problems or rate is None:
        raise SessionError(where, problems)
    return taken, rate


def _same_rate(recording: Recording, rate: float | None) -> float:
    if rate is not None and recording.sampling_rate_hz != rate:
        raise WavFault(
            f"sampling rate {recording.sampling_rate_hz:g} Hz", f"{rate:g} Hz, as the first", "record at one rate"
        )
    return recording.sampling_rate_hz


def _stacked(parts: list[Any], axis: int) -> NDArray[np.float32]:
    """Single precision: its 144 dB are beyond any converter."""
    return np.stack([np.asarray(part, dtype=np.float32) for part in parts], axis=axis)


def _harmonics(taken: list[Taken], taker: ImpulseTaker | SweepTaker, unit: str) -> Harmonics | None:
    if isinstance(taker, ImpulseTaker) or not taker.harmonic_orders:
        return None
    return Harmonics(
        _stacked([one.harmonics for one in taken], 2),
        np.array(taker.harmonic_orders),
        np.array([taker.harmonic_start_s(order) for order in taker.harmonic_orders]),
        taker.sampling_rate_hz,
        unit,
    )


def _drive(settings: PackSettings, taken: list[Taken], rate: float) -> Drive:
    stated = settings.drive
    if taken[0].reference is None:
        return Drive(stated.voltage_v, stated.level_dbfs)
    return Drive(stated.voltage_v, stated.level_dbfs, _stacked([one.reference for one in taken], 0), rate)


def _air(settings: PackSettings, rows: Positions) -> Air:
    stated = settings.air
    temperature = rows.temperature_c
    if temperature is None and stated.temperature_c is not None:
        temperature = np.full(len(rows.files), stated.temperature_c)
    return Air(None, temperature, stated.relative_humidity_percent, stated.pressure_pa)


def _axis(settings: PackSettings) -> ReferenceAxis:
    stated = settings.loudspeaker
    return ReferenceAxis(
        np.array(stated.axis_origin_m), np.array(stated.axis_direction), np.array(stated.up_direction)
    )


def _cabinet(settings: PackSettings) -> Cabinet | None:
    size, center = settings.loudspeaker.cabinet_size_m, settings.loudspeaker.cabinet_center_m
    return None if size is None or center is None else Cabinet(np.array(size), np.array(center))


def _comment(settings: PackSettings, rows: Positions, positions: Path) -> str:
    digest = hashlib.sha256(positions.read_bytes()).hexdigest()
    told = f"Packed from {len(rows.files)} WAV files; SHA-256 of the positions file {digest}."
    return f"{settings.comment} {told}".strip()


def _unnamed(folder: Path, rows: Positions, stimulus: tuple[str, ...]) -> list[str]:
    """WAV files of the folder that the positions do not name."""
    named = {(folder / name).resolve() for name in (*rows.files, *stimulus)}
    found = (path for path in folder.rglob("*") if path.suffix.lower() == ".wav" and path.resolve() not in named)
    return sorted(str(path.relative_to(folder)) for path in found)


def _notices(rows: Positions, taken: list[Taken], unnamed: list[str]) -> list[str]:
    notices = []
    clipped = [name for name, one in zip(rows.files, taken, strict=True) if one.clipped]
    silent = [name for name, one in zip(rows.files, taken, strict=True) if one.silent_reference]
    for names, words in (
        (unnamed, "WAV files that the positions do not name, left alone"),
        (clipped, "clipped records, marked not valid"),
        (silent, "records without a signal in the reference channel, marked not valid"),
    ):
        if names:
            more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
            notices.append(f"{len(names)} {words}: {', '.join(names[:_NAMED])}{more}")
    latency = [one.latency_samples for one in taken if one.latency_samples is not None and not one.silent_reference]
    if latency and max(latency) - min(latency) > 1:
        notices.append(
            f"the chain delays the records by {min(latency)} to {max(latency)} samples; each is cut at its own delay"
        )
    drifts = [one.drift for one in taken if one.drift is not None]
    drift = float(np.median(drifts)) if drifts else 0.0
    if abs(drift) > _DRIFT_TOLD:
        notices.append(
            f"the recorder's clock runs {abs(drift) * 1e6:.1f} ppm {'fast' if drift > 0 else 'slow'} against the "
            "player's, which smears high frequencies; let both run on one clock"
        )
    return notices
