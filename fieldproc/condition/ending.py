"""Where responses have died away into their noise: what comes later is noise alone, and is left out.

The mean square of all responses over time tells it, in a few bands, since high notes die sooner. The records' end
tells the noise; the mean over thousands of responses is so steady that sound far below the noise still shows.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from fieldproc.conventions import Floats, Integers

# Upper ends of the bands re the sampling rate, the last one half of it.
_BANDS = (1.0 / 96.0, 1.0 / 12.0, 0.5)
# The energy is averaged over this share of the record; the last so many averages are taken for noise.
_FRAMES, _LAST = 64, 12
# Sound is what exceeds the noise by this share of it or by so many of its standard errors.
_SHARE, _SIGMAS = 0.02, 4.0
# The record is used for this much longer than sound is seen and two averages more, the last part of it fading.
_LONGER, _FADING = 1.3, 0.2
# Records shortened by less are left alone, and records without noise.
_WORTH, _NO_NOISE = 0.8, 1e-12


def endings(
    values: NDArray[np.floating[Any]], kept: Integers, sampling_rate_hz: float, frequency_hz: Floats
) -> Integers:
    """Number of samples to use at every frequency, (frequency,).

    ``values`` (channel, point, sample); of these, the ``kept`` points count.
    """
    samples = values.shape[2]
    count = np.full(len(frequency_hz), samples)
    taken = np.zeros(len(frequency_hz), dtype=np.bool_)
    for top in _BANDS:
        rows = ~taken & (frequency_hz <= 0.8 * top * sampling_rate_hz)
        taken |= rows
        if rows.any():
            count[rows] = _died_away(values, kept, top)
    return np.where(count < _WORTH * samples, count, samples)


def fade_out(count: int) -> Floats:
    """Weights of the samples used, (count,): 1, and a smooth end."""
    fading = max(1, int(_FADING * count))
    weights = np.ones(count)
    weights[count - fading :] = np.cos(0.5 * np.pi * (np.arange(fading) + 1.0) / (fading + 1.0)) ** 2
    return weights


def _died_away(values: NDArray[np.floating[Any]], kept: Integers, top: float) -> int:
    """Samples until the sound below ``top`` re the sampling rate is noise, and some more."""
    samples = values.shape[2]
    step = max(1, int(0.5 / top))
    energy = np.zeros(samples // step)
    for one in values:
        for part in np.array_split(kept, max(1, len(kept) // 256)):
            block = one[part].astype(np.float64)
            if step > 1:
                block = signal.resample_poly(block, 1, step, axis=1)
            energy += np.sum(block[:, : len(energy)] ** 2, axis=0)
    frames = np.array([part.mean() for part in np.array_split(energy, min(_FRAMES, len(energy)))])
    last = frames[-_LAST:]
    noise, deviation = float(last.mean()), float(last.std())
    sound = np.flatnonzero(frames > noise + max(_SHARE * noise, _SIGMAS * deviation))
    until = (int(sound[-1]) + 3 if sound.size else 0) / len(frames)
    if noise <= _NO_NOISE * frames.max():
        return samples
    # where it still dies away at the end, there is no noise to tell
    return samples if until > 1.0 - (_LAST + 1) / len(frames) else int(min(1.0, _LONGER * until) * samples)
