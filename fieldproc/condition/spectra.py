"""From a sampled response to its spectrum at any frequency, without interpolation.

A recorded response is a finite sum of samples, so its Fourier transform at any frequency f is the finite
sum of p[n] exp(-i 2 pi f t_n). It is evaluated as it stands, as one matrix product for all points and
frequencies. Interpolating FFT bins instead turns the phase of a long delay into ripple of magnitude: half
a bin off, a response centred 85 ms into a 171 ms record loses all of its level.

Error of the sum: rounding only, about 1e-12 of the largest sample sum (phases are reduced to one turn
before they are scaled).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats

# Samples converted to double precision at a time: 64 MB.
_CHUNK_SAMPLES = 8_000_000


def log_frequency_grid(lowest_hz: float, per_octave: int, count: int) -> Floats:
    """lowest * 2^(i / per_octave) Hz for i = 0..count-1."""
    return np.asarray(lowest_hz * 2.0 ** (np.arange(count) / per_octave))


def spectra_at(
    samples: NDArray[np.floating[Any]],
    sampling_rate_hz: float,
    start_s: float,
    frequency_hz: Floats,
    weights: Floats | float = 1.0,
) -> Complexes:
    """Fourier transform of sampled responses at given frequencies.

    ``samples`` (point, sample), sample 0 at ``start_s``, times ``weights`` (sample,); result (frequency, point), in
    the samples' unit (a sum over samples, as for an impulse response in Pa/V per sample).
    """
    turns = np.outer(frequency_hz / sampling_rate_hz, np.arange(samples.shape[1]))
    phase = -2.0 * np.pi * (turns - np.floor(turns))
    cosine, sine = (np.cos(phase) * weights).T, (np.sin(phase) * weights).T
    spectra = np.empty((len(frequency_hz), len(samples)), dtype=np.complex128)
    chunk = max(1, _CHUNK_SAMPLES // samples.shape[1])
    for first in range(0, len(samples), chunk):
        part = slice(first, first + chunk)
        block = samples[part].astype(np.float64)
        spectra.real[:, part] = (block @ cosine).T
        spectra.imag[:, part] = (block @ sine).T
    return np.asarray(spectra * np.exp(-2j * np.pi * frequency_hz * start_s)[:, None])
