"""From errors of the data to errors of the coefficients, frequency by frequency, while the fit is at hand.

At random: vectors drawn from the covariance of the coefficients, at the noise that the residual shows or the records
have, whichever is more; errors of single positions are in the residual, too. In common: what each cause
(``causes.py``) changes at all points goes through the same fit as the data.
"""

from __future__ import annotations

import numpy as np
from scipy import optimize

from fieldproc.conventions import Complexes, Floats
from fieldproc.expand.causes import PERCENT, changes, hats, scan_times
from fieldproc.expand.dense import Seen, WaveFit
from fieldproc.expand.order import OrderPlan
from fieldproc.expand.panel import seen, waves_at
from fieldproc.expand.solver import Solver
from fieldproc.expand.spread import Both, unit_noise
from fieldproc.expand.surfaces import STEP_M, outward_normals
from fieldproc.records import AnyComplexes, Causes
from fieldproc.settings import UncertaintySettings
from fieldproc.waves.indexing import coefficient_count

# What degrees beyond the last would change, re what the last one did: series of sound fields fall off.
_NEXT_DEGREE = 0.5
# Points that a fit passes through say nothing of their own errors.
_NO_SPARE = 1e-3
_ROUNDS = 3
# Harmonics at the points and beside them are kept up to this size; beyond, every frequency computes its own.
_KEPT_BYTES = 1_500_000_000


