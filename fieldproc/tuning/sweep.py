"""Degrees of both sets swept at some frequencies of a scan, about one origin or from the cells of a tall loudspeaker.

The grid is the order rule with a truncation of its own for either set: pairs (outgoing, regular) about the
one-parameter path that a run chooses from. Every pair is a plain fit; a pair that holds one which the points cannot
keep apart is not tried, for adding columns never lowers a condition.

What a pair leaves wrong in the far field is estimated from the scan itself: the finest pair that predicts as well is
nearly free of bias, and a coarser one differs from it by its own bias and by noise whose variance is known,

    |a - a_finest|^2 = bias^2 + sigma^2 (V_finest - V),    error^2 = bias^2 + sigma^2 V,

V being the far-field variance per unit variance of a point (Claeskens & Hjort, J. Am. Stat. Assoc. 98 (2003) 900: the
focused information criterion; from memory). Left-out points judge the field where it was measured; this judges it
where it is wanted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, amplitude_db, wavenumber
from fieldproc.expand.cells import Cells
from fieldproc.expand.dense import WaveFit
from fieldproc.expand.divided import CELL_TARGETS_DB, MOST_DENSE_UNKNOWNS, CellSolver, on_rings
from fieldproc.expand.geometry import cells_reach, source_reach
from fieldproc.expand.order import COARSEST_DB, Reach, automatic_orders, unknown_count
from fieldproc.expand.seam import square_difference
from fieldproc.expand.solver import Solver
from fieldproc.records import Spectra
from fieldproc.settings import Settings
from fieldproc.side_by_side import side_by_side

# Truncation of either set, fine to coarse.
TARGETS_DB = np.arange(-80.0, -19.0, 10.0)
# A pair conditioned worse is beyond the points, whatever left-out points say: the limit of "auto" orders, too.
MOST_CONDITION = 300.0
# A finer pair that predicts left-out points as well, to this many dB, is free enough of bias to be compared with.
_AS_WELL_DB = 1.0


@dataclass(frozen=True, slots=True)
class Trial:
    """One pair of degrees at one frequency; what is in dB is the mean over channels, the condition of all.

    ``cross_validation_db`` is the generalised cross-validation error re the data, ``error_db`` the estimated error of
    the far field re itself. ``unknowns_per_point`` counts both sets.
    """

    orders: tuple[int, int]
    unknowns_per_point: float
    left_out_db: float
    cross_validation_db: float
    condition: float
    noise_gain_db: float
    error_db: float
    outgoing: Complexes


@dataclass(frozen=True)
class Candidate:
    """Where outgoing waves may leave from: an origin, or the cells about it.

    ``solver`` holds the judged rows alone; ``reach`` is that of every centre.
    """

    name: str
    solver: Solver
    reach: Reach
    separate: bool
    budget: int
    targets_db: Floats
    of_cells: CellSolver | None = None

    def fit(self, row: int, orders: tuple[int, int]) -> WaveFit:
        """Plainly about an origin, regularised from cells."""
        return self.solver.fit([row], orders)[0] if self.of_cells is None else self.of_cells.fit(row, orders)

    def unknowns(self, orders: tuple[int, int]) -> int:
        """Of both sets, all centres."""
        outgoing, regular = np.array(orders)
        return int(unknown_count(outgoing, regular, self.reach.centers))

    def rule(self, frequency_hz: Floats, target_db: Floats) -> tuple[Integers, Integers]:
        """Degrees of both sets by the order rule, a truncation for every frequency; no limit of unknowns."""
        k = wavenumber(frequency_hz, float(self.solver.spectra.sound_speed_m_per_s.mean()))
        plan = automatic_orders(k, self.reach, self.separate, 100 * len(self.solver.offsets_m) ** 2, target_db)
        return plan.outgoing, plan.regular

    def finest_db(self, frequency_hz: Floats) -> Floats:
        """The finest truncation of both sets alike that the points carry, (frequency,), to a decibel.

        At the top of the band the steps of the shared targets are wide, and every unknown counts.
        """
        low, high = np.full(len(frequency_hz), self.targets_db[0]), np.full(len(frequency_hz), COARSEST_DB)
        while np.any(high - low > 1.0):
            middle = np.floor((low + high) / 2.0)
            carried = unknown_count(*self.rule(frequency_hz, middle), self.reach.centers) <= self.budget
            low, high = np.where(carried, low, middle), np.where(carried, middle, high)
        return high


@dataclass(frozen=True)
class Sweep:
    """All trials of a candidate: per judged row, by their degrees.

    ``outgoing`` and ``regular`` (row, target) are the degrees of ``targets_db`` (row, target), fine to coarse.
    """

    candidate: Candidate
    targets_db: Floats
    outgoing: Integers
    regular: Integers
    trials: tuple[dict[tuple[int, int], Trial], ...]

    def values(self, read: Callable[[Trial], float]) -> Floats:
        """Of every pair of targets, (row, outgoing target, regular target); nan where there is no trial."""
        rows, targets = self.outgoing.shape
        values = np.full((rows, targets, targets), np.nan)
        for row, of_row in enumerate(self.trials):
            for one, outgoing in enumerate(self.outgoing[row].tolist()):
                for other, regular in enumerate(self.regular[row].tolist()):
                    if (trial := of_row.get((outgoing, regular))) is not None:
                        values[row, one, other] = read(trial)
        return values


def about(name: str, spectra: Spectra, origin_m: Floats, settings: Settings, separate: bool) -> Candidate:
    """Waves about one origin; ``spectra`` of the judged rows."""
    reach = source_reach(spectra, settings.expansion, origin_m)
    k = wavenumber(spectra.frequency_hz, float(spectra.sound_speed_m_per_s.mean()))
    budget = int(settings.orders.unknowns_per_point * len(spectra.positions_m))
    finest = automatic_orders(k, reach, separate, budget, TARGETS_DB[0])
    # one set may be finer than on the path, at the other's cost
    rule = automatic_orders(k, reach, separate, 100 * budget**2, TARGETS_DB[0])
    most = int(np.sqrt(budget))
    top = np.minimum(np.maximum(rule.outgoing, rule.regular), np.maximum(most, finest.outgoing))
    solver = Solver(spectra, origin_m, top, (float(k.min()), float(k.max())))
    return Candidate(name, solver, reach, separate, budget, TARGETS_DB)


def from_cells(one: Candidate, cells: Cells, settings: Settings) -> Candidate:
    """Waves from cells about the same origin."""
    reach, solver = cells_reach(cells, one.reach), one.solver
    budget = one.budget if on_rings(solver, cells) else min(one.budget, MOST_DENSE_UNKNOWNS)
    k = wavenumber(solver.spectra.frequency_hz, float(solver.spectra.sound_speed_m_per_s.mean()))
    finest = automatic_orders(k, reach, one.separate, 100 * budget**2, CELL_TARGETS_DB[0])
    most = int(np.sqrt(budget))
    tops = (min(int(finest.outgoing.max()), most), min(int(finest.regular.max()), most))
    of_cells = CellSolver(solver, cells, tops, settings.expansion.regularisation_weight)
    return Candidate("cells", solver, reach, one.separate, budget, np.array(CELL_TARGETS_DB), of_cells)


def sweep(candidate: Candidate, progress: Callable[[], None]) -> Sweep:
    """All pairs at all rows of the candidate's solver; ``progress`` is called after every row."""
    frequency_hz = candidate.solver.spectra.frequency_hz
    shared = np.tile(candidate.targets_db, (len(frequency_hz), 1))
    targets_db: Floats = np.sort(np.column_stack([shared, candidate.finest_db(frequency_hz)]), axis=1)
    found = [candidate.rule(frequency_hz, target_db) for target_db in targets_db.T]
    outgoing, regular = (np.array(part).T for part in zip(*found, strict=True))
    most = candidate.solver.bytes_each(candidate.budget)
    if candidate.of_cells is not None:
        most = candidate.of_cells.bytes_each(candidate.budget)
    trials = []
    for of_row in side_by_side(lambda row: _trials(candidate, row, outgoing[row], regular[row]), len(outgoing), most):
        trials.append(of_row)
        progress()
    return Sweep(candidate, targets_db, outgoing, regular, tuple(trials))


