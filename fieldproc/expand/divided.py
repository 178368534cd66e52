"""Fits with outgoing waves from several cells, and the proof that they beat waves from one origin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from fieldproc.conventions import Complexes, Floats, amplitude_db
from fieldproc.expand.blocks import Tikhonov, WeightBy
from fieldproc.expand.cells import Cells
from fieldproc.expand.cost import dense_bytes, in_words
from fieldproc.expand.dense import Seen, WaveFamily, WaveFit, fit_families
from fieldproc.expand.fitting import OneOrigin
from fieldproc.expand.order import OrderPlan, degree_priors
from fieldproc.expand.rings import RingGrid, fit_ring_stack
from fieldproc.expand.solver import Solver
from fieldproc.side_by_side import side_by_side
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.translation import Translation, translated_degree

Points = TypeVar("Points")

# Truncation targets tried for the cells, in dB. Between them regularisation decides.
CELL_TARGETS_DB = (-60.0, -50.0, -40.0, -30.0)
# Cells must predict left-out points better by this much, in dB on the mean of the judged frequencies.
PROOF_DB = 1.0
# Off the rings a regularised fit takes a singular value decomposition of all its unknowns: 4 s for so many, 40 s for
# twice that. Frequencies that need more are left to one origin.
MOST_DENSE_UNKNOWNS = 2000
# Number of frequencies judged.
_JUDGED = 6


@dataclass(frozen=True)
class Division:
    """The :class:`Fitting` that the data chose: waves from cells where the points carry them, else about one origin.

    ``of_cell`` are the orders of every cell, ``plan`` what comes of them about the expansion origin, ``gain_db`` by
    how much cells predict left-out points better than one origin.
    """

    one: OneOrigin
    solver: CellSolver
    of_cell: OrderPlan
    plan: OrderPlan
    gain_db: float

    def fit(self, rows: list[int], *, spread: bool = False) -> list[WaveFit]:
        """See :class:`Fitting`."""
        if not self.plan.divided[rows[0]]:
            return self.one.fit(rows, spread=spread)
        return [self.solver.fit(row, self.of_cell.orders(row), spread=spread) for row in rows]

    def bytes_each(self) -> int:
        """See :class:`Fitting`."""
        return self.solver.bytes_each(int(self.plan.unknowns.max()))

    def cost(self) -> str:
        """See :class:`Fitting`."""
        return self.solver.cost(int(self.plan.unknowns.max()))


class CellSolver:
    """Fits of single frequencies (rows) of a solver's scan with outgoing waves from every cell.

    ``top_orders`` are the highest of a cell and of the regular waves about the expansion origin. Rings stay rings
    as long as all centres lie on their axis; any other points take the dense fit.
    """

    def __init__(self, solver: Solver, cells: Cells, top_orders: tuple[int, int], weight_by: WeightBy) -> None:
        self.solver, self.cells, self.weight_by = solver, cells, weight_by
        # for every band of weights, as every centre sees them
        self.rings: list[list[RingGrid]] | None = None
        centers_m = np.concatenate([cells.centers_m, np.zeros((1, 3))])
        if on_rings(solver, cells):
            top = max(top_orders)
            self.rings = [[grid.seen_from(z_m, top) for z_m in centers_m[:, 2]] for grid in solver.grids]
            return
        tops = [top_orders[0]] * len(cells.centers_m) + [top_orders[1]]
        offsets_m = [solver.offsets_m - center_m for center_m in centers_m]
        self.seen: list[tuple[Complexes, Floats]] = [
            (spherical_harmonics(max(top, 0), own), np.linalg.norm(own, axis=1))
            for top, own in zip(tops, offsets_m, strict=True)
        ]

    def bytes_each(self, unknowns: int) -> int:
        """Most memory that one fit may take, with cells or about the one origin."""
        of_one = self.solver.bytes_each(unknowns)
        if self.rings is not None:
            return of_one
        return max(of_one, dense_bytes(len(self.solver.offsets_m), unknowns, regularised=True))

    def cost(self, unknowns: int) -> str:
        """How fits of up to so many unknowns are done and what they cost, in words."""
        if self.rings is not None:
            return self.solver.cost(unknowns)
        return in_words("densely", unknowns, len(self.solver.offsets_m), self.bytes_each(unknowns))

    def degree(self, row: int, order: int) -> int:
        """Degree about the expansion origin that holds the waves of all cells up to ``order``."""
        return translated_degree(order, float(self.solver.wavenumber(row).mean()), self.cells.farthest_m)

    def fit(self, row: int, orders: tuple[int, int], *, spread: bool = False) -> WaveFit:
        """Regularised fit at one frequency, its outgoing coefficients about the expansion origin.

        ``orders`` are those of every cell and of the regular waves.
        """
        k, pressure = self.solver.wavenumber(row), self.solver.pressure(row)
        prior = degree_priors([orders[0]] * len(self.cells.centers_m) + [orders[1]])
        tikhonov = Tikhonov(prior, weight_by=self.weight_by)
        if self.rings is not None:
            rings = self._families(row, orders, self.rings[self.solver.band_of(row)])
            _, (fitted,) = self.solver.without_left_out(
                lambda data: fit_ring_stack(rings, k[:1], data, tikhonov, spread=spread), pressure[None]
            )
        else:
            weights = self.solver.weights(row)[:, None]
            seen = [Seen(harmonics * weights, k * radius_m) for harmonics, radius_m in self.seen]
            families = self._families(row, orders, seen)
            _, (fitted,) = self.solver.without_left_out(
                lambda data: [fit_families(families, data[0], tikhonov, spread=spread)], pressure[None]
            )
        return self.solver.unweighted(row, fitted)

    def _families(self, row: int, orders: tuple[int, int], points: list[Points]) -> list[WaveFamily[Points]]:
        top, k = self.degree(row, orders[0]), float(self.solver.wavenumber(row).mean())
        alone = np.eye(coefficient_count(orders[0]), dtype=np.complex128)
        translation = Translation.prepare(orders[0], top)
        families = [
            WaveFamily("outgoing", orders[0], own, translation.apply(alone, k, -center_m).T)
            for own, center_m in zip(points, self.cells.centers_m, strict=False)
        ]
        return families + ([WaveFamily("regular", orders[1], points[-1])] if orders[1] >= 0 else [])


def on_rings(solver: Solver, cells: Cells) -> bool:
    """Do rings stay rings for every cell?"""
    return solver.grid is not None and not cells.centers_m[:, :2].any()


def prove(one: OneOrigin, cells: Cells, plans: list[OrderPlan]) -> Division | None:
    """The best of the ``plans`` for a cell, which differ in their target alone, against one origin.

    None where the points carry no cells at any frequency.
    """
    solver, of_one = one.solver, one.plan
    rows = [int(row) for row in np.flatnonzero(plans[0].divided) if solver.has_sound(int(row))]
    if not rows:
        return None
    judged = sorted({rows[at] for at in np.linspace(0, len(rows) - 1, _JUDGED).round().astype(int)})
    pressure_pa = solver.spectra.pressure_pa
    tops = (int(max(plan.outgoing.max() for plan in plans)), int(max(plan.regular.max() for plan in plans)))
    of_cells = CellSolver(solver, cells, tops, one.settings.regularisation_weight)

    def errors_db(at: int) -> Floats:
        row = judged[at]
        fits = [of_cells.fit(row, plan.orders(row)) for plan in plans]
        missed = [fit.left_out(pressure_pa[row]) for fit in [*fits, *one.fit([row])]]
        return np.asarray(amplitude_db(np.array(missed)).mean(axis=1))

    most = of_cells.bytes_each(max(int(plan.unknowns.max()) for plan in [*plans, of_one]))
    *divided_db, one_db = np.mean(list(side_by_side(errors_db, len(judged), most, heavy=True)), axis=0)
    best = plans[int(np.argmin(divided_db))]
    degrees = [of_cells.degree(row, int(best.outgoing[row])) for row in range(len(best.divided))]
    plan = OrderPlan(
        outgoing=np.where(best.divided, degrees, of_one.outgoing),
        regular=np.where(best.divided, best.regular, of_one.regular),
        carried=best.carried | of_one.carried,
        truncation_db=np.where(best.divided, best.truncation_db, of_one.truncation_db),
        unknowns=np.where(best.divided, best.unknowns, of_one.unknowns),
        divided=best.divided,
    )
    return Division(one, of_cells, best, plan, float(one_db - min(divided_db)))