class Deviating:
    """Deviations of the fits of a solver, for the orders of a ``plan``; see :class:`~fieldproc.records.Deviations`.

    Fits of other data of the same points take another ``seed``.
    """

    def __init__(
        self, solver: Solver, plan: OrderPlan, causes: Causes, settings: UncertaintySettings, seed: int
    ) -> None:
        spectra = solver.spectra
        self.solver, self.plan, self.causes, self.draws, self.seed = solver, plan, causes, settings.draws, seed
        stated = spectra.sigma.latency_s
        self.latency_s = settings.latency_s if stated is None else stated
        self.belongs = (causes.outer[:, None] == spectra.surface).astype(np.float64)
        self.course = hats(scan_times(spectra), causes.knots_s)
        self.normal = outward_normals(solver.offsets_m, spectra.surface, solver.grid)
        #: Rows whose waves hold at the points: not those of cells, which are read out about the origin.
        self.waves_hold = (plan.regular >= 0) & ~plan.divided
        top = int(np.max(plan.outgoing[self.waves_hold], initial=-1))
        self.top = max(top, int(np.max(plan.regular[self.waves_hold], initial=-1)))
        self.places_m = [solver.offsets_m + step * self.normal for step in (0.0, STEP_M, -STEP_M)]
        size = 3 * 16 * len(self.normal) * coefficient_count(max(self.top, 0))
        self.kept = [seen(at_m, self.top) for at_m in self.places_m] if self.top >= 0 and size <= _KEPT_BYTES else []

    @property
    def names(self) -> tuple[str, ...]:
        """Of the causes; those of the apparatus are mixed, since they are not independent of each other."""
        return (*(f"apparatus {at}" for at in range(self.causes.deviation.shape[1])), "latency", "degree")

    def of(self, row: int, fit: WaveFit, noise: Floats) -> tuple[AnyComplexes, AnyComplexes]:
        """AnyComplexes (channel, vector, coefficient) of outgoing and regular waves, in single precision.

        ``noise`` (channel,) is the rms error of a (weighted) point.
        """
        assert fit.spread is not None
        # nan where a point is left out: whatever it is, it counts for nothing
        fitted = np.nan_to_num(self.solver.spectra.pressure_pa[row] - fit.residual)
        slope, by_speed = self._derivatives(row, fit) if self.waves_hold[row] else self._far_away(row, fitted)
        drawn = self._drawn(row, fit, slope, noise)
        common = fit.spread.of(self._caused(row, fitted, slope, by_speed))
        coarser = fit.spread.coarser()
        steps = coarser or tuple(np.zeros_like(one[:, :1]) for one in common)
        late = -2j * np.pi * self.solver.spectra.frequency_hz[row] * self.latency_s
        found = []
        for at_random, caused, itself, step in zip(drawn, common, (fit.outgoing, fit.regular), steps, strict=True):
            # coefficients stand for k times the far field, and a wrong sound speed is a wrong k
            scaled = caused - np.einsum("v,cq->cvq", self.causes.deviation[self._speed] * PERCENT, itself)
            whole = [at_random, scaled, late * itself[:, None], _NEXT_DEGREE * step]
            found.append(np.concatenate(whole, axis=1).astype(np.complex64))
        return found[0], found[1]

    def _drawn(self, row: int, fit: WaveFit, slope: Complexes, noise: Floats) -> Both:
        """Errors at random: of every point its own, or, where a prior leaves something open, all alike."""
        assert fit.spread is not None
        generator = np.random.default_rng((self.seed, row))
        if np.any(fit.weight > 0):
            outgoing, regular = fit.spread.drawn(self.draws, generator)
            return outgoing * noise[:, None, None], regular * noise[:, None, None]
        deviation = self._point_deviation(row, fit, slope)
        return fit.spread.of(deviation[:, None] * unit_noise((1, self.draws, deviation.shape[1]), generator))

    @property
    def _speed(self) -> int:
        return self.causes.names.index("sound speed (%)")

    def _point_deviation(self, row: int, fit: WaveFit, slope: Complexes) -> Floats:
        """Standard deviation of every point's own error, (channel, point): noise, and places by the slope there.

        Both parts are chosen so that they explain the residual, corrected for leverage; noise that is known is the
        least there is.
        """
        seen = np.abs(fit.residual) ** 2 / fit.spare
        known = self.solver.spectra.noise_pa
        deviation = np.empty(seen.shape)
        for channel, square in enumerate(seen):
            base = np.ones_like(square) if known is None else known[row, channel] ** 2
            parts = np.stack([base / base.mean(), np.abs(slope[channel]) ** 2], axis=1)
            parts[:, 1] /= max(parts[:, 1].mean(), np.finfo(float).tiny)
            good = fit.spare[channel] > _NO_SPARE
            expected = np.full(len(square), square[good].mean())
            for _ in range(_ROUNDS):
                # the square of a normal number deviates by as much as it is expected to be
                share, _ = optimize.nnls(parts[good] / expected[good, None], square[good] / expected[good])
                expected = np.maximum(parts @ share, 1e-6 * square[good].mean())
            least = 0.0 if known is None else base
            deviation[channel] = np.sqrt(np.maximum(expected, least))
        return deviation

    def _caused(self, row: int, fitted: Complexes, slope: Complexes, by_speed: Complexes) -> Complexes:
        """What a standard uncertainty of every independent cause does to the pressures, (channel, vector, point)."""
        frequency_hz = self.solver.spectra.frequency_hz[row : row + 1]
        by_unit = changes(fitted[None], slope[None], by_speed[None], frequency_hz, self.belongs, self.course)
        return np.asarray(np.einsum("pv,pcx->cvx", self.causes.deviation, by_unit[:, 0]))

    def _derivatives(self, row: int, fit: WaveFit) -> tuple[Complexes, Complexes]:
        """Slope of the waves along the normals, and their change with the logarithm of the sound speed."""
        k = float(self.solver.wavenumber(row).mean())
        here, ahead, behind = self.kept or [seen(at_m, self.top) for at_m in self.places_m]
        slope = (waves_at(fit, k, ahead) - waves_at(fit, k, behind)) / (2.0 * STEP_M)
        step = STEP_M / float(here.argument.mean())
        slower, faster = (
            waves_at(fit, k, Seen(here.harmonics, here.argument * (1.0 + sign * step))) for sign in (1.0, -1.0)
        )
        return slope, (faster - slower) / (2.0 * step)

    def _far_away(self, row: int, fitted: Complexes) -> tuple[Complexes, Complexes]:
        """The same as for one outgoing wave: the direct sound comes from near the origin."""
        k = float(self.solver.wavenumber(row).mean())
        distance_m = np.linalg.norm(self.solver.offsets_m, axis=1)
        by_speed = (1.0 + 1j * k * distance_m) * fitted
        along = np.sum(self.normal * self.solver.offsets_m, axis=1) / distance_m
        return -by_speed * along / distance_m, by_speed
