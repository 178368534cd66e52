"""A complex pressure on any rising grid of frequencies, put on an even one.

Real and imaginary part are joined by cubic splines over the logarithm of frequency, which pass through nulls that
level and phase do not survive. A delay turns the phase from row to row, so the common one is taken out before. Rows
turned by x against their neighbours are joined wrongly by x^4 / 384 of themselves where x is small, by 0.3 % at one
radian, 2 % at 1.5, 10 % at 2, and at pi there is nothing left to join. On twenty-fourths of an octave, sound off the
common delay by 5.4, 8, 11 and 17 periods turns them so.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

from fieldproc.conventions import Complexes, Floats

# Slopes of level and phase at either end of the band are medians over this many octaves.
_SLOPE_OCTAVES = 1.0 / 3.0
# Level falls outward from the band by no more than this many powers of frequency.
_STEEPEST = 8.0


def resampled(frequency_hz: Floats, pressure: Complexes, wanted_hz: Floats) -> Complexes:
    """The pressure at any rising positive frequencies (wanted,), from good rows of a smooth one (frequency,).

    Outside the band: with the slopes that phase (over frequency) and level (over its logarithm) have at its end, but
    never louder than there.
    """
    parts = CubicSpline(np.log(frequency_hz), np.stack([pressure.real, pressure.imag]), axis=1)
    inside_hz = np.clip(wanted_hz, frequency_hz[0], frequency_hz[-1])
    real, imaginary = parts(np.log(inside_hz))
    found: Complexes = real + 1j * imaginary
    for end, outward in ((0, -1.0), (-1, 1.0)):
        beyond = (wanted_hz - frequency_hz[end]) * outward > 0.0
        power, turn_s = _slopes(frequency_hz, pressure, end)
        power = outward * np.clip(outward * power, -_STEEPEST, 0.0)
        ratio = wanted_hz[beyond] / frequency_hz[end]
        found[beyond] *= ratio**power * np.exp(1j * turn_s * (wanted_hz[beyond] - frequency_hz[end]))
    return found


def _slopes(frequency_hz: Floats, pressure: Complexes, end: int) -> tuple[float, float]:
    """At one end of the band: power of frequency that the level follows, and phase per Hz; medians of a few rows."""
    near = np.abs(np.log2(frequency_hz / frequency_hz[end])) <= _SLOPE_OCTAVES
    # at least two rows, however far apart they are
    near[[0, 1] if end == 0 else [-2, -1]] = True
    own, level = frequency_hz[near], np.abs(pressure[near])
    if np.any(level == 0.0):
        return 0.0, 0.0
    power = np.median(np.diff(np.log(level)) / np.diff(np.log(own)))
    turn = np.median(np.angle(pressure[near][1:] * pressure[near][:-1].conj()) / np.diff(own))
    return float(power), float(turn)
