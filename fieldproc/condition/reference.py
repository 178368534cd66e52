"""Delay and gain of every record against the others, from the drive signal recorded with each.

A drive signal is taken for x_p(t) = g_p s(t - tau_p) plus white noise, s being the record of one point. Delay and
gain are then the least squares estimate: the peak of the cross-correlation (noise in s shifts all records alike),
found to the sample by a Fourier transform and below it by Gauss-Newton steps on the phase of the
cross-spectrum. Only the band in which the signal has energy counts: an offset, or sound beside it, does no harm.

Only differences between records are known: the median delay and gain are left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from fieldproc.conventions import Floats, Integers, amplitude_db
from fieldproc.errors import NumericalError

# A record whose correlation with the others is less is another signal, or noise at -7 dB and above.
LEAST_LIKENESS = 0.9
# Mean energy of a group of bins re the strongest from which on it counts: an exponential sweep over ten octaves
# falls by 30 dB.
_BAND_POWER = 1e-4
# Groups of neighbouring bins. The rest of the delay, half a sample, turns one of them by 0.001 rad.
_GROUPS = 2048
_STEPS = 4
# Records among which one like most others is looked for.
_CANDIDATES = 9
# Samples transformed at a time: about 200 MB.
_CHUNK_SAMPLES = 4_000_000

MISSING, NOT_FINITE, SILENT, UNLIKE = (
    "reference is missing",
    "reference is not finite",
    "reference is silent",
    "reference is not like the others",
)


@dataclass(frozen=True, slots=True)
class Alignment:
    """Of every record, shape (record,): how late and how loud it is re the median, 0 and 1 where not known.

    ``reasons`` says why, by record. The errors are the largest standard errors, as the noise of the drive signals
    implies them.
    """

    delay_s: Floats
    gain: Floats
    reasons: dict[int, str]
    told: str


def align(references: NDArray[np.floating[Any]], sampling_rate_hz: float, records: Integers) -> Alignment:
    """Delays and gains from drive signals (record, sample); of the stated ``records``, the others are left alone.

    Raises ``NumericalError`` where fewer than half of the records are alike: then none of them is a reference.
    """
    reasons = {int(row): reason for row in records if (reason := _fault(references[row]))}
    usable = np.array([row for row in records if row not in reasons], dtype=np.int64)
    found = _compare(references, usable, _most_alike(references, usable)) if len(usable) else np.empty((5, 0))
    alike = found[2] >= LEAST_LIKENESS
    if 2 * np.count_nonzero(alike) < len(records):
        raise NumericalError(
            "condition",
            "number of points whose /drive/reference is like that of the others",
            f"{np.count_nonzero(alike)} of {len(records)}",
            "at least half",
            "record the same drive signal with every point, or set spectra.reference = false",
        )
    reasons |= {int(row): UNLIKE for row in usable[~alike]}
    kept, (delay, gain, _, delay_error, gain_error) = usable[alike], found[:, alike]
    delay, gain = delay - np.median(delay), gain / np.median(gain)
    delay_s, gains = np.zeros(len(references)), np.ones(len(references))
    delay_s[kept], gains[kept] = delay / sampling_rate_hz, gain
    gain_db = amplitude_db(gain)
    told = (
        f"drive signals recorded with the points: delays from {delay.min():.3f} to {delay.max():.3f} samples and "
        f"gains from {gain_db.min():.3f} to {gain_db.max():.3f} dB taken out (standard error at most "
        f"{delay_error.max():.1e} samples, {amplitude_db(1.0 + gain_error.max()):.1e} dB)"
    )
    return Alignment(delay_s, gains, reasons, told)


def _fault(record: NDArray[np.floating[Any]]) -> str | None:
    """Why a drive signal cannot be used at all."""
    finite = np.isfinite(record)
    if not finite.any():
        return MISSING
    if not finite.all():
        return NOT_FINITE
    return None if record.any() else SILENT


@dataclass(frozen=True, slots=True)
class _Template:
    """The record that others are compared with: ``spectrum`` (bin,) is zero outside its band.

    Groups of bins start at ``starts`` and stand for ``turn`` radian per sample, their middle by energy.
    """

    size: int
    spectrum: NDArray[np.complexfloating[Any, Any]]
    energy: Floats
    starts: Integers
    turn: Floats


def _template(record: NDArray[np.floating[Any]]) -> _Template:
    size = fft.next_fast_len(len(record), real=True)
    spectrum = fft.rfft(record, size)
    spectrum[0] = 0
    starts = np.arange(0, len(spectrum), max(1, len(spectrum) // _GROUPS))
    mean = np.add.reduceat(_square(spectrum), starts) / np.diff(starts, append=len(spectrum))
    weak = np.repeat(mean < _BAND_POWER * mean.max(), np.diff(starts, append=len(spectrum)))
    spectrum[weak] = 0
    power = _square(spectrum)
    energy = np.add.reduceat(power, starts)
    moment = np.add.reduceat(power * np.arange(len(spectrum)), starts)
    turn = 2.0 * np.pi / size * np.divide(moment, energy, out=np.zeros(len(starts)), where=energy > 0)
    return _Template(size, spectrum, energy, starts, turn)


def _most_alike(references: NDArray[np.floating[Any]], usable: Integers) -> _Template:
    """Of a few records all over the scan, the one that most resembles the rest."""
    few = usable[np.unique(np.linspace(0, len(usable) - 1, _CANDIDATES).astype(np.int64))]
    templates = [_template(references[row]) for row in few]
    likeness = [np.median(_compare(references, few, template)[2]) for template in templates]
    return templates[int(np.argmax(likeness))]


def _compare(references: NDArray[np.floating[Any]], rows: Integers, template: _Template) -> Floats:
    """Delay in samples, gain, likeness, and standard errors of delay and (relative) gain: shape (5, row)."""
    return np.concatenate([_compare_few(references[part], template) for part in _parts(rows, template.size)], axis=1)


def _parts(rows: Integers, size: int) -> Iterator[Integers]:
    step = max(1, _CHUNK_SAMPLES // size)
    for first in range(0, len(rows), step):
        yield rows[first : first + step]


def _compare_few(records: NDArray[np.floating[Any]], template: _Template) -> Floats:
    size, bins = template.size, np.arange(len(template.spectrum))
    spectra = fft.rfft(records, size, axis=1)
    own = _square(spectra) @ (template.spectrum != 0).astype(np.float64)
    spectra *= template.spectrum.conj()
    whole = np.argmax(fft.irfft(spectra, size, axis=1), axis=1)
    roots = np.exp(2j * np.pi / size * np.arange(size))
    turned_back = (row * roots[bins * lag % size] for row, lag in zip(spectra, whole, strict=True))
    cross = np.stack([np.add.reduceat(row, template.starts) for row in turned_back])
    turn, rest = template.turn, np.zeros(len(records))
    for _ in range(_STEPS):
        turned = cross * np.exp(1j * np.outer(rest, turn))
        curvature = turned.real @ turn**2
        rest -= np.divide(turned.imag @ turn, curvature, out=np.zeros(len(records)), where=curvature > 0)
    common = (cross * np.exp(1j * np.outer(rest, turn))).real.sum(axis=1)
    gain = common / template.energy.sum()
    likeness = np.divide(common, np.sqrt(own * template.energy.sum()), out=np.zeros(len(records)), where=own > 0)
    # mean square of what is left per bin, half of it in the direction that counts
    left = 0.5 * own * np.clip(1.0 - likeness**2, 0.0, None) / np.count_nonzero(template.spectrum)
    delay = np.where(2 * whole > size, whole - size, whole) + rest
    with np.errstate(divide="ignore", invalid="ignore"):
        errors = np.sqrt(left / np.array([[template.energy @ turn**2], [template.energy.sum()]])) / np.abs(gain)
    return np.stack([delay, gain, likeness, *errors])


def _square(spectrum: NDArray[np.complexfloating[Any, Any]]) -> Floats:
    return np.asarray(spectrum.real.astype(np.float64) ** 2 + spectrum.imag.astype(np.float64) ** 2)