def _trials(candidate: Candidate, row: int, outgoing: Integers, regular: Integers) -> dict[tuple[int, int], Trial]:
    """Of one row. Cells are tried along the path alone: between degrees, regularisation decides."""
    pairs = [(int(one), int(other)) for one in np.unique(outgoing) for other in np.unique(regular)]
    if candidate.of_cells is not None:
        pairs = sorted(set(zip(outgoing.tolist(), regular.tolist(), strict=True)))
    fits: dict[tuple[int, int], WaveFit] = {}
    beyond: list[tuple[int, int]] = []
    for pair in pairs:
        holds = any(pair[0] >= one and pair[1] >= other for one, other in beyond)
        if candidate.unknowns(pair) > candidate.budget or holds:
            continue
        fit = candidate.fit(row, pair)
        if candidate.of_cells is None and fit.condition > MOST_CONDITION:
            beyond.append(pair)
            # something must be chosen: what not even the coarsest avoids, rules out none
            if fits:
                continue
        fits[pair] = fit
    return _judged(candidate, row, fits)


def _judged(candidate: Candidate, row: int, fits: dict[tuple[int, int], WaveFit]) -> dict[tuple[int, int], Trial]:
    if not fits:
        return {}
    solver = candidate.solver
    pressure, k = solver.spectra.pressure_pa[row], float(solver.wavenumber(row).mean())
    points = pressure.shape[1]
    cross_db = {pair: _cross_validation_db(fit, pressure) for pair, fit in fits.items()}
    best_db = min(cross_db.values())
    finest = fits[_finest([pair for pair, one_db in cross_db.items() if one_db <= best_db + _AS_WELL_DB], list(fits))]
    return {
        pair: Trial(
            pair,
            candidate.unknowns(pair) / points,
            float(np.mean(amplitude_db(fit.left_out(pressure)))),
            cross_db[pair],
            fit.condition,
            float(amplitude_db(fit.far_field_gain(k).max())),
            estimated_error_db(fit, finest),
            fit.outgoing,
        )
        for pair, fit in fits.items()
    }


