"""Impulse and step response of a pressure over frequency.

The band ends with raised cosines outside of it: down to 0 Hz, and up to an octave above it or half the sampling rate.
Every row within the band stays what it is, so the transform of the samples gives the pressures back. They take all
the room there is, and have no kink: a narrower roll-off or a straight one rings more. A flat response from 20 Hz to
19.9 kHz is at -66 dB from a millisecond on, at 48 kHz; what is left comes from the 20 Hz, and is far less where the
loudspeaker falls off by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fieldproc.conventions import Complexes, Floats, amplitude_db
from fieldproc.errors import NumericalError
from fieldproc.impulse.spectrum import resampled
from fieldproc.waves.delay import carried_s, common_delay_s

# What is left before the sound for what rings ahead of it.
LEAD_S = 0.05
# Share of half the sampling rate at which the roll-off begins at the latest.
_TOP_SHARE = 0.85
# Bins of the transform below the band, for what rings there must die away before it comes round again.
_BINS_BELOW = 8
# The record is cut with fades: in over this share of what is ahead of the sound, out over this share of all.
_FADE_IN, _FADE_OUT = 0.5, 0.125
# Nearer to its largest sample than this, an impulse response is not said to ring.
_PEAK_S = 1e-3
# A cubic spline needs as many.
_FEWEST_ROWS = 4


@dataclass(frozen=True, slots=True)
class ImpulseResponse:
    """Pressures in Pa (sample,), sample 0 at ``start_s``; ``facts`` say how they came about."""

    samples_pa: Floats
    sampling_rate_hz: float
    start_s: float
    facts: Mapping[str, str | float | int]

    @property
    def times_s(self) -> Floats:
        """Of every sample, (sample,)."""
        return np.asarray(self.start_s + np.arange(len(self.samples_pa)) / self.sampling_rate_hz)


def impulse_response(
    frequency_hz: Floats,
    pressure_pa: Complexes,
    *,
    sampling_rate_hz: float = 48000.0,
    samples: int = 16384,
    start_s: float | None = None,
    about_s: float | None = None,
) -> ImpulseResponse:
    """Impulse response of a pressure (frequency,) of known phase on any rising grid; rows that are nan are bridged.

    Samples are scaled so that the sum of h(t) exp(-i omega t) over them, as ``numpy.fft.rfft`` takes it, is the
    pressure in Pa: rms, at the drive and the distance that it holds for. ``start_s`` is the time of sample 0, by
    default a whole number of samples, ``LEAD_S`` before the common delay, which is looked for near ``about_s`` where
    that is known. ``NumericalError`` where fewer than four rows well below half the sampling rate are good.
    """
    good = np.isfinite(pressure_pa) & (frequency_hz > 0.0)
    band_hz = frequency_hz[good]
    limits_hz = _limits_hz(band_hz, sampling_rate_hz)
    delay_s = common_delay_s(frequency_hz, np.where(good, pressure_pa, np.nan), about_s)
    if start_s is None:
        start_s = round((delay_s - LEAD_S) * sampling_rate_hz) / sampling_rate_hz
    ahead = (delay_s - start_s) * sampling_rate_hz
    # long enough that nothing comes round: neither what rings below the band nor a sound far from the record
    longest = max(2.0 * (samples + abs(ahead)), _BINS_BELOW * sampling_rate_hz / band_hz[0])
    count = 2 ** int(np.ceil(np.log2(longest)))
    bins_hz = np.arange(count // 2 + 1) * sampling_rate_hz / count
    weight = _roll_off(bins_hz, limits_hz)
    smooth = pressure_pa[good] * np.exp(2j * np.pi * band_hz * delay_s)
    spectrum = np.zeros(len(bins_hz), dtype=np.complex128)
    spectrum[1:] = weight[1:] * resampled(band_hz, smooth, bins_hz[1:])
    spectrum *= np.exp(2j * np.pi * bins_hz * (start_s - delay_s))
    record = np.fft.irfft(spectrum)[:samples] * _fades(samples, ahead)
    facts: dict[str, str | float | int] = {
        **_WORDS,
        "roll_off": _roll_off_words(limits_hz),
        "sampling_rate_hz": sampling_rate_hz,
        "start_s": start_s,
        "lowest_hz": limits_hz[1],
        "highest_hz": limits_hz[2],
        "roll_off_ringing_db": _ahead_db(np.fft.fftshift(np.fft.irfft(weight)), sampling_rate_hz),
        "ahead_db": _ahead_db(record, sampling_rate_hz),
        "delay_s": delay_s,
        "rows_bridged": int(np.sum(np.diff(np.flatnonzero(good)) - 1)),
        "carried_lowest_s": float(carried_s(band_hz)[0]),
        "carried_highest_s": float(carried_s(band_hz)[-1]),
    }
    return ImpulseResponse(record, sampling_rate_hz, start_s, facts)


_WORDS = {
    "samples": "the sum over samples of h(t) exp(-i omega t) is the rms pressure in Pa",
    "ringing": (
        f"largest value earlier than {1e3 * _PEAK_S:g} ms before the largest of all, re that: ahead of this "
        "response, and of a flat one with this roll-off, before and after alike"
    ),
    "fades": f"half cosines, over the first {_FADE_IN:g} of what is ahead of the sound and the last {_FADE_OUT:g}",
    "carried": (
        "sound that arrives within half of 1 / (step of the frequency grid) before and after delay_s; what arrives "
        "later at a frequency appears at a wrong time"
    ),
}


def _limits_hz(band_hz: Floats, sampling_rate_hz: float) -> tuple[float, float, float, float]:
    """Where the response begins, where it is whole from and to, and where it ends."""
    half_hz = sampling_rate_hz / 2.0
    inside = np.count_nonzero(band_hz <= _TOP_SHARE * half_hz)
    if inside < _FEWEST_ROWS:
        raise NumericalError(
            "impulse",
            f"number of frequencies with a pressure up to {_TOP_SHARE * half_hz:g} Hz",
            str(inside),
            f"{_FEWEST_ROWS} or more",
            "take more frequencies or a higher sampling rate",
        )
    highest_hz = min(float(band_hz[-1]), _TOP_SHARE * half_hz)
    return 0.0, float(band_hz[0]), highest_hz, min(2.0 * highest_hz, half_hz)


def _roll_off(bins_hz: Floats, limits_hz: tuple[float, float, float, float]) -> Floats:
    """1 within the band, raised cosines to 0 outside of it, (bin,)."""
    begin, lowest, highest, end = limits_hz
    rising = np.clip((bins_hz - begin) / (lowest - begin), 0.0, 1.0)
    falling = np.clip((end - bins_hz) / (end - highest), 0.0, 1.0)
    return np.asarray(np.sin(np.pi / 2.0 * rising) ** 2 * np.sin(np.pi / 2.0 * falling) ** 2)


def _roll_off_words(limits_hz: tuple[float, float, float, float]) -> str:
    begin, lowest, highest, end = limits_hz
    return (
        f"raised cosines outside the band, from {begin:g} to {lowest:.6g} Hz and from {highest:.6g} to {end:.6g} Hz; "
        "level and phase go on as at the end of the band, never louder"
    )


def _fades(samples: int, ahead: float) -> Floats:
    """(sample,), where so many samples are ahead of the sound."""
    at = np.arange(samples)
    rising = np.clip((at + 0.5) / max(_FADE_IN * ahead, 0.5), 0.0, 1.0)
    falling = np.clip((samples - at - 0.5) / (_FADE_OUT * samples), 0.0, 1.0)
    return np.asarray(np.sin(np.pi / 2.0 * rising) ** 2 * np.sin(np.pi / 2.0 * falling) ** 2)


def _ahead_db(record: Floats, sampling_rate_hz: float) -> float:
    """Largest value well before the largest of all, re that; -inf where there is none."""
    size = np.abs(record)
    before = int(np.argmax(size)) - int(np.ceil(_PEAK_S * sampling_rate_hz))
    ahead = size[: max(before, 0)].max(initial=0.0)
    return float(amplitude_db(ahead / size.max())) if ahead else -np.inf


def step_response(impulse: ImpulseResponse) -> ImpulseResponse:
    """The integral of an impulse response over time, in Pa: what a step of the drive of unit height comes to.

    By the trapezoidal rule, which takes a frequency f for x / tan x of itself, x = pi f / sampling rate: -0.1 % at
    1 kHz and -4 % at 5 kHz of 48 kHz.
    """
    pressure = impulse.samples_pa
    words = "response to a step of unit height: integral of the impulse response by the trapezoidal rule, in Pa"
    return replace(
        impulse, samples_pa=np.cumsum(pressure) - pressure / 2.0, facts={**impulse.facts, "samples": words}
    )
