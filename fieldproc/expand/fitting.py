"""How the frequencies of a run are fitted: the one thing the loop needs to know."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from fieldproc.expand.blocks import Tikhonov
from fieldproc.expand.dense import WaveFit
from fieldproc.expand.order import OrderPlan, degree_priors
from fieldproc.expand.solver import Solver
from fieldproc.settings import ExpansionSettings

# A fit worse conditioned than this is regularised in "auto": its coefficients would be mostly noise.
REGULARISE_ABOVE = 1000.0


class Fitting(Protocol):
    """Orders of all frequencies, and their fits."""

    @property
    def plan(self) -> OrderPlan:
        """Orders about the expansion origin."""
        ...

    def fit(self, rows: list[int], *, spread: bool = False) -> list[WaveFit]:
        """Fits of frequencies that have equal orders; with ``spread``, they tell that too."""
        ...

    def bytes_each(self) -> int:
        """Most memory that one call may take, beside what all share."""
        ...

    def cost(self) -> str:
        """How the fits are done and what they cost, in words."""
        ...


@dataclass(frozen=True)
class OneOrigin:
    """All waves about one origin: plain least squares where that is well determined, towards the prior elsewhere."""

    solver: Solver
    plan: OrderPlan
    settings: ExpansionSettings

    def fit(self, rows: list[int], *, spread: bool = False) -> list[WaveFit]:
        """See :class:`Fitting`."""
        orders = self.plan.orders(rows[0])
        if self.settings.regularisation == "never":
            return self.solver.fit(rows, orders, spread=spread)
        above = REGULARISE_ABOVE if self.settings.regularisation == "auto" else 0.0
        tikhonov = Tikhonov(degree_priors(orders), above, self.settings.regularisation_weight)
        return self.solver.fit(rows, orders, tikhonov, spread=spread)

    def bytes_each(self) -> int:
        """See :class:`Fitting`."""
        return self.solver.bytes_each(int(self.plan.unknowns.max()))

    def cost(self) -> str:
        """See :class:`Fitting`."""
        return self.solver.cost(int(self.plan.unknowns.max()))
