"""Samples as a WAV file."""

from __future__ import annotations

import io

import numpy as np
from scipy.io import wavfile

from fieldproc.conventions import Floats
from fieldproc.errors import UsageError


def wav_bytes(samples: Floats, sampling_rate_hz: float) -> bytes:
    """One channel (sample,) of 32-bit floating-point numbers, in the unit of the samples.

    The same input gives the same bytes. ``UsageError`` where the rate is no whole number of hertz, which is all that
    the format can state.
    """
    if not (sampling_rate_hz > 0 and float(sampling_rate_hz).is_integer()):
        raise UsageError(f"sampling rate {sampling_rate_hz} Hz: a WAV file needs a whole number of hertz; choose one")
    buffer = io.BytesIO()
    wavfile.write(buffer, int(sampling_rate_hz), samples.astype(np.float32))
    return buffer.getvalue()
