"""Points that the waves through all others contradict, and what to put in their place.

A bumped microphone or a wrong place spoils one point, and that point the field around it. Points are judged by the
error of predicting each from all others, over a band, against that of the points around it: so position errors that
every point has, and the large field near a driver, stand out nowhere. Suspects are left out and the rest judged
again, until no more are found; then those that do not clearly contradict the others are let in again.

Points left out are predicted from the others at every frequency, so that rings stay rings: that is the same fit as
without them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter
from scipy.spatial import cKDTree
from threadpoolctl import threadpool_limits

from fieldproc.conventions import Booleans, Floats, Integers
from fieldproc.expand.panel import Panel, no_number, prepare
from fieldproc.expand.reasons import NO_NUMBER, reasons
from fieldproc.records import Spectra
from fieldproc.settings import Settings

# From where long waves hide a wrong place to where many points no longer carry the orders.
_BAND_HZ = (100.0, 3000.0)
_MOST_ROWS = 16
# A point is bad where its prediction misses by so many times what it misses around it, rms over the band: five and a
# half standard deviations of a place error, the same at all frequencies (20,000 points without one that large).
_STANDS_OUT = 7.0
# Points around it, enough for a median, near enough to be alike.
_AROUND = 30
# The nearest of them, whose median counts where it is larger: what the orders miss peaks right before a driver.
_NEXT = 8
# What the points around it miss counts as usual up to so many times what points of about its level miss anywhere:
# a whole ring of bad points must not excuse itself, the surroundings of a driver may.
_MOST_UNUSUAL = 3.0
# How many points of about its level.
_ALIKE = 121
# No point is bad for less than this times STANDS_OUT, re the level around it: 2 %, 0.2 dB. Right before a driver, the
# orders leave out as much.
_LEAST = 3e-3
# A bad point spoils the prediction of its neighbours and so excuses itself: from here on a point is suspect, is left
# out for a trial, and is judged when all suspects are out. In one round those count that no worse neighbour shadows.
_SUSPECT = 3.0
_SHADOW = 0.5
_MOST_ROUNDS = 12
# So many points (share) that miss their prediction by so many times are no chance either, and no single bad points:
# of place errors, 0.5 % miss by that.
_HIDDEN, _MOST_HIDDEN = 3.5, 0.02
# Beyond this share of bad points, it is rather the positions, the geometry or the model that is wrong.
MOST_BAD = 0.05


@dataclass(frozen=True, slots=True)
class BadPoint:
    """A point (index into the spectra) that contradicts the others: by how much, and what it looks like.

    ``z`` is the rms error of its prediction over the band re that of the points around it, inf without a number.
    """

    point: int
    file_point: int
    z: float
    reason: str


@dataclass(frozen=True, slots=True)
class Screening:
    """Points to leave out, and what to tell."""

    bad: tuple[BadPoint, ...] = ()
    notices: tuple[str, ...] = ()

    @property
    def points(self) -> Integers:
        """Their indices, (bad,)."""
        return np.array([one.point for one in self.bad], dtype=np.int64)


def screen(spectra: Spectra, settings: Settings) -> Screening:
    """Find the points that contradict the others.

    Points whose pressure is not finite at a usable frequency are bad from the start; their positions count all the
    same. Where more than MOST_BAD of the points look bad, only those are left out, and a notice says so.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        panel = prepare(spectra, settings, _BAND_HZ, _MOST_ROWS)
        if panel is None:
            missing = [_bad(spectra, at, np.inf, NO_NUMBER) for at in no_number(spectra).tolist()]
            return Screening(tuple(missing), ("points were not screened: they carry the waves at no frequency",))
        from_start = panel.left_out
        panel, z, clear = _search(panel)
        notices: tuple[str, ...] = ()
        if not clear:
            notices = (_too_many(spectra, z),)
            panel = panel.keeping(np.setdiff1d(panel.left_out, from_start))
        z[from_start] = np.inf
        words = reasons(panel, from_start)
        bad = [_bad(spectra, at, z[at], words[at]) for at in sorted(panel.left_out.tolist())]
        return Screening(tuple(bad), notices)


