"""Errors of the apparatus, estimated from what the waves do not explain.

A gain, a delay or a place off by theta changes the pressures by J theta. The waves take up part of that, at low
frequency nearly all: there the residual is blind. Over a band, theta is told by the part they leave, S J theta with S
= I - H: variable projection (Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413), one Gauss-Newton step.

Its covariance makes no use of the model of the noise: the errors of one point at different frequencies may be one and
the same (a misplaced microphone), so their scores are added before they are squared (cluster-robust covariance; Liang
& Zeger, Biometrika 73 (1986) 13), each corrected for leverage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Complexes, Floats
from fieldproc.expand.panel import Panel

# Combinations of parameters that the scores do not tell, re those that they tell best.
_UNTOLD = 1e-9


@dataclass(frozen=True, slots=True)
class Estimate:
    """Parameters ``value`` (parameter,) and their ``covariance``; those not ``chosen`` are zero."""

    value: Floats
    covariance: Floats
    chosen: tuple[int, ...]

    @property
    def sigma(self) -> Floats:
        """Standard errors, (parameter,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def chi_square(self, part: Sequence[int]) -> float:
        """Square sum of some of the chosen parameters in units of their covariance."""
        value, covariance = self.value[list(part)], self.covariance[np.ix_(part, part)]
        return float(value @ np.linalg.solve(covariance, value))


class Nuisance:
    """The normal equations of parameters of a panel.

    ``pressure_pa`` (frequency, channel, point) are the data, ``change`` (parameter, frequency, channel, point) what a
    unit of each parameter adds to them. ``free`` (frequency, column, point) are further waves of a panel's fits, with
    coefficients of their own at each frequency.
    """

    def __init__(
        self, panel: Panel, pressure_pa: Complexes, change: Complexes, free: Complexes | None = None
    ) -> None:
        count = len(change)
        both = np.concatenate([change, pressure_pa[None]])
        frequencies, channels, points = pressure_pa.shape
        beside = np.moveaxis(both, 0, 1).reshape(frequencies, (count + 1) * channels, points)
        missed = panel.missed(beside).reshape(frequencies, count + 1, channels, points)
        missed[..., panel.left_out] = 0.0
        spare = panel.spare.copy()
        spare[:, panel.left_out] = 0.0
        #: Energy that one free wave explains re that which is left per point to spare, (frequency,); 1 = chance.
        self.chance = np.ones(frequencies)
        if free is not None:
            missed, self.chance = _beyond(panel, missed, free, spare)
        residual, self.columns = missed[:, -1], missed[:, :-1]
        noise = np.sum(np.abs(residual) ** 2, axis=2) / spare.sum(axis=1)[:, None]
        self.weight = 1.0 / noise
        self.residual = residual
        self.spare = np.where(spare > 0, spare, 1.0)
        weighted = self.columns.conj() * self.weight[:, None, :, None]
        self.information = np.einsum("fpcx,fqcx->pq", weighted, self.columns, optimize=True).real
        self.slope = np.einsum("fpcx,fcx->p", weighted, residual, optimize=True).real

    def condition(self) -> float:
        """2-norm condition of the normal equations of all parameters, units taken out; inf where one does nothing."""
        scale = np.sqrt(np.diag(self.information))
        if not np.all(scale > 0):
            return float("inf")
        return float(np.linalg.cond(self.information / np.outer(scale, scale)))

    def solve(self, chosen: Sequence[int]) -> Estimate:
        """The chosen parameters, all others zero."""
        own = list(chosen)
        value, covariance = np.zeros(len(self.slope)), np.zeros_like(self.information)
        inverse = np.linalg.inv(self.information[np.ix_(own, own)])
        value[own] = inverse @ self.slope[own]
        covariance[np.ix_(own, own)] = inverse @ self._scores(value)[np.ix_(own, own)] @ inverse
        return Estimate(value, covariance, tuple(own))

    def _scores(self, value: Floats) -> Floats:
        """Covariance of the scores (parameter, parameter): of every point those of all frequencies together."""
        left = self.residual - np.einsum("p,fpcx->fcx", value, self.columns, optimize=True)
        error = left * self.weight[..., None] / self.spare[:, None]
        score = np.einsum("fpcx,fcx->px", self.columns.conj(), error, optimize=True).real
        return np.asarray(score @ score.T)

    def evidence(self, about: Floats) -> tuple[Floats, Floats]:
        """Information (parameter, parameter) of the data, and its product with the best estimate.

        The inverse of the covariance of :meth:`solve`, also where some combination of parameters does nothing. What
        is left unexplained is taken ``about`` parameters that explain most of it.
        """
        scale = np.sqrt(np.maximum(np.diag(self.information), np.finfo(float).tiny))
        values, vectors = np.linalg.eigh(self._scores(about) / np.outer(scale, scale))
        told = values > _UNTOLD * values[-1]
        # rows of the inverse root of the scores' covariance, in units of the parameters
        whitened = (vectors[:, told] / np.sqrt(values[told])).T / scale
        seen = whitened @ self.information
        return seen.T @ seen, seen.T @ (whitened @ self.slope)

    def select(self, sigmas: float, always: Sequence[int] = ()) -> Estimate:
        """Parameters that stand out from their standard error, the clearest first, one after the other.

        A parameter joins while it exceeds so many ``sigmas`` beside those chosen before it: of two that look
        alike (a shift and a delay), one is enough, and both together would be too uncertain to stand out.
        """
        best = self.solve(always) if always else self._nothing()
        while True:
            rest = [one for one in range(len(self.slope)) if one not in best.chosen]
            tried = [self.solve([*best.chosen, one]) for one in rest]
            clear = [abs(one.value[last]) / one.sigma[last] for one, last in zip(tried, rest, strict=True)]
            if not clear or max(clear) <= sigmas:
                return best
            best = tried[int(np.argmax(clear))]

    def _nothing(self) -> Estimate:
        return Estimate(np.zeros(len(self.slope)), np.zeros_like(self.information), ())


def _beyond(panel: Panel, missed: Complexes, free: Complexes, spare: Floats) -> tuple[Complexes, Floats]:
    """What further waves do not explain of (frequency, parameter, channel, point) either, and what they explain.

    The latter is that of the last parameter, the data, per wave, re what is left per point to ``spare``.
    """
    columns = panel.missed(free)
    columns[..., panel.left_out] = 0.0
    basis = np.linalg.qr(columns.swapaxes(1, 2))[0][:, None]
    rows = missed.swapaxes(2, 3)
    left = (rows - basis @ (basis.conj().swapaxes(2, 3) @ rows)).swapaxes(2, 3)
    before, after = (np.sum(np.abs(part[:, -1]) ** 2, axis=(1, 2)) for part in (missed, left))
    count = free.shape[1]
    return np.asarray(left), (before - after) / count / (after / (spare.sum(axis=1) - count))
