"""Gain and delay between two pieces of a scan, from the places they share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.spatial import cKDTree

from fieldproc.conventions import Booleans, Complexes, Floats, Integers, amplitude_db
from fieldproc.records import Session, TransferFunctions

# Pieces that differ by more were not started by the same trigger.
_LONGEST_DELAY_S = 0.02


@dataclass(frozen=True, slots=True)
class Tie:
    """How much louder and later a piece is than another: means over shared places, with standard errors.

    ``inverted`` says that the piece has the opposite polarity. With a single place the standard errors are nan.
    ``scatter_db`` is the complex difference that is left after one gain and delay for all, re the sound at the
    places: noise, position errors, drift.
    """

    places: int
    gain_db: float
    gain_error_db: float
    delay_s: float
    delay_error_s: float
    inverted: bool
    scatter_db: float


def shared_places(first_m: Floats, second_m: Floats, within_m: float) -> tuple[Integers, Integers]:
    """Pairs of points no farther apart, each point of the second (point, 3) with its nearest of the first."""
    distance_m, nearest = cKDTree(first_m).query(second_m)
    second = np.flatnonzero(distance_m <= within_m)
    return nearest[second].astype(np.int64), second.astype(np.int64)


def tie(first: Complexes, second: Complexes, frequency_hz: Floats) -> Tie:
    """Compare spectra of shared places, both (frequency, channel, place), frequencies rising.

    Gains are ratios of rms over the frequencies, so noise on either side weighs alike; a delay is where the
    cross-spectrum adds up best, refined by its phase. Loud frequencies count more.
    """
    cross = np.sum(second * first.conj(), axis=1)
    gain_db = amplitude_db(_rms(second) / _rms(first))
    delay_s = _delays(frequency_hz, cross)
    rotation = np.exp(2j * np.pi * np.outer(frequency_hz, delay_s))
    inverted = float(np.sum(cross * rotation).real) < 0
    mean_db, mean_s = float(gain_db.mean()), float(delay_s.mean())
    turn = (-1.0 if inverted else 1.0) * 10.0 ** (mean_db / 20.0) * np.exp(-2j * np.pi * frequency_hz * mean_s)
    left = second - turn[:, None, None] * first
    return Tie(
        len(gain_db),
        mean_db,
        _standard_error(gain_db),
        mean_s,
        _standard_error(delay_s),
        inverted,
        float(amplitude_db(float(np.linalg.norm(left) / np.linalg.norm(second)))),
    )


def band_spectra(session: Session, points: Integers, low_hz: float, high_hz: float) -> tuple[Floats, Complexes]:
    """Frequencies of a band and spectra (frequency, channel, point) of some points.

    Where the drive signal was recorded with every point, spectra are divided by its spectrum: a run corrects delay
    and gain of the chain by it, so they are no difference between pieces.
    """
    response = session.response
    if isinstance(response, TransferFunctions):
        inside = _inside(response.frequency_hz, low_hz, high_hz)
        return response.frequency_hz[inside], response.values[inside][:, :, points].astype(np.complex128)
    rate, length = response.sampling_rate_hz, response.values.shape[2]
    reference = session.drive.reference
    same_clock = session.drive.reference_sampling_rate_hz == rate
    if reference is not None and same_clock:
        length = max(length, reference.shape[1])
    frequency_hz = fft.rfftfreq(length, 1.0 / rate)
    inside = _inside(frequency_hz, low_hz, high_hz)
    spectra = _transform(response.values[:, points], length, inside)
    if reference is not None and same_clock:
        spectra = spectra / _transform(reference[points], length, inside)[:, None, :]
    return frequency_hz[inside], spectra


def usable_points(session: Session) -> Integers:
    """Points that the file does not leave out and whose response is finite and not silent."""
    values = session.response.values
    axes = (0, 1) if isinstance(session.response, TransferFunctions) else (0, 2)
    sound: Booleans = session.valid & np.isfinite(values).all(axis=axes) & np.any(values != 0, axis=axes)
    return np.flatnonzero(sound)


def _inside(frequency_hz: Floats, low_hz: float, high_hz: float) -> Booleans:
    return (frequency_hz >= low_hz) & (frequency_hz <= high_hz)


def _transform(values: NDArray[np.floating[Any]], length: int, inside: Booleans) -> Complexes:
    spectra = fft.rfft(values.astype(np.float64), length)[..., inside]
    return np.asarray(np.moveaxis(spectra, -1, 0))


def _rms(spectra: Complexes) -> Floats:
    """Over frequencies and channels, (place,)."""
    return np.asarray(np.sqrt(np.mean(np.square(np.abs(spectra)), axis=(0, 1))))


def _delays(frequency_hz: Floats, cross: Complexes) -> Floats:
    """Delays (place,) that cross-spectra (frequency, place) show, within +-20 ms, whatever their polarity."""
    # an eighth of the shortest period: what is left turns no phase by more than 0.4 rad
    tried_s = np.arange(-_LONGEST_DELAY_S, _LONGEST_DELAY_S, 0.125 / frequency_hz[-1])
    sums = np.exp(2j * np.pi * np.outer(tried_s, frequency_hz)) @ cross
    coarse_s = tried_s[np.argmax(np.abs(sums), axis=0)]
    aligned = cross * np.exp(2j * np.pi * np.outer(frequency_hz, coarse_s))
    phase = np.angle(aligned * np.sign(np.sum(aligned, axis=0).real))
    weight = np.abs(cross) * frequency_hz[:, None]
    slope = np.sum(weight * phase, axis=0) / np.sum(weight * frequency_hz[:, None], axis=0)
    return np.asarray(coarse_s - slope / (2.0 * np.pi))


def _standard_error(values: Floats) -> float:
    return float(values.std(ddof=1) / np.sqrt(len(values))) if len(values) > 1 else float("nan")
