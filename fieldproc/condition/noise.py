"""Noise of every point and frequency: from silent records, from what precedes the direct sound, or from repeats.

The noise is taken to have one spectrum, at a level of each point's own, unless the points clearly depart from that:
then the level follows frequency, slowly. That is what so little data can tell: a single record knows the power at one
frequency to within a factor, its level to sqrt(2 / number of samples). The spectrum is averaged over third octaves,
and over points. Levels that follow frequency are those of octaves, drawn towards the mean of all points and towards
their neighbours by the share of chance in their scatter (empirical Bayes): ventilation that ran for half of a scan
shows, an octave of which the silence holds one sample does not.

    silent records     spectrum of all points together; as sharp as the records are long
    before the sound   spectrum (as sharp as that part is long) and level of every point; its samples are scaled
                       to the length of the record
    repeats            spectrum and level, from the scatter of records at equal positions; holds everything that
                       differs between them, drift included

The first of these that is there gives the spectrum, the first of the last two gives the levels. Powers are those
of the spectra: mean square of a Fourier sum, in the unit of the file squared.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma

from fieldproc.condition.repeats import mean_of_groups
from fieldproc.condition.spectra import spectra_at
from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.records import ImpulseResponses, Noise

# The direct sound has come where a response first exceeds this share of its peak.
_ARRIVAL = 0.25
# Half of what comes before is taken: a band limit rings ahead of the sound, for 3 ms at most in what we have seen.
_SHARE_BEFORE = 0.5
# Level of a point to within 0.8 dB (standard deviation, white noise).
FEWEST_SAMPLES = 64
# Points that may come early: the nearest ones, or those with a click.
_EARLY_POINTS = 0.02
# Of its two halves, mean power one re the other: more is a fade, or sound.
_STEADY = 2.0
# Equivalent noise bandwidth of half a period of a sine, in steps of its length: pi^2 / 8.
_TAPERED = np.pi**2 / 8.0
# Half the width of the average over frequency, octaves.
_HALF_BAND = 1.0 / 6.0
# Least level of a point, re their mean.
_LEAST_LEVEL = 1e-30
_ROUNDS = 5
# Levels that follow frequency are linear between knots so far apart, and alike to 1/e so far, octaves.
_KNOT_OCTAVES, _ALIKE_OCTAVES = 1.0, 3.0
# They follow it where points scatter more than one spectrum allows by so many standard deviations of chance.
_CLEAR = 3.0
# Samples of a knot at least: near zero frequency a Fourier sum is real, half a complex number.
_FEWEST_INDEPENDENT = 0.5
# Of the scatter of the points, how far below their mean one may lie: little power, once, is no quiet point.
_QUIETEST = 1.5


@dataclass(frozen=True, slots=True)
class NoisePower:
    """Power (frequency, channel, group) of the noise in the mean of each group of records, and how it was found."""

    power: Floats
    told: str


def noise_power(
    response: ImpulseResponses | None,
    records: Integers,
    loudness: Floats,
    spectra: Complexes,
    group: Integers,
    silent: Noise | None,
    frequency_hz: Floats,
    used: Floats | float = 1.0,
) -> NoisePower | None:
    """Noise of the mean of each group of records, from all there is.

    ``spectra`` (frequency, channel, record) at ``frequency_hz``, all finite, are those of the stated ``records`` of
    the response, divided by their ``loudness`` (record,); ``used`` (frequency,) is the share of a record's noise
    power that is in them. ``None`` where nothing tells the noise.
    """
    count = np.bincount(group)
    before = None if response is None else noise_before_sound(response, records, frequency_hz)
    told: list[str] = []
    shape: Floats | None = None
    level: Floats | None = None
    length_s = None if response is None else response.values.shape[2] / response.sampling_rate_hz
    silent = None if silent is None else _sound_records(silent)
    if silent is not None:
        rate_hz = silent.sampling_rate_hz if response is None else response.sampling_rate_hz
        resolved_hz = silent.sampling_rate_hz / silent.values.shape[2]
        shape = third_octaves(silent_power(silent, length_s, rate_hz, frequency_hz), frequency_hz, resolved_hz)
        told.append(f"{silent.values.shape[1]} silent records")
    if before is not None:
        power, resolved_hz = before
        own, per_record = own_spectra(power, np.ones(len(group)), frequency_hz, resolved_hz)
        shape, level = own if shape is None else shape, mean_of_groups(per_record / loudness**2, group)
        told.append("what precedes the direct sound")
    elif count.max() > 1 and (scatter := scatter_of_repeats(spectra, group)).any():
        own, level = own_spectra(
            scatter, (count - 1).astype(np.float64), frequency_hz, 1 / length_s if length_s else 0.0
        )
        shape = own if shape is None else shape
        told.append(f"repeats at {np.count_nonzero(count > 1)} positions")
    if shape is None:
        return None
    # repeats show the noise of the spectra as they are
    shape = shape if silent is None and before is None else shape * np.reshape(used, (-1, 1))
    level = np.ones((1, shape.shape[1], len(count))) if level is None else level
    return NoisePower(shape[:, :, None] * level / count, f"noise found from {' and '.join(told)}")


def _sound_records(silent: Noise) -> Noise | None:
    """Without records that hold no noise: zeros throughout, or numbers that are not finite, in any channel."""
    sound = np.all(np.isfinite(silent.values).all(axis=2) & silent.values.any(axis=2), axis=0)
    return replace(silent, values=silent.values[:, sound]) if sound.any() else None


def silent_power(silent: Noise, length_s: float | None, rate_hz: float, frequency_hz: Floats) -> Floats:
    """Mean power over the silent records, (frequency, channel), scaled to a response of this length and rate.

    Noise of a density in Hz adds up to length times rate squared. Above their own band it is held.
    """
    within_hz = np.minimum(frequency_hz, 0.45 * silent.sampling_rate_hz)
    power = [_power(records, silent.sampling_rate_hz, within_hz).mean(axis=1) for records in silent.values]
    own_s = silent.values.shape[2] / silent.sampling_rate_hz
    longer = 1.0 if length_s is None else length_s / own_s
    return np.stack(power, axis=1) * longer * (rate_hz / silent.sampling_rate_hz) ** 2


def noise_before_sound(
    response: ImpulseResponses, records: Integers, frequency_hz: Floats
) -> tuple[Floats, float] | None:
    """Power (frequency, channel, record) from what precedes the direct sound, scaled to the whole record.

    With it the frequency step that this part resolves. ``None`` where that is too short, digital silence, or not
    steady.
    """
    samples = response.values.shape[2]
    length = int(_SHARE_BEFORE * np.quantile(_arrivals(response.values, records), _EARLY_POINTS))
    if length < FEWEST_SAMPLES:
        return None
    part: Floats = response.values[:, records, :length].astype(np.float64)
    first, last = (np.mean(half**2, axis=2) for half in (part[..., : length // 2], part[..., length // 2 :]))
    if not (first.all() and last.all() and 1 / _STEADY < np.median(last / first) < _STEADY):
        return None
    # of mean square 1: without it, noise at some frequencies passes for noise at all others
    taper = np.sqrt(2.0) * np.sin(np.pi * (np.arange(length) + 0.5) / length)
    power = [_power(channel * taper, response.sampling_rate_hz, frequency_hz) for channel in part]
    return np.stack(power, axis=1) * (samples / length), _TAPERED * response.sampling_rate_hz / length


def _arrivals(values: NDArray[np.floating[Any]], records: Integers) -> Integers:
    """First sample above a share of the peak of its record, of the records of all channels."""
    sizes = (np.abs(channel[record]) for channel in values for record in records)
    return np.array([np.argmax(size > _ARRIVAL * size.max()) for size in sizes])


def scatter_of_repeats(spectra: Complexes, group: Integers) -> Floats:
    """Variance of a single record, (frequency, channel, group); 0 for groups of one record."""
    count = np.bincount(group)
    deviation = spectra - mean_of_groups(spectra, group)[..., group]
    sums = mean_of_groups(np.square(np.abs(deviation)), group) * count
    return np.asarray(sums / np.maximum(count - 1, 1))


def own_spectra(power: Floats, weight: Floats, frequency_hz: Floats, resolved_hz: float) -> tuple[Floats, Floats]:
    """Spectrum (frequency, channel) and levels (frequency or 1, channel, point), the latter with the mean 1.

    Arguments and levels as for ``spectrum_and_levels``; a level for every frequency where the points tell it.
    """
    spectrum, level = spectrum_and_levels(power, weight, frequency_hz, resolved_hz)
    # silence to the last bit has no spectrum
    known = (weight > 0) & np.all(level > _LEAST_LEVEL, axis=0)
    relative = power[..., known] / np.maximum(spectrum, np.finfo(float).tiny)[..., None]
    following = following_levels(relative, level[:, known], weight[known], frequency_hz, resolved_hz)
    if following is None:
        return spectrum, level[None]
    own = np.tile(level, (len(frequency_hz), 1, 1))
    own[..., known] = following
    told = weight > 0
    own[..., told] /= np.average(own[..., told], axis=2, weights=weight[told])[..., None]
    mean = np.average(power[..., known] / own[..., known], axis=2, weights=weight[known])
    return third_octaves(mean, frequency_hz), own


def following_levels(
    relative: Floats, level: Floats, weight: Floats, frequency_hz: Floats, resolved_hz: float
) -> Floats | None:
    """Levels (frequency, channel, point) that follow frequency; None where one per point explains all but chance.

    ``relative`` is power re the common spectrum, of that shape, ``level`` (channel, point) what explains it so far;
    other arguments as for ``spectrum_and_levels``. The logarithm of a mean of n complex samples of equal power has
    the variance psi'(n). The levels at the knots, each scattering over the points by what chance leaves to it, are
    Gaussian and alike over some octaves.
    """
    octaves, hats = _knots(frequency_hz)
    if len(octaves) == 1:
        return None
    least = np.finfo(float).tiny
    # rows of a knot count alike, not by their samples: these are nearly all at its upper end
    samples = np.maximum(_shares(frequency_hz, resolved_hz) / (resolved_hz or 1.0), least)
    total = np.maximum(hats.sum(axis=0), least)
    independent = total**2 / np.maximum((hats**2 / samples[:, None]).sum(axis=0), least)
    count = np.maximum(independent, _FEWEST_INDEPENDENT)[:, None, None] * weight
    mean = np.tensordot(hats / total, relative, axes=(0, 0))
    found = np.log(np.maximum(mean, _LEAST_LEVEL)) - polygamma(0, count) + np.log(count)
    chance, fourth = polygamma(1, count), polygamma(3, count)
    doubt = np.sqrt(np.mean(fourth + 2.0 * chance**2, axis=2) / len(weight))
    if not np.any(_scatter(found - np.log(level)) - chance.mean(axis=2) > _CLEAR * doubt):
        return None
    center = found.mean(axis=2, keepdims=True)
    own = np.maximum(_scatter(found) - chance.mean(axis=2), 0.0)[..., None]
    off = np.maximum(found - center, -_QUIETEST * np.sqrt(own + chance))
    alike = np.exp(-np.abs(octaves[:, None] - octaves) / _ALIKE_OCTAVES)
    deviation = np.sqrt(own[..., 0]).T
    # (channel, 1, knot, knot), and with chance (channel, point, knot, knot)
    covariance = (deviation[:, :, None] * deviation[:, None, :] * alike)[:, None]
    noisy = covariance + chance[:, 0].T[:, :, None] * np.eye(len(octaves))
    drawn = covariance @ np.linalg.solve(noisy, np.moveaxis(off, 0, -1)[..., None])
    return np.asarray(np.exp(np.tensordot(hats, center + np.moveaxis(drawn[..., 0], -1, 0), axes=(1, 0))))


def _scatter(values: Floats) -> Floats:
    """Variance over the points, the last axis."""
    return np.asarray(np.var(values, axis=-1))


def _knots(frequency_hz: Floats) -> tuple[Floats, Floats]:
    """Knots in octaves, and their share (frequency, knot) in what is linear over octaves between them."""
    octaves = np.log2(np.maximum(frequency_hz, frequency_hz[frequency_hz > 0].min()))
    knots = np.linspace(octaves[0], octaves[-1], round(np.ptp(octaves) / _KNOT_OCTAVES) + 1)
    return knots, np.stack([np.interp(octaves, knots, one) for one in np.eye(len(knots))], axis=1)


def _shares(frequency_hz: Floats, resolved_hz: float) -> Floats:
    """How much rows count: those nearer than the step that records resolve in proportion to theirs."""
    step_hz = np.diff(frequency_hz, prepend=0.0)
    return np.minimum(step_hz, resolved_hz) if resolved_hz else np.ones(len(frequency_hz))


def spectrum_and_levels(
    power: Floats, weight: Floats, frequency_hz: Floats, resolved_hz: float
) -> tuple[Floats, Floats]:
    """Spectrum (frequency, channel) and levels (channel, point) whose product comes nearest to the power.

    ``power`` (frequency, channel, point) scatters; ``weight`` (point,) says how many values each is the mean of.
    Points without weight get the mean level, which is 1. By turns: the mean of one over the other. Rows nearer than
    the step that records resolve (0 = none is) count in proportion: together they know no more than one.
    """
    known = weight > 0
    share = _shares(frequency_hz, resolved_hz)
    level = np.ones(power.shape[1:])
    for _ in range(_ROUNDS):
        mean = np.average(
            power[..., known] / np.maximum(level[:, known], _LEAST_LEVEL), axis=2, weights=weight[known]
        )
        spectrum = third_octaves(mean, frequency_hz)
        own = np.average(
            power[..., known] / np.maximum(spectrum, np.finfo(float).tiny)[:, :, None], axis=0, weights=share
        )
        # repeats that agree to the bit show no noise
        own = np.maximum(own, np.finfo(float).tiny)
        level[:, known] = own / np.average(own, axis=1, weights=weight[known])[:, None]
    return spectrum, level


def third_octaves(power: Floats, frequency_hz: Floats, resolved_hz: float = 0.0) -> Floats:
    """Mean over the rows within a sixth of an octave to either side; (frequency, channel) in and out.

    Never narrower than two steps of what records resolve: rows nearer than one say the same thing twice.
    """
    reach = 2.0**_HALF_BAND * (1 + 1e-9)
    below_hz = np.minimum(frequency_hz / reach, frequency_hz - 2.0 * resolved_hz)
    above_hz = np.maximum(frequency_hz * reach, frequency_hz + 2.0 * resolved_hz)
    first, last = np.searchsorted(frequency_hz, below_hz), np.searchsorted(frequency_hz, above_hz)
    sums = np.concatenate([np.zeros((1, power.shape[1])), np.cumsum(power, axis=0)])
    return np.asarray((sums[last] - sums[first]) / (last - first)[:, None])


def _power(records: NDArray[np.floating[Any]], rate_hz: float, frequency_hz: Floats) -> Floats:
    return np.asarray(np.square(np.abs(spectra_at(records, rate_hz, 0.0, frequency_hz))))
