"""From recordings to calibrated pressures: drive, microphone, air, dropped points, repeats."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.condition.air import density, sound_speed
from fieldproc.condition.spectra import log_frequency_grid, spectra_at
from fieldproc.conventions import Booleans, Complexes, Floats, Integers
from fieldproc.errors import NumericalError
from fieldproc.records import (
    Drive,
    DroppedPoint,
    ImpulseResponses,
    Microphone,
    Session,
    Spectra,
    TransferFunctions,
)
from fieldproc.settings import SpectraSettings

# The smallest expansion (degree 0 and 1 of one set) already needs this many.
FEWEST_POINTS = 4


def condition(session: Session, settings: SpectraSettings) -> Spectra:
    """Rms pressure phasors at the drive voltage, one row per distinct position that takes part.

    Impulse responses go to the frequency grid of the settings; transfer functions keep their
    frequencies. Raises ``NumericalError`` when too few good points remain.
    """
    kept, dropped = _good_points(session)
    frequency_hz, recorded, usable = _recorded_spectra(session.response, settings, kept)
    gain = _drive_gain(session.unit, session.drive) / _microphone_response(
        session.unit, session.microphone, frequency_hz
    )
    pressure_pa = recorded * gain[:, None, None]
    pressure_pa[~usable] = np.nan
    group, first = _groups(session.positions_m[kept])
    speed, told = sound_speed(session.air, len(session.positions_m))
    return Spectra(
        frequency_hz=frequency_hz,
        pressure_pa=_mean_of_groups(pressure_pa, group),
        usable=usable,
        positions_m=session.positions_m[kept][first],
        sound_speed_m_per_s=_mean_of_groups(speed[kept], group),
        surface=session.surface[kept][first],
        file_point=kept[first],
        repeats=np.bincount(group),
        channel_names=session.channel_names,
        air_density_kg_per_m3=density(session.air),
        axis=session.axis,
        cabinet=session.cabinet,
        known_source=session.known_source,
        room=session.room,
        dropped=dropped,
        notices=(*session.notices, told),
    )


def _good_points(session: Session) -> tuple[Integers, tuple[DroppedPoint, ...]]:
    """Indices of points that take part, and the others with the reason."""
    response = session.response
    if isinstance(response, ImpulseResponses):
        per_point: NDArray[Any] = np.moveaxis(response.values, 1, 0)
    else:
        per_point = np.moveaxis(response.values[_measured(response)], 2, 0)
    finite = np.array([bool(np.isfinite(point).all()) for point in per_point])
    silent = np.array([not np.any(point, axis=None) for point in per_point])
    reasons = {
        "left out by the session": ~session.valid,
        "response is not finite": session.valid & ~finite,
        "response is silent": session.valid & finite & silent,
    }
    dropped = [DroppedPoint(int(i), reason) for reason, mask in reasons.items() for i in np.flatnonzero(mask)]
    kept = np.flatnonzero(session.valid & finite & ~silent)
    if len(kept) < FEWEST_POINTS:
        raise NumericalError(
            "condition",
            "number of points with a usable response",
            f"{len(kept)} of {len(per_point)}",
            f"at least {FEWEST_POINTS}",
            "check the recordings and /valid",
        )
    return kept, tuple(sorted(dropped, key=lambda point: point.index))


def _measured(response: TransferFunctions) -> Booleans:
    """Frequencies with a number at any point: one that is nan throughout is a gap, not a bad point."""
    return np.asarray(np.isfinite(response.values).any(axis=(1, 2)))


def _recorded_spectra(
    response: ImpulseResponses | TransferFunctions, settings: SpectraSettings, kept: Integers
) -> tuple[Floats, Complexes, Booleans]:
    """Frequencies, spectra (frequency, channel, point) in the unit of the file, and which are usable."""
    if isinstance(response, TransferFunctions):
        recorded = response.values[:, :, kept].astype(np.complex128)
        return response.frequency_hz, recorded, _measured(response)
    frequency_hz = log_frequency_grid(settings.lowest_hz, settings.per_octave, settings.count)
    usable = frequency_hz < response.sampling_rate_hz / 2
    recorded = np.empty((len(frequency_hz), len(response.values), len(kept)), dtype=np.complex128)
    for channel, samples in enumerate(response.values):
        recorded[:, channel] = spectra_at(samples[kept], response.sampling_rate_hz, response.start_s, frequency_hz)
    return frequency_hz, recorded, usable


def _drive_gain(unit: str, drive: Drive) -> float:
    """What the recorded response is multiplied by to hold at the drive level."""
    if unit == "Pa/FS":
        assert drive.level_dbfs is not None
        return float(10.0 ** (drive.level_dbfs / 20.0))
    return drive.voltage_v


def _microphone_response(unit: str, microphone: Microphone, frequency_hz: Floats) -> Complexes:
    """Recorded unit per pascal, shape (frequency,): sensitivity times the stated response.

    The response is interpolated over log frequency, magnitude in dB and phase unwrapped, and held at
    its ends.
    """
    sensitivity = microphone.sensitivity_v_per_pa if unit == "V/V" else 1.0
    assert sensitivity is not None
    if microphone.frequency_hz is None or microphone.response is None:
        return np.full(len(frequency_hz), sensitivity, dtype=np.complex128)
    # 0 Hz has no place on a log scale
    listed = microphone.frequency_hz > 0
    at, known, response = np.log(frequency_hz), np.log(microphone.frequency_hz[listed]), microphone.response[listed]
    magnitude = np.interp(at, known, np.log(np.abs(response)))
    phase = np.interp(at, known, np.unwrap(np.angle(response)))
    return np.asarray(sensitivity * np.exp(magnitude + 1j * phase))


def _groups(positions_m: Floats) -> tuple[Integers, Integers]:
    """Points at exactly equal positions are repeats of one: group of each point, first point of each group.

    Groups are numbered in the order of their first points.
    """
    _, first, group = np.unique(positions_m, axis=0, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[group.ravel()], np.sort(first)


def _mean_of_groups(values: NDArray[Any], group: Integers) -> NDArray[Any]:
    """Mean over the last axis within each group."""
    count = np.bincount(group)
    if len(count) == len(group):
        return values
    sums = np.zeros((len(count), *values.shape[:-1]), dtype=values.dtype)
    np.add.at(sums, group, np.moveaxis(values, -1, 0))
    return np.moveaxis(sums, 0, -1) / count
