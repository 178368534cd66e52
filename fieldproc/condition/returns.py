"""How records at one place differ from each other: in level, in delay, and in the sound speed of their air.

A record is p(t), the next at the same place g p(t0 + (t - tau - t0) (1 + s)): louder by g, later by tau, in air that
carries sound faster by s. A latency moves the whole response alike, air moves what comes late by the walls far more
than the direct sound: that tells them apart. All three follow by least squares from the difference to the mean of a
place (Gauss-Newton, from low frequencies to high: a kelvin turns what has been under way for 50 ms by 0.3 rad at
500 Hz, by more than a radian at 2 kHz). Records are brought to one air by :class:`~fieldproc.condition.pace.Pace`,
which is what puts them right later on, so that nothing is approximated once the steps have become small.

Each frequency counts by the noise in the differences; a record that does not become like the others has a standard
error that is larger by as much, and is odd when it stays far from them (another place, another room, a click).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

from fieldproc.condition.ending import fade_out
from fieldproc.condition.pace import Pace
from fieldproc.conventions import Booleans, Complexes, Floats, Integers
from fieldproc.records import ImpulseResponses

GAIN, DELAY, SPEED = range(3)
# Band, its top step by step, and the most frequencies in it. Beyond 2 kHz there is nothing to gain: at a signal to
# noise of 60 dB the delay is known to 10 ns.
TOP_HZ = 2000.0
_LOWEST_HZ, _TOPS_HZ, _MOST_LINES = 40.0, (500.0, TOP_HZ, TOP_HZ), 120
# Rate that records are reduced to, re the top.
_RATE = 4.0
# A place seen twice tells that something changed, but not when; more records than so many do not pay.
_FEWEST, _MOST_RECORDS = 3, 64
# Neighbouring lines that noise is averaged over; it is taken for no less than -90 dB re the sound.
_LINES, _LEAST_NOISE = 9, 1e-9
# Power of a mean re the noise of a record from which on a line counts.
_ABOVE = 30.0
# Mean square of what is left of a record, re that of the usual one, from which on it is odd.
_ODD = 16.0
# Standard deviations that are expected of gain (as a logarithm), delay in s and relative sound speed: 4 dB, 1 ms, 6 K
# (they matter only where the responses tell nothing); and the least that standard errors are believed: sound speeds
# are rounded by Pace.
_EXPECTED = np.array([0.5, 1e-3, 0.01])
_LEAST_SIGMA = np.array([1e-5, 1e-8, 2e-6])


@dataclass(frozen=True, slots=True)
class Repeats:
    """Records at places that were recorded several times, and what is known of them already.

    ``record`` (repeat,) are their indices, ``group`` (repeat,) is the place of each, counted from 0; ``values``
    (channel, repeat, sample) at a reduced rate. Sound speed, emission time, delay and loudness (repeat,) are those
    known so far.
    """

    record: Integers
    group: Integers
    values: Floats
    sampling_rate_hz: float
    start_s: float
    sound_speed_m_per_s: Floats
    emission_s: Floats
    late_s: Floats
    loudness: Floats

    @classmethod
    def of(
        cls,
        response: ImpulseResponses,
        kept: Integers,
        group: Integers,
        count: int,
        known: tuple[Floats, Floats, Floats, Floats],
    ) -> Repeats | None:
        """Of the ``kept`` records of a response and their groups; ``None`` where too few of them are repeats.

        ``count`` samples hold the sound below :data:`TOP_HZ`; ``known`` are sound speed, emission time, delay and
        loudness, (kept,) each.
        """
        record = _chosen(group)
        if not len(record):
            return None
        samples = response.values.shape[2]
        weights = np.ones(samples) if count == samples else fade_out(count)
        values = response.values[:, kept[record], :count] * weights
        step = max(1, int(response.sampling_rate_hz / (_RATE * TOP_HZ)))
        if step > 1:
            values = signal.resample_poly(values, 1, step, axis=2)
        own = np.unique(group[record], return_inverse=True)[1]
        rate_hz = response.sampling_rate_hz / step
        return cls(record, own, values, rate_hz, response.start_s, *(np.asarray(one)[record] for one in known))

    def lines(self) -> Floats:
        """Frequencies at which the records are compared."""
        top_hz = min(TOP_HZ, 0.4 * self.sampling_rate_hz)
        step_hz = max(self.sampling_rate_hz / self.values.shape[2], (top_hz - _LOWEST_HZ) / _MOST_LINES)
        return np.arange(max(_LOWEST_HZ, step_hz), top_hz, step_hz)

    def spectra(self, frequency_hz: Floats, value: Floats) -> tuple[Complexes, Complexes]:
        """Spectra (frequency, channel, repeat) with differences ``value`` (kind, repeat) taken out.

        Then their derivatives by the relative sound speed that is taken out.
        """
        late_s, emission_s = self.late_s + value[DELAY], self.emission_s + value[DELAY]
        pace = Pace.of(np.tile(self.sound_speed_m_per_s * (1.0 + value[SPEED]), 2), np.tile(emission_s, 2))
        since_s = self.start_s + np.arange(self.values.shape[2]) / self.sampling_rate_hz - emission_s[:, None]
        both = [
            pace.spectra(np.concatenate([one, since_s * one]), self.sampling_rate_hz, self.start_s, frequency_hz)
            for one in self.values
        ]
        turn = np.exp(2j * np.pi * np.outer(frequency_hz, late_s)) / (self.loudness * np.exp(value[GAIN]))
        spectra, moment = np.split(np.stack(both, axis=1) * np.tile(turn, 2)[:, None], 2, axis=2)
        return spectra, 2.0 * spectra - 2j * np.pi * frequency_hz[:, None, None] * moment


@dataclass(frozen=True, slots=True)
class Differences:
    """Differences ``value`` (kind, repeat) with standard errors ``sigma``, against the mean of each place.

    Kinds are the logarithm of the gain, the delay in s and the relative sound speed; those not asked for are zero.
    ``odd`` (repeat,) are records that stay unlike the others of their place.
    """

    value: Floats
    sigma: Floats
    odd: Booleans


def differences(repeats: Repeats, kinds: Sequence[int]) -> Differences:
    """Of the ``kinds`` asked for, by a few Gauss-Newton steps."""
    count = len(repeats.record)
    value, odd = np.zeros((3, count)), np.zeros(count, dtype=np.bool_)
    sigma = np.repeat(_EXPECTED[:, None], count, axis=1)
    lines = repeats.lines()
    for top_hz in _TOPS_HZ:
        frequency_hz = lines[lines <= top_hz]
        if len(frequency_hz) < _LINES:
            continue
        step = _step(repeats, frequency_hz, value, odd, list(kinds))
        value, sigma = value + step.value, step.sigma
        odd = step.odd if top_hz == TOP_HZ else odd
    return Differences(value, sigma, odd)


def _step(repeats: Repeats, frequency_hz: Floats, value: Floats, odd: Booleans, kinds: list[int]) -> Differences:
    """What is to be added to the differences ``value``."""
    group = repeats.group
    spectra, slope = repeats.spectra(frequency_hz, value)
    share = (group[:, None] == np.arange(group.max() + 1)) * ~odd[:, None] * 1.0
    size = share.sum(axis=0)
    share /= np.maximum(size, 1.0)
    mean = spectra @ share
    missed = mean[..., group] - spectra
    # a mean holds a share of the noise of each of its records
    power = np.abs(missed) ** 2 * (size / np.maximum(size - 1.0, 1.0))[group]
    strength = ndimage.uniform_filter1d(np.abs(mean) ** 2, _LINES, axis=0, mode="nearest")
    noise = ndimage.uniform_filter1d(power[..., ~odd].mean(axis=2), _LINES, axis=0, mode="nearest")
    noise = np.maximum(noise, _LEAST_NOISE * strength.mean(axis=2))
    counts = (strength > _ABOVE * noise[..., None]) & (size > 1)
    weight = 2.0 * counts / np.where(noise > 0, noise, 1.0)[..., None]
    turn = 2j * np.pi * frequency_hz[:, None, None]
    columns = np.stack([-mean, turn * mean, slope @ share])[kinds]
    information = np.einsum("kfcg,lfcg,fcg->gkl", columns.conj(), columns, weight, optimize=True).real
    pull = np.einsum("kfcr,fcr,fcr->rk", columns.conj()[..., group], missed, weight[..., group], optimize=True).real
    expected = _EXPECTED[kinds] ** -2.0
    inverse = np.linalg.inv(information + np.diag(expected))[group]
    step, sigma = np.zeros_like(value), np.zeros_like(value)
    step[kinds] = np.einsum("rkl,rl->kr", inverse, pull - value[kinds].T * expected)
    left = np.sum(0.5 * power * weight[..., group], axis=(0, 1)) / np.maximum(counts[..., group].sum(axis=(0, 1)), 1)
    sigma[kinds] = np.sqrt(np.diagonal(inverse, axis1=1, axis2=2).T * np.maximum(left, 1.0))
    sigma[kinds] = np.hypot(sigma[kinds], _LEAST_SIGMA[kinds, None])
    return Differences(step, sigma, left > _ODD * np.median(left))


def _chosen(group: Integers) -> Integers:
    """Records of the places most often repeated, all over the scan where they are alike, up to a number."""
    count = np.bincount(group)
    repeated = np.flatnonzero(count >= _FEWEST)
    # steps of the golden ratio lie evenly, however many of them there are
    order = repeated[np.lexsort(((repeated * 0.5 * (np.sqrt(5.0) - 1.0)) % 1.0, -count[repeated]))]
    chosen: list[int] = []
    for place in order:
        own = np.flatnonzero(group == place)
        if len(own) > _MOST_RECORDS:
            own = own[np.linspace(0, len(own) - 1, _MOST_RECORDS).astype(np.int64)]
        if len(chosen) + len(own) > _MOST_RECORDS:
            break
        chosen.extend(own.tolist())
    return np.array(sorted(chosen), dtype=np.int64)