def _bad(spectra: Spectra, at: int, z: float, reason: str) -> BadPoint:
    return BadPoint(at, int(spectra.file_point[at]), float(z), reason)


def _too_many(spectra: Spectra, z: Floats) -> str:
    worst = np.argsort(-z)[:5]
    named = ", ".join(str(number) for number in sorted(spectra.file_point[worst].tolist()))
    return (
        f"{np.sum(z > _HIDDEN)} of {len(z)} points or more contradict the others, too many to tell bad from good: "
        f"none was left out for it; check positions, surfaces and the microphone (the worst are points {named})"
    )


def _search(panel: Panel) -> tuple[Panel, Floats, bool]:
    """The panel without the points that stand out, how far each point does, (point,), and whether that is clear."""
    positions_m, from_start = panel.spectra.positions_m, panel.left_out
    around = cKDTree(positions_m).query(positions_m, k=min(_AROUND, len(positions_m)))[1]
    z = _z(panel)
    for _ in range(_MOST_ROUNDS):
        fresh = np.where(_left_out(panel), 0.0, z)
        suspect = (fresh > _SUSPECT) & (fresh >= _SHADOW * fresh[around].max(axis=1))
        if not suspect.any() or len(panel.left_out) - len(from_start) > 2 * MOST_BAD * len(z):
            break
        panel = panel.without(np.flatnonzero(suspect))
        z = _z(panel)
    for _ in range(_MOST_ROUNDS):
        pardoned = np.setdiff1d(panel.left_out[z[panel.left_out] <= _STANDS_OUT], from_start)
        if not len(pardoned):
            break
        panel = panel.keeping(pardoned)
        z = _z(panel)
    few = len(panel.left_out) - len(from_start) <= MOST_BAD * len(z)
    # many that stand out a little hide each other
    hidden = float(np.mean(z[~_left_out(panel)] > _HIDDEN))
    return panel, z, few and hidden <= _MOST_HIDDEN


def _left_out(panel: Panel) -> Booleans:
    """Which points are left out, (point,)."""
    return np.isin(np.arange(len(panel.spectra.positions_m)), panel.left_out)


def _z(panel: Panel) -> Floats:
    """Error of predicting each point from the others re that of the points around it, rms over the band, (point,)."""
    pressure_pa, positions_m, out = panel.spectra.pressure_pa, panel.spectra.positions_m, _left_out(panel)
    missed = np.abs(panel.missed(pressure_pa)) ** 2
    # of unit variance at every point if all errors were noise of unit variance
    error = np.where(out, missed * panel.spare[:, None], missed / panel.spare[:, None])
    good = np.flatnonzero(~out)
    _, around = cKDTree(positions_m[good]).query(positions_m, k=min(_AROUND, len(good)))
    # the median of a squared complex normal error is ln 2 of its mean
    usual = np.max([np.median(error[:, :, good[around[:, :n]]], axis=3) for n in (_AROUND, _NEXT)], axis=0) / np.log(
        2.0
    )
    near = np.mean(np.abs(pressure_pa[:, :, good[around]]) ** 2, axis=3)
    level = near.mean(axis=2, keepdims=True)
    alike = _among_alike(error[:, :, good], np.mean(near / level, axis=(0, 1))[good])
    usual[:, :, good] = np.minimum(usual[:, :, good], _MOST_UNUSUAL**2 * alike)
    return np.asarray(np.sqrt(np.mean(error / (usual + _LEAST**2 * near), axis=(0, 1))))


def _among_alike(error: Floats, level: Floats) -> Floats:
    """Median of ``error`` (frequency, channel, point) among points whose ``level`` (point,) is nearest in rank."""
    order = np.argsort(level)
    ranked = median_filter(error[:, :, order], size=(1, 1, min(_ALIKE, len(level))), mode="nearest")
    alike = np.empty_like(error)
    alike[:, :, order] = ranked / np.log(2.0)
    return alike