def _finest(as_well: list[tuple[int, int]], tried: list[tuple[int, int]]) -> tuple[int, int]:
    """The pair that is fine in both sets: what one set leaves out, the other takes for its own, however fine."""
    places = [sorted({pair[of_set] for pair in tried}) for of_set in (0, 1)]

    def fineness(pair: tuple[int, int]) -> tuple[int, int]:
        ranks = [own.index(degree) for own, degree in zip(places, pair, strict=True)]
        return min(ranks), sum(ranks)

    return max(as_well, key=fineness)


def _cross_validation_db(fit: WaveFit, pressure: Complexes) -> float:
    """Generalised cross-validation: the residual re the data, over the mean of one minus leverage."""
    missed = np.linalg.norm(fit.residual, axis=1) / np.linalg.norm(pressure, axis=1)
    return float(np.mean(amplitude_db(missed / np.mean(fit.spare, axis=1))))


def estimated_error_db(fit: WaveFit, finest: WaveFit) -> float:
    """Error of the far field of a fit, re the far field, as the finest fit lets it be seen; mean over channels.

    A regularised fit knows its own by its posterior variance, bias included.
    """
    scatter = finest.noise**2 * fit.far_field_variance
    bias = np.zeros(len(scatter))
    if not np.any(fit.weight) and not np.any(finest.weight):
        expected = finest.noise**2 * np.maximum(finest.far_field_variance - fit.far_field_variance, 0.0)
        bias = np.maximum(square_difference(fit.outgoing, finest.outgoing) - expected, 0.0)
    size = np.sum(np.abs(finest.outgoing) ** 2, axis=1)
    return float(np.mean(amplitude_db(np.sqrt((bias + scatter) / size))))
