"""The common delay of a spectrum on any rising grid of frequencies, and what such a grid can carry beside it."""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize_scalar

from fieldproc.conventions import Complexes, Floats

# Latencies of sound devices and of long leads are shorter.
_LONGEST_DELAY_S = 0.5
_NEAR_S = 0.01
# Trial delays to a turn over the widest step.
_TRIALS_PER_TURN = 6


def carried_s(frequency_hz: Floats) -> Floats:
    """How long before and after the common delay sound may arrive at every frequency (frequency,) of a grid: half of
    1 / step. What arrives later is taken for something else (time aliasing)."""
    if frequency_hz.size == 1:  # one row has no step, and carries any time
        return np.array([np.inf])
    return np.asarray(0.5 / np.gradient(frequency_hz))


def common_delay_s(frequency_hz: Floats, spectrum: Complexes, about_s: float | None = None) -> float:
    """The delay without which neighbouring rows (frequency,) are most alike in phase; 0 where no two are good.

    Neighbours count alike, whatever their level: wide steps at high frequencies fix the delay closely, narrow ones
    at low frequencies say which of its aliases it is. No delay is longer than half a second. One that is known to lie
    ``about_s`` is looked for within 10 ms, three metres of sound.
    """
    turns, steps_rad_per_s = row_turns(frequency_hz, spectrum)
    good = np.isfinite(turns)
    turns, steps_rad_per_s = turns[good], steps_rad_per_s[good]
    if not turns.size:
        return 0.0

    def unlike(delay_s: Floats | float) -> Floats:
        back = np.exp(1j * steps_rad_per_s * np.asarray(delay_s)[..., None])
        return np.asarray(-(back @ turns).real)

    trial_s = 2.0 * np.pi / steps_rad_per_s.max() / _TRIALS_PER_TURN
    # without the end of the range, which on an even grid is the same as its beginning
    most = int(np.ceil(min(np.pi / steps_rad_per_s.min(), _LONGEST_DELAY_S) / trial_s - 1e-6)) - 1
    tried_s = trial_s * np.arange(-most, most + 1)
    if about_s is not None:
        reach_s = min(_NEAR_S, tried_s[-1])
        tried_s = about_s + trial_s * np.arange(-int(reach_s / trial_s), int(reach_s / trial_s) + 1)
    # a few at a time: all with all rows may be a gigabyte
    found = np.concatenate([unlike(part) for part in np.array_split(tried_s, 1 + len(tried_s) // 200)])
    nearest_s = tried_s[np.argmin(found)]
    around_s = (nearest_s - trial_s, nearest_s + trial_s)
    return float(minimize_scalar(unlike, bounds=around_s, method="bounded", options={"xatol": 1e-4 * trial_s}).x)


def row_turns(frequency_hz: Floats, spectrum: Complexes) -> tuple[Complexes, Floats]:
    """From row to row, (frequency - 1,): a unit phasor, nan beside silence or nan, and the step in rad/s."""
    products = spectrum[1:] * spectrum[:-1].conj()
    size = np.abs(products)
    known = np.isfinite(size) & (size > 0.0)
    turns = np.full(len(products), complex(np.nan, np.nan))
    turns[known] = products[known] / size[known]
    return turns, 2.0 * np.pi * np.diff(frequency_hz)
