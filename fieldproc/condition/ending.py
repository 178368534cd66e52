"""Where responses have died away into their noise: what comes later is noise alone, and is left out.

The mean square of all responses over time tells it, in a few bands, since high notes die sooner. The records' end
tells the noise; the mean over thousands of responses is so steady that sound far below the noise still shows.

Sound that outlasts the records must not pass for noise. Noise fluctuates in every record by itself, sound in all of
them alike: what counts is how steady the mean of independent records would be, not how steady it is.
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
# Where the noise hides sound up to this share of it, there are too few points to tell.
_BLUNT = 0.3
# Records with so many times the noise of the usual one would speak for all others, and are not asked.
_LOUD = 4.0
# The record is used for this much longer than sound is seen and two averages more, the last part of it fading.
_LONGER, _FADING = 1.3, 0.2
# Records shortened by less are left alone, and records without noise.
_WORTH, _NO_NOISE = 0.8, 1e-12


def endings(
    values: NDArray[np.floating[Any]], kept: Integers, sampling_rate_hz: float, frequency_hz: Floats
) -> Integers:
    """Number of samples to use at every frequency, (frequency,): what the channel that sounds longest needs.

    ``values`` (channel, point, sample); of these, the ``kept`` points count.
    """
    samples = values.shape[2]
    count = np.full(len(frequency_hz), samples)
    taken = np.zeros(len(frequency_hz), dtype=np.bool_)
    sounding = [one for one in values if one[kept].any()]
    for top in _BANDS:
        rows = ~taken & (frequency_hz <= 0.8 * top * sampling_rate_hz)
        taken |= rows
        if rows.any():
            count[rows] = max((_died_away(one, kept, top) for one in sounding), default=samples)
    return np.where(count < _WORTH * samples, count, samples)


def fade_out(count: int) -> Floats:
    """Weights of the samples used, (count,): 1, and a smooth end."""
    fading = max(1, int(_FADING * count))
    weights = np.ones(count)
    weights[count - fading :] = np.cos(0.5 * np.pi * (np.arange(fading) + 1.0) / (fading + 1.0)) ** 2
    return weights


def _died_away(values: NDArray[np.floating[Any]], kept: Integers, top: float) -> int:
    """Samples of ``values`` (point, sample) until the sound below ``top`` re the sampling rate is noise, and more."""
    samples = int(values.shape[1])
    if samples * 2.0 * top < _FRAMES:
        return samples
    parts = np.array_split(kept, max(1, len(kept) // 256))
    own = np.concatenate([_frames(values[part].astype(np.float64), max(1, int(0.5 / top))) for part in parts])
    late = own[:, -_LAST:].mean(axis=1)
    own = own[late <= _LOUD * np.median(late)]
    frames, independent = own.sum(axis=0), float(np.sqrt(own[:, -_LAST:].var(axis=1).sum()))
    noise = float(frames[-_LAST:].mean())
    if noise <= _NO_NOISE * frames.max():
        return samples
    hidden = max(_SHARE * noise, _SIGMAS * independent)
    sound = np.flatnonzero(frames > noise + hidden)
    if hidden > _BLUNT * noise or not sound.size:
        return samples
    until = (int(sound[-1]) + 3) / _FRAMES
    # where it still dies away at the end, there is no noise to tell
    return samples if until > 1.0 - (_LAST + 1) / _FRAMES else int(min(1.0, _LONGER * until) * samples)


def _frames(values: Floats, step: int) -> Floats:
    """Mean square of records (point, sample), one sample of ``step`` kept, over each part of them, (point, part)."""
    low = signal.resample_poly(values, 1, step, axis=1) if step > 1 else values
    edges = np.linspace(0, low.shape[1], _FRAMES + 1).astype(np.int64)
    return np.asarray(np.add.reduceat(low**2, edges[:-1], axis=1) / np.diff(edges))
