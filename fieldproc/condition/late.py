"""What the end of a record cuts off: modes of the room that are still sounding.

In the manner of ISO 3382 (backward extrapolation of a decay, noise apart), per band: the energy in windows along the
late part of the record, averaged over points, is taken for A exp(-2 t / tau) + B. B is noise, the exponential goes
on beyond the end and is integrated there. A band is an octave about the frequency, and never narrower than a window
can tell apart, so that the share is one of energies (Parseval), hence of the spectra in the mean over that band.

A decay slower than 4 dB over the rest of the record looks like noise and is partly taken for it. A response that was
faded out or zeroed at its end no longer shows what was lost; trailing zeros are taken off.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Booleans, Floats, Integers, power_db

# From here on a band is named; from the second on it deserves no more than "caution": the missing tail is an error
# of the separated sound at about its own level.
TOLD_DB, CAUTION_DB = -40.0, -30.0
# Windows, their length and where they begin, in shares of the record after the direct sound.
_WINDOWS, _LENGTH, _BEGIN = 7, 1 / 4, 1 / 3
# Decays over the rest of the record that are tried, dB.
_DECAYS_DB = np.geomspace(4.0, 240.0, 60)
# The last window must lie below the first by this many standard errors, or there is no decay.
_CERTAIN = 4.0
# Noise beside the decay is one more unknown: squared residuals of 7 windows fall by 20 with a probability of 0.1 %.
_MUCH_BETTER = 20.0
_MOST_POINTS = 200
# Of the energy of the loudest window: far below what single precision holds.
_FLOOR = 1e-30


def late_level_db(
    samples: NDArray[np.floating[Any]], sampling_rate_hz: float, frequency_hz: Floats, points: Integers
) -> Floats:
    """Level of what the end cuts off re the whole, (frequency, channel); -inf where no decay is left to go on.

    ``samples`` (channel, point, sample), finite at the stated ``points``. nan from half the sampling rate on.
    """
    some = points[np.unique(np.linspace(0, len(points) - 1, _MOST_POINTS).astype(np.int64))]
    few = samples[:, some].astype(np.float64)
    within_hz = np.minimum(frequency_hz, 0.45 * sampling_rate_hz)
    levels = [_of_channel(channel, sampling_rate_hz, within_hz) for channel in few]
    level = np.stack(levels, axis=1)
    level[frequency_hz >= sampling_rate_hz / 2] = np.nan
    return level


def _of_channel(samples: Floats, rate_hz: float, frequency_hz: Floats) -> Floats:
    energy = np.mean(samples**2, axis=0)
    if not energy.any():
        return np.full(len(frequency_hz), -np.inf)
    end = int(np.flatnonzero(energy)[-1]) + 1
    begin = int(np.argmax(energy))
    length = int(_LENGTH * (end - begin))
    if length < 2 * _WINDOWS:
        return np.full(len(frequency_hz), -np.inf)
    starts = np.linspace(begin + _BEGIN * (end - begin), end - length, _WINDOWS).astype(np.int64)
    window = np.hanning(length + 2)[1:-1]
    narrowest_hz = rate_hz / length
    low_hz = np.minimum(frequency_hz * 2.0**-0.5, frequency_hz - narrowest_hz)
    high_hz = np.maximum(frequency_hz * 2.0**0.5, frequency_hz + narrowest_hz)
    parts = [_band_energy(samples[:, first : first + length] * window, rate_hz, low_hz, high_hz) for first in starts]
    mean = np.array([part.mean(axis=0) for part in parts])
    settled = ~_decays(parts[_WINDOWS // 2], parts[-1])
    tail = _tail_energy(mean, end - starts, end - begin, window, settled)
    whole = _band_energy(samples[:, :end], rate_hz, low_hz, high_hz).mean(axis=0)
    share = np.divide(tail, whole, out=np.zeros(len(whole)), where=_decays(parts[0], parts[-1]) & (whole > 0))
    return power_db(share)


def _band_energy(samples: Floats, rate_hz: float, low_hz: Floats, high_hz: Floats) -> Floats:
    """Energy (point, band) between two frequencies: every bin counts by its share in the band."""
    length = samples.shape[1]
    power = np.square(np.abs(np.fft.rfft(samples, axis=1))) * (2.0 / length)
    width_hz = rate_hz / length
    edges_hz = (np.arange(power.shape[1] + 1) - 0.5) * width_hz
    edges_hz[0] = 0.0
    inside_hz = np.minimum(edges_hz[1:, None], high_hz) - np.maximum(edges_hz[:-1, None], low_hz)
    return np.asarray(power @ np.clip(inside_hz / width_hz, 0.0, None))


def _decays(first: Floats, last: Floats) -> Booleans:
    """Is the last window certainly quieter than the first of two? Energies (point, band), result (band,).

    Judged by the ratios at single points: how loud a mode is differs from point to point by more than it decays.
    """
    tiny = np.finfo(np.float64).tiny
    fall = np.log(np.maximum(first, tiny) / np.maximum(last, tiny))
    return np.asarray(fall.mean(axis=0) > _CERTAIN * fall.std(axis=0) / np.sqrt(len(fall)))


def _tail_energy(energy: Floats, before_end: Integers, rest: int, window: Floats, settled: Booleans) -> Floats:
    """Energy beyond the end, (band,), of the decay that fits the windows best, relative errors alike.

    ``energy`` (window, band), of windows that begin ``before_end`` samples before the end. Noise beside the decay is
    believed only where the later windows have ``settled`` or the fit gets much better: it can always take the place
    of part of the decay.
    """
    weight = 1.0 / (energy + _FLOOR * energy.max(axis=0) + 1e-200)
    bare, noisy = _Best(energy.shape[1]), _Best(energy.shape[1])
    for decay_db in _DECAYS_DB:
        rate = decay_db / rest * np.log(10.0) / 10.0
        # what a window holds of a decay whose power is 1 at the end
        held = np.exp(rate * before_end) * (window**2 @ np.exp(-rate * np.arange(len(window))))
        beyond = 1.0 / -np.expm1(-rate)
        fall = held[:, None] * weight
        alone = fall.sum(axis=0) / np.sum(fall**2, axis=0)
        bare.offer(1.0 - fall * alone, alone * beyond)
        at_end, noise = _two_parts(fall, weight)
        noisy.offer(1.0 - fall * at_end - weight * noise, at_end * beyond)
    return np.where(settled | (bare.left > _MUCH_BETTER * noisy.left), noisy.tail, bare.tail)


class _Best:
    """The fit that leaves least, band by band."""

    def __init__(self, bands: int) -> None:
        self.left: Floats = np.full(bands, np.inf)
        self.tail: Floats = np.zeros(bands)

    def offer(self, residual: Floats, tail: Floats) -> None:
        """Residuals (window, band) and tails (band,) of one more decay."""
        left = np.sum(residual**2, axis=0)
        self.tail = np.where(left < self.left, tail, self.tail)
        self.left = np.minimum(left, self.left)


def _two_parts(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Least squares of ``first * a + second * b`` to 1 over the rows, (band,), neither below 0."""
    aa, ab, bb = (np.sum(product, axis=0) for product in (first**2, first * second, second**2))
    a1, b1 = first.sum(axis=0), second.sum(axis=0)
    determinant = np.maximum(aa * bb - ab**2, np.finfo(np.float64).tiny)
    a, b = (bb * a1 - ab * b1) / determinant, (aa * b1 - ab * a1) / determinant
    alone_a, alone_b = a1 / aa, b1 / bb
    return np.where(a < 0, 0.0, np.where(b < 0, alone_a, a)), np.where(b < 0, 0.0, np.where(a < 0, alone_b, b))


def late_notice(level_db: Floats, frequency_hz: Floats) -> tuple[str, ...]:
    """The span of bands whose missing tail is above ``TOLD_DB`` in any channel, in one sentence."""
    worst = np.where(np.isnan(level_db), -np.inf, level_db).max(axis=1)
    told = np.flatnonzero(worst > TOLD_DB)
    if not told.size:
        return ()
    loudest = told[np.argmax(worst[told])]
    return (
        f"responses end before the room has died away: between {frequency_hz[told[0]]:.4g} and "
        f"{frequency_hz[told[-1]]:.4g} Hz up to {worst[loudest]:.0f} dB of the sound are missing "
        f"(worst at {frequency_hz[loudest]:.4g} Hz); record longer responses",
    )
