"""From the record of a stimulus to the response, its harmonics and the drift of the recorder's clock.

The record is divided by the stimulus, frequency by frequency. With an exponential sweep of instantaneous frequency
f1 exp(t/L), L = T / ln(f2/f1), what the loudspeaker adds at n times the frequency is played by the sweep itself
L ln n later; so the response to the n-th harmonic *leads* the linear one by L ln n (A. Farina, 108th AES Convention,
2000, preprint 5093; from memory) and can be cut out by itself. Magnitudes of harmonics hold for any such sweep, their
phases only where f1 L is a whole number (A. Novak, P. Lotton, L. Simon, J. Audio Eng. Soc. 63 (2015) 786).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize

from fieldproc.conventions import Complexes, Floats

# Added to the stimulus power, relative to its level around: in the band it biases by as much, outside it holds
# the division back to half of what the level would allow.
_SHARE_INSIDE, _SHARE_OUTSIDE = 1e-8, 1.0
# Over which the one becomes the other, in octaves below and above the band.
_EDGE_BELOW, _EDGE_ABOVE = 1.0, 1.0 / 3.0
# Half the width over which the level of the stimulus is averaged, in octaves.
_HALF_WIDTH = 1.0 / 6.0
# A stimulus that is no sweep has its band where it is at most so far below its highest level, as power per hertz
# or per octave: -20 dB.
_BAND_LEVEL = 1e-2
# Samples quieter than this share of the peak are before the stimulus or after it.
_SILENCE = 1e-3
# Phase that no exponential sweep explains, rms; a sweep that is merely sampled and quantised leaves 0.01.
_SWEEP_PHASE_RAD = 0.2
_PHASE_SAMPLES = 4000


@dataclass(frozen=True, slots=True)
class Sweep:
    """An exponential sweep from ``start_hz`` to ``end_hz``; its frequency grows by e in ``rate_s``."""

    start_hz: float
    end_hz: float
    rate_s: float

    def lead_s(self, harmonic: int) -> float:
        """How much earlier than the linear response that of a harmonic appears."""
        return float(self.rate_s * np.log(harmonic))


def sounding(stimulus: Floats) -> tuple[int, int]:
    """First sample of a stimulus (sample,) that is not silence, and the one after the last; equal for silence."""
    loud = np.flatnonzero(np.abs(stimulus) > _SILENCE * np.abs(stimulus).max())
    return (int(loud[0]), int(loud[-1]) + 1) if len(loud) else (0, 0)


def recognise_sweep(stimulus: Floats, sampling_rate_hz: float) -> Sweep | None:
    """The exponential sweep that a stimulus (sample,) is, ``None`` if it is none (or falls).

    The phase of its analytic signal must follow a + b exp(t/L). Fades at its ends do no harm.
    """
    first, end = sounding(stimulus)
    if end == first:
        return None
    analytic = _analytic(stimulus[first:end])
    envelope = np.abs(analytic)
    steady = np.flatnonzero(envelope > 0.5 * envelope.max(initial=0.0))
    if len(steady) < _PHASE_SAMPLES:
        return None
    # the analytic signal rings at its ends
    margin = len(steady) // 50
    inner = slice(int(steady[0]) + margin, int(steady[-1]) - margin)
    phase = np.unwrap(np.angle(analytic[inner]))
    every = max(1, len(phase) // _PHASE_SAMPLES)
    phase, time_s = phase[::every], (inner.start + np.arange(0, len(phase), every)) / sampling_rate_hz
    rate_s = _growth_time(time_s, phase)
    if rate_s is None:
        return None
    (_, scale), misfit_rad = _fit(np.stack([np.ones_like(time_s), np.exp(time_s / rate_s)], axis=1), phase)
    start_hz = float(scale / (2.0 * np.pi * rate_s))
    end_hz = float(start_hz * np.exp((end - first) / sampling_rate_hz / rate_s))
    plausible = start_hz > 0 and 2.0 * start_hz < end_hz <= 0.6 * sampling_rate_hz
    return Sweep(start_hz, end_hz, rate_s) if plausible and misfit_rad < _SWEEP_PHASE_RAD else None


def stimulus_band(stimulus: Floats, sampling_rate_hz: float) -> tuple[float, float]:
    """Lowest and highest frequency of a stimulus (sample,) that is no exponential sweep."""
    length = fft.next_fast_len(len(stimulus), real=True)
    frequency_hz = fft.rfftfreq(length, 1.0 / sampling_rate_hz)
    level = _level(np.square(np.abs(fft.rfft(stimulus, length))))
    octave = level * frequency_hz
    inside = np.flatnonzero((level >= _BAND_LEVEL * level.max()) | (octave >= _BAND_LEVEL * octave.max()))
    inside = inside[inside > 0]
    return float(frequency_hz[inside[0]]), float(frequency_hz[inside[-1]])


class Deconvolver:
    """Divides records by one stimulus (sample,)."""

    def __init__(self, stimulus: Floats, sampling_rate_hz: float, band_hz: tuple[float, float]) -> None:
        self.stimulus = stimulus
        self.sampling_rate_hz = sampling_rate_hz
        self.band_hz = band_hz
        self._inverse: Complexes = np.empty(0, dtype=np.complex128)
        self._length = 0

    def response(self, record: Floats) -> Floats:
        """Response of what is between stimulus and record (sample,), as a period.

        Sample 0 is time 0; what comes before it (harmonics) stands at the end. Longer than record and stimulus
        together, so that neither reaches the other.
        """
        length = fft.next_fast_len(len(record) + len(self.stimulus), real=True)
        if length != self._length:
            self._inverse, self._length = self._inverse_filter(length), length
        return np.asarray(fft.irfft(fft.rfft(record, length) * self._inverse, length))

    def _inverse_filter(self, length: int) -> Complexes:
        """conj(X) / (|X|^2 + e), e being a share of the level of |X|^2 at the nearest frequency of the band."""
        spectrum = fft.rfft(self.stimulus, length)
        frequency_hz = fft.rfftfreq(length, 1.0 / self.sampling_rate_hz)
        power = np.square(np.abs(spectrum))
        level = np.interp(np.clip(frequency_hz, *self.band_hz), frequency_hz, _level(power))
        return np.asarray(spectrum.conj() / (power + level * _regularisation(frequency_hz, self.band_hz)))


def cut(period: Floats, first: int, samples: int) -> Floats:
    """So many samples of a period, from sample ``first`` on (negative: before time 0)."""
    return np.asarray(period[(first + np.arange(samples)) % len(period)])


def clock_drift(reference: Floats, sampling_rate_hz: float, sweep: Sweep) -> float:
    """By how much a recorder's clock runs faster than the player's, relative; from a reference response (sample,).

    A record stretched by 1 + d sounds d (t + L) later than the sweep does at the same frequency, so the phase of the
    response holds -2 pi d L f ln(f/f1) beside its delay. Estimated between 200 Hz, above what coupling capacitors
    turn, and 0.8 of the top of the band.
    """
    frequency_hz = fft.rfftfreq(4 * len(reference), 1.0 / sampling_rate_hz)
    padded = np.concatenate([reference, np.zeros(3 * len(reference))])
    spectrum = fft.rfft(np.roll(padded, -int(np.argmax(np.abs(reference)))))
    low_hz, high_hz = max(200.0, 2.0 * sweep.start_hz), 0.8 * min(sweep.end_hz, 0.5 * sampling_rate_hz)
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    at = frequency_hz[inside]
    stretch = sweep.rate_s * at * np.log(at / sweep.start_hz)
    design = -2.0 * np.pi * np.stack([stretch, at, np.ones_like(at)], axis=1)
    (drift, _, _), _ = _fit(design, np.unwrap(np.angle(spectrum[inside])))
    return float(drift)


def _analytic(samples: Floats) -> Complexes:
    """Samples plus i times their Hilbert transform."""
    length = fft.next_fast_len(2 * len(samples))
    spectrum = fft.fft(samples, length)
    spectrum[1 : (length + 1) // 2] *= 2.0
    spectrum[length // 2 + 1 :] = 0.0
    return np.asarray(fft.ifft(spectrum)[: len(samples)])


def _growth_time(time_s: Floats, phase: Floats) -> float | None:
    """L of the phase a + b exp(t/L) that fits best, ``None`` unless the frequency grows steadily."""
    rise = np.diff(phase)
    if len(rise) < 2 or np.any(rise <= 0) or rise[-1] < 1.5 * rise[0]:
        return None
    middle = 0.5 * (time_s[1:] + time_s[:-1])
    (slope, _), _ = _fit(np.stack([middle, np.ones_like(middle)], axis=1), np.log(rise))

    def unexplained(parameters: Floats) -> Floats:
        return np.asarray(parameters[0] + parameters[1] * np.exp(time_s * parameters[2]) - phase)

    scale = rise[0] / np.diff(np.exp(time_s[:2] * slope))[0]
    start = np.array([phase[0] - scale, scale, slope])
    # at the true growth the phase of the last cycles is right to a part in 1e8 of itself
    best = optimize.least_squares(
        unexplained, start, x_scale=np.abs(start) + 1e-12, xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    return float(1.0 / best.x[2]) if best.x[2] > 0 else None


def _fit(design: Floats, values: Floats) -> tuple[Floats, float]:
    """Least squares with columns scaled to one: parameters, and the rms of what is left."""
    scale = np.linalg.norm(design, axis=0)
    solution = np.linalg.lstsq(design / scale, values, rcond=None)[0]
    left = values - design / scale @ solution
    return np.asarray(solution / scale), float(np.sqrt(np.mean(np.square(left))))


def _level(power: Floats) -> Floats:
    """Power averaged over a third of an octave around each frequency, itself included."""
    total = np.concatenate([[0.0], np.cumsum(power)])
    bins = np.arange(len(power))
    low = np.minimum(np.ceil(bins * 2.0**-_HALF_WIDTH), bins).astype(np.int64)
    high = np.clip(np.floor(bins * 2.0**_HALF_WIDTH), bins, len(power) - 1).astype(np.int64) + 1
    return np.asarray((total[high] - total[low]) / (high - low))


def _regularisation(frequency_hz: NDArray[np.float64], band_hz: tuple[float, float]) -> Floats:
    """Share of the level to add: little in the band, all of it outside, over smooth edges."""
    octaves = np.log2(np.maximum(frequency_hz, frequency_hz[1]) / np.array(band_hz)[:, None])
    beyond = np.clip(np.maximum(-octaves[0] / _EDGE_BELOW, octaves[1] / _EDGE_ABOVE), 0.0, 1.0)
    # squared: a softer edge rings less, a harder one raises less noise; this one raises it by 20 dB at most
    smooth = 0.5 - 0.5 * np.cos(np.pi * beyond)
    return np.asarray(_SHARE_INSIDE + (_SHARE_OUTSIDE - _SHARE_INSIDE) * smooth**2)
