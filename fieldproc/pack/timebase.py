"""Impulse responses of several pieces on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from fieldproc.records import ImpulseResponses

# Starts nearer to a whole number of samples than this are meant to be there.
_WHOLE = 1e-3
_POINTS_AT_ONCE = 100


def on_one_time_axis(responses: Sequence[ImpulseResponses]) -> tuple[list[ImpulseResponses], list[int]]:
    """The same responses with one start and one length, and which of them had to be moved by part of a sample.

    All take the earliest start and the latest end; what a piece did not record there is zero. Starts that differ by
    whole samples leave every sample as it is; part of a sample is a shift of phase (:func:`delayed`).
    """
    rate = responses[0].sampling_rate_hz
    start_s = min(one.start_s for one in responses)
    later = [(one.start_s - start_s) * rate for one in responses]
    whole = [round(samples) for samples in later]
    part = [
        samples - near if abs(samples - near) > _WHOLE else 0.0 for samples, near in zip(later, whole, strict=True)
    ]
    length = max(near + one.values.shape[2] for near, one in zip(whole, responses, strict=True))
    moved = []
    for one, near, rest in zip(responses, whole, part, strict=True):
        padding = ((0, 0), (0, 0), (near, length - near - one.values.shape[2]))
        moved.append(ImpulseResponses(delayed(np.pad(one.values, padding), rest), rate, start_s))
    return moved, [index for index, rest in enumerate(part) if rest]


def delayed(values: NDArray[np.floating[Any]], samples: float) -> NDArray[np.floating[Any]]:
    """Responses (..., point, sample) later by so many samples, not a whole number: a shift of phase.

    Padded to twice the length, so that nothing comes round; what is shifted beyond the ends is lost. The error is
    what the response has left at its ends and at half the sampling rate.
    """
    if samples == 0:
        return values
    count = values.shape[-1]
    length = fft.next_fast_len(2 * count, real=True)
    turn = np.exp(-2j * np.pi * samples * np.arange(length // 2 + 1) / length)
    result = np.empty_like(values)
    for first in range(0, values.shape[-2], _POINTS_AT_ONCE):
        block = np.s_[..., first : first + _POINTS_AT_ONCE, :]
        spectra = fft.rfft(values[block].astype(np.float64), length)
        result[block] = fft.irfft(spectra * turn, length)[..., :count]
    return result
