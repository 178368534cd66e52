"""How much every point counts where the points are not equally noisy, band by band.

One over the noise is the best weight of a point where noise is all that is wrong with it. Where noisy points lie
together it may be the worst: the others then have to say what goes on there, and what the waves leave out of the
sound grows on the way, in our trials by up to 23 dB beyond the noise that was saved. No weight knows that beforehand;
the error of predicting left-out points, all counting alike, shows it.

Fits at frequencies with weights of their own would have to be prepared for each; a few bands of equal weights lose
next to nothing, for noise follows frequency slowly. Losses and gains are those of a mean over the points: with
variances v and weights w^2 it has the variance sum(w^4 v) / sum(w^2)^2, least where w^2 = 1 / v.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers, amplitude_db, wavenumber
from fieldproc.errors import NumericalError
from fieldproc.expand.fitting import OneOrigin
from fieldproc.records import Spectra
from fieldproc.side_by_side import side_by_side

# Noise re the median beyond which a point counts no less, or more: 30 dB.
_MOST_RATIO = 10.0**1.5
# Below this gain of noise power, 1 dB, weights cost more than they bring; rings keep their fast fit at this price.
_LEAST_GAIN = 10.0**0.1
# What the weights of a band may lose against those of each of its frequencies, and by how much more where bands would
# get too many.
_BAND_LOSS_DB, _COARSER = 0.5, 1.5
# How far a microphone is from where it should be, metres, where the session does not say: what else is wrong with a
# point, k times this re the sound.
_POSITION_ERROR_M = 0.3e-3
# Frequencies judged in every band, and how much better, in dB, each must predict left-out points: less is chance.
_JUDGED, _PROOF_DB = 6, 0.1


def noise_weights(
    spectra: Spectra, rings: Sequence[Integers] = (), most_bands: int = 1, *, noise_alone: bool = True
) -> Floats | None:
    """One over the noise of each point re that of all points, rms over channels and over the frequencies of a band.

    Shape (frequency, point), mean square 1 at every frequency, constant over ``most_bands`` bands at most; ``None``
    where points are so alike that equal weights do as well. ``rings`` are points that had better have the same
    weight, and get it where that costs less than 1 dB. Unless ``noise_alone`` is to count, points are off their
    places too, all by as much: where that rules, they count alike. Raises ``NumericalError`` where the noise is not
    known.
    """
    if spectra.noise_pa is None:
        raise NumericalError(
            "expand",
            "noise of the points",
            "not known",
            "silent records, quiet before the direct sound, or repeats",
            'record these, or set expansion.point_weights = "equal"',
        )
    power = spectra.noise_pa**2
    if not noise_alone:
        power = power + _misplaced(spectra)[:, :, None]
    rows = np.flatnonzero(spectra.usable & np.all(power > 0, axis=(1, 2)))
    if not len(rows):
        return None
    variance = np.mean(power[rows] / power[rows].mean(axis=2, keepdims=True), axis=1)
    variance = _along_rings(variance, rings, spectra.left_out)
    relative = np.clip(variance / np.median(variance, axis=1, keepdims=True), _MOST_RATIO**-2, _MOST_RATIO**2)
    starts = _bands(relative, most_bands)
    of_bands = np.split(relative, starts[1:])
    mean = np.array([_common(band) for band in of_bands])
    alike = np.array([np.max(band.mean(axis=1) * (1.0 / band).mean(axis=1)) < _LEAST_GAIN for band in of_bands])
    if alike.all():
        return None
    mean[alike] = 1.0
    weights = np.sqrt(1.0 / mean / np.mean(1.0 / mean, axis=1, keepdims=True))
    # frequencies without data go with those below
    band = np.searchsorted(rows[starts[1:]], np.arange(len(power)), side="right")
    return np.asarray(weights[band])


def proven_weights(weights: Floats, equal: OneOrigin, weighted: OneOrigin) -> Floats | None:
    """The weights (frequency, point) where fits with them predict left-out points better, 1 in all other bands.

    Better at all frequencies of a band that are judged; ``None`` where that is no band. Bands in which the points
    carry the waves at no frequency prove nothing.
    """
    carried = equal.plan.carried & weighted.plan.carried
    sound = np.array([equal.solver.has_sound(row) for row in range(len(weights))])
    proven = np.ones_like(weights)
    bands = np.array([weighted.solver.band_of(row) for row in range(len(weights))])
    for band in np.unique(bands[~np.all(weights == 1.0, axis=1)]):
        rows = np.flatnonzero((bands == band) & carried & sound)
        if len(rows):
            judged = rows[np.unique(np.linspace(0, len(rows) - 1, _JUDGED).round().astype(int))]
            if _gain_db(equal, weighted, judged) > _PROOF_DB:
                proven[bands == band] = weights[bands == band]
    return None if np.all(proven == 1.0) else proven


def _gain_db(equal: OneOrigin, weighted: OneOrigin, rows: Integers) -> float:
    """By how much weights lower the error of predicting left-out points at least, mean over channels."""
    pressure_pa = equal.solver.spectra.pressure_pa

    def gain_db(at: int) -> float:
        row = int(rows[at])
        before, after = (amplitude_db(one.fit([row])[0].left_out(pressure_pa[row])) for one in (equal, weighted))
        return float(np.mean(before - after))

    most = max(one.bytes_each() for one in (equal, weighted))
    return min(side_by_side(gain_db, len(rows), most))


def weights_told(weights: Floats) -> str:
    """In a sentence what weights (frequency, point) of :func:`noise_weights` bring."""
    bands = 1 + np.count_nonzero(np.any(np.diff(weights, axis=0), axis=1))
    gain_db = 10.0 * np.log10(np.mean(weights**-2.0, axis=1).max())
    many = f", in {bands} bands" if bands > 1 else ""
    return f"points count by their noise{many}: up to {gain_db:.0f} dB less of it"


def _misplaced(spectra: Spectra) -> Floats:
    """Mean square pressure (frequency, channel) that points in the wrong places add."""
    there = slice(None) if spectra.left_out is None else ~spectra.left_out
    k = wavenumber(spectra.frequency_hz, float(spectra.sound_speed_m_per_s.mean()))
    sound = np.mean(np.abs(spectra.pressure_pa[:, :, there]) ** 2, axis=2)
    stated_m = spectra.sigma.position_m
    return np.asarray((k[:, None] * (_POSITION_ERROR_M if stated_m is None else stated_m)) ** 2 * sound)


def _along_rings(variance: Floats, rings: Sequence[Integers], left_out: Booleans | None) -> Floats:
    """Variances (frequency, point), each the mean over its ring where weights lose little by that."""
    even = variance.copy()
    for ring in rings:
        there = ring if left_out is None else ring[~left_out[ring]]
        if len(there):
            even[:, ring] = variance[:, there].mean(axis=1, keepdims=True)
    kept = slice(None) if left_out is None else ~left_out
    loss = np.mean(1.0 / variance[:, kept], axis=1) / np.mean(1.0 / even[:, kept], axis=1)
    return even if np.mean(loss) < _LEAST_GAIN else variance


def _bands(variance: Floats, most: int) -> Integers:
    """First rows of the fewest bands that lose little, each grown from below as far as it goes."""
    loss_db = _BAND_LOSS_DB
    while True:
        allowed, starts = 10.0 ** (loss_db / 10.0), [0]
        while starts[-1] < len(variance):
            first = starts[-1]
            longer = range(first + 1, len(variance) + 1)
            lost = bisect_left(longer, True, key=lambda last: bool(_lost(variance[first:last]) > allowed))
            starts.append(first + lost)
        if len(starts) - 1 <= most:
            return np.array(starts[:-1])
        loss_db *= _COARSER


def _lost(variance: Floats) -> float:
    """Worst of the rows (frequency, point) with the weights of all, re the least variance each could have."""
    weight = 1.0 / _common(variance)
    return float(np.max((variance @ weight**2) * np.sum(1.0 / variance, axis=1)) / np.sum(weight) ** 2)


def _common(variance: Floats) -> Floats:
    """Variance (point,) that stands for those of several rows: amid them in dB, so that none loses much."""
    return np.asarray(np.exp(np.mean(np.log(variance), axis=0)))
