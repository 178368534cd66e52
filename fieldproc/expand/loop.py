"""The frequency loop: every frequency solved on its own, results and quality gathered."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, Integers, amplitude_db
from fieldproc.errors import NumericalError
from fieldproc.expand.dense import WaveFit
from fieldproc.expand.deviations import Deviating
from fieldproc.expand.fitting import Fitting
from fieldproc.expand.order import OrderPlan
from fieldproc.expand.quality import close_gaps, judge
from fieldproc.expand.solver import Solver
from fieldproc.records import AnyComplexes, Deviations, Measures, Quality, Spectra
from fieldproc.side_by_side import side_by_side
from fieldproc.waves.indexing import coefficient_count

Progress = Callable[[int, int], None]


class Solved:
    """Results of the loop as they fill up: zeros and nan where a frequency was not solved."""

    def __init__(self, shape: tuple[int, int, int], plan: OrderPlan, surface: Integers) -> None:
        frequencies, channels, points = shape

        def unsolved(*size: int) -> Floats:
            return np.full(size, np.nan)

        def no_coefficients(orders: Integers) -> Complexes:
            return np.zeros((frequencies, channels, coefficient_count(int(orders.max()))), dtype=np.complex128)

        self.outgoing = no_coefficients(plan.outgoing)
        self.regular = no_coefficients(plan.regular)
        self.residual_db = unsolved(frequencies, channels)
        self.leave_one_out_db = unsolved(frequencies, channels)
        self.room_to_direct_db = unsolved(frequencies, channels)
        self.random_error_db = unsolved(frequencies, channels)
        self.weight = unsolved(frequencies, channels)
        self.condition = unsolved(frequencies)
        self.noise_gain_db = unsolved(frequencies)
        self.point_residual = np.zeros((channels, points))
        #: Numbers of the surfaces, if they are named, and their points.
        self.surface = np.unique(surface) if np.all(surface >= 0) else surface[:0]
        self.of_surface = [np.flatnonzero(surface == number) for number in self.surface]
        self.surface_residual_db = unsolved(frequencies, channels, len(self.surface))
        self.deviations: dict[int, tuple[AnyComplexes, AnyComplexes]] = {}
        self.count = 0

    def take(self, row: int, fit: WaveFit, pressure: Complexes, k: float, noise_pa: Floats) -> None:
        """Store one frequency; the measures are defined in ``quality.py``. ``noise_pa`` (channel,) is of a row."""
        self.outgoing[row, :, : fit.outgoing.shape[1]] = fit.outgoing
        self.regular[row, :, : fit.regular.shape[1]] = fit.regular
        level = _rms(pressure)
        gain = fit.far_field_gain(k)
        far_field = np.sqrt(np.sum(np.abs(fit.outgoing) ** 2, axis=1) / (4 * np.pi)) / k
        self.residual_db[row] = amplitude_db(_rms(fit.residual) / level)
        for at, own in enumerate(self.of_surface):
            ratio = _rms(fit.residual[:, own]) / _rms(pressure[:, own])
            self.surface_residual_db[row, :, at] = amplitude_db(ratio)
        self.leave_one_out_db[row] = amplitude_db(fit.left_out(pressure))
        self.random_error_db[row] = amplitude_db(gain * noise_pa / far_field)
        self.room_to_direct_db[row] = amplitude_db(fit.room_to_direct)
        self.weight[row] = fit.weight
        self.condition[row] = fit.condition
        self.noise_gain_db[row] = amplitude_db(gain.max())
        self.point_residual += np.abs(fit.residual / level[:, None]) ** 2
        self.count += 1

    def deviating(self, draws: int, causes: tuple[str, ...]) -> Deviations:
        """What the coefficients may be off by, row by row."""
        channels = self.outgoing.shape[1]
        nothing = np.zeros((channels, 0, 0), dtype=np.complex64)
        rows = [self.deviations.get(row, (nothing, nothing)) for row in range(len(self.outgoing))]
        return Deviations(tuple(one for one, _ in rows), tuple(other for _, other in rows), draws, causes)

    def measures(self, hold_out_db: Floats, forbidden: Booleans) -> Measures:
        """What is known of further measures while the fits are at hand; nan for the others."""
        unknown = np.full_like(self.weight, np.nan)
        return Measures(
            surface=self.surface,
            surface_residual_db=self.surface_residual_db,
            hold_out_db=hold_out_db,
            forbidden=forbidden.astype(np.int64),
            last_degrees_db=unknown,
            clear_degree=unknown,
            degree_change_db=unknown,
            leakage=unknown,
            leakage_db=unknown,
            power_closure=unknown,
        )

    def quality(self, plan: OrderPlan, spectra: Spectra, told_apart: Booleans) -> Quality:
        """The gathered measures and the verdict they come to.

        At best "caution" where room and loudspeaker were not ``told_apart`` (frequency,).
        """
        # cells stand in for each other by design; what that costs, the random error says
        condition = np.where(plan.divided, 1.0, self.condition)[:, None]
        verdict = judge(
            {
                "leave_one_out_db": self.leave_one_out_db,
                "random_error_db": self.random_error_db,
                "truncation_db": plan.truncation_db[:, None],
                "condition": condition,
                "separation_condition": np.where(plan.regular[:, None] >= 0, condition, 1.0),
                "late_db": np.full_like(condition, -np.inf) if spectra.late_db is None else spectra.late_db,
            },
            carried=plan.carried & spectra.usable,
            separated=told_apart,
        )
        return Quality(
            residual_db=self.residual_db,
            leave_one_out_db=self.leave_one_out_db,
            room_to_direct_db=self.room_to_direct_db,
            random_error_db=self.random_error_db,
            level_uncertainty_db=np.full_like(self.weight, np.nan),
            verdict=close_gaps(verdict, spectra.frequency_hz),
            condition=self.condition,
            noise_gain_db=self.noise_gain_db,
            truncation_db=plan.truncation_db,
            regularisation=self.weight,
            scattering_db=np.full_like(self.weight, np.nan),
            overlap_difference_db=np.full_like(self.weight, np.nan),
            gated_share=np.zeros(len(self.condition)),
            point_residual_db=amplitude_db(np.sqrt(self.point_residual / self.count)),
        )


def solve_all(solver: Solver, fitting: Fitting, progress: Progress, deviating: Deviating | None = None) -> Solved:
    """Solve every usable frequency, rows of equal orders together, side by side.

    With ``deviating``, what the coefficients may be off by, too. ``NumericalError`` when no frequency can be solved.
    """
    plan = fitting.plan
    pressure_pa = solver.spectra.pressure_pa
    frequencies, channels, points = pressure_pa.shape
    solved = Solved((frequencies, channels, points), plan, solver.spectra.surface)

    def fit(lot: list[int]) -> list[tuple[WaveFit, tuple[AnyComplexes, AnyComplexes] | None]]:
        found = fitting.fit(lot, spread=deviating is not None)
        if deviating is None:
            return [(one, None) for one in found]
        told = [deviating.of(row, one, _noise(solver, row, one)) for row, one in zip(lot, found, strict=True)]
        # the factors of a fit must not wait for their turn in the loop below
        return [(replace(one, spread=None), both) for one, both in zip(found, told, strict=True)]

    at_once = solver.at_once(int(plan.unknowns.max()))
    lots = _lots(plan, [row for row in range(frequencies) if solver.has_sound(row)], at_once)
    fits = side_by_side(lambda at: fit(lots[at]), len(lots), fitting.bytes_each(), heavy=True)
    for lot, done in zip(lots, fits, strict=True):
        for row, (fitted, both) in zip(lot, done, strict=True):
            k = float(solver.wavenumber(row).mean())
            solved.take(row, fitted, pressure_pa[row], k, _noise(solver, row, fitted))
            if both is not None:
                solved.deviations[row] = both
            progress(row + 1, frequencies)
    if not solver.has_sound(frequencies - 1):
        progress(frequencies, frequencies)
    _require_finite(solved, plan, solver.spectra.frequency_hz)
    if solved.count == 0:
        raise NumericalError(
            "expand", "number of usable frequencies", "0", "at least 1", "check the frequency grid and the data"
        )
    return solved


def _noise(solver: Solver, row: int, fit: WaveFit) -> Floats:
    """Rms error of a weighted row of a fit, (channel,): as residual or session show it, whichever is more."""
    noise_pa = solver.spectra.noise_pa
    return fit.noise if noise_pa is None else np.maximum(fit.noise, _rms(noise_pa[row] * solver.weights(row)))


def _lots(plan: OrderPlan, rows: list[int], most: int) -> list[list[int]]:
    """Neighbouring rows of equal orders together, at most so many."""
    lots: list[list[int]] = []
    for row in rows:
        same = lots and all(part[row] == part[lots[-1][0]] for part in (plan.outgoing, plan.regular, plan.divided))
        if same and len(lots[-1]) < most:
            lots[-1].append(row)
        else:
            lots.append([row])
    return lots


def _require_finite(solved: Solved, plan: OrderPlan, frequency_hz: Floats) -> None:
    """Degrees so high at frequencies so low that double precision ends are refused, not written as infinity."""
    # a singular fit without a prior has no coefficients at all (nan), and its condition says so
    over = np.flatnonzero(np.isinf(solved.outgoing).any(axis=(1, 2)) | np.isinf(solved.regular).any(axis=(1, 2)))
    if over.size:
        at = int(over[0])
        raise NumericalError(
            "expand",
            f"coefficients at {frequency_hz[at]:.6g} Hz (orders {plan.outgoing[at]} and {plan.regular[at]})",
            "beyond double precision",
            "1.8e308",
            "give orders as a table that starts lower",
        )


def _rms(values: Complexes | Floats) -> Floats:
    """Root mean square over the points, per channel."""
    return np.asarray(np.sqrt(np.mean(np.abs(values) ** 2, axis=1)))
