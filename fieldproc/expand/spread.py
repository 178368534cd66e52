"""How errors of the data spread to the coefficients of a fit: at random, or as one known change of all points.

Every fit here is linear in its data. A change of the data changes the coefficients by that fit of the change, with
the weight that the data chose. What noise makes of them is drawn from their covariance, which with a prior is the
posterior one: it holds what the prior left open, not only what noise did.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, Integers

# Coefficients of outgoing and of regular waves, (channel, vector, coefficient) each.
Both = tuple[Complexes, Complexes]


class Spread(Protocol):
    """What a fit can say of errors of its data."""

    def drawn(self, count: int, generator: np.random.Generator) -> Both:
        """Errors at random, as unit variance at every point makes them: ``count`` vectors."""
        ...

    def of(self, change: Complexes) -> Both:
        """Coefficients that changes (channel, vector, point) of the data add."""
        ...

    def coarser(self) -> Both | None:
        """What a fit without the highest degree of each set adds, one vector; None where a prior chooses degrees."""
        ...


@dataclass(frozen=True, slots=True)
class Weighted:
    """The spread of a fit to data times ``weights`` (point,)."""

    fit: Spread
    weights: Floats

    def drawn(self, count: int, generator: np.random.Generator) -> Both:
        """See :class:`Spread`; at unit variance of the weighted data."""
        return self.fit.drawn(count, generator)

    def of(self, change: Complexes) -> Both:
        """See :class:`Spread`."""
        return self.fit.of(change * self.weights)

    def coarser(self) -> Both | None:
        """See :class:`Spread`."""
        return self.fit.coarser()


@dataclass(frozen=True, slots=True)
class BlockSpread:
    """The spread of one frequency of a block solution.

    Per block: ``columns`` (copy, column), ``bases`` (row, part), ``gains`` (part, channel) and ``spreads`` (column,
    part), so that coefficients are spreads times gains times the adjoint of the bases times the data; ``deviations``
    (part, channel) are the roots of their variance. ``solution`` (unknown, channel) are the unit coefficients,
    ``highest`` (unknown,) those of the highest degree of their set; ``plain``: there is no prior. ``rows`` turns
    changes (1, vector, point) into the data of each block (1, copy, row, vector), in the order of the blocks;
    ``true`` turns unit coefficients (unknown, vector) into outgoing and regular ones (vector, coefficient).
    """

    columns: Sequence[Integers]
    bases: Sequence[Complexes]
    gains: Sequence[Floats]
    spreads: Sequence[Complexes]
    deviations: Sequence[Floats]
    solution: Complexes
    highest: Booleans
    plain: bool
    rows: Callable[[Complexes], list[Complexes]]
    true: Callable[[Complexes], Both]

    def drawn(self, count: int, generator: np.random.Generator) -> Both:
        """See :class:`Spread`; all channels from the same numbers."""
        found = self._nothing(count)
        for columns, spread, deviation in zip(self.columns, self.spreads, self.deviations, strict=True):
            numbers = unit_noise((len(columns), spread.shape[1], count), generator)
            for channel, own in enumerate(found):
                own[columns] = spread @ (deviation[:, channel, None] * numbers)
        return self._both(found)

    def of(self, change: Complexes) -> Both:
        """See :class:`Spread`."""
        found = self._nothing(change.shape[1])
        for channel, own in enumerate(found):
            parts = zip(
                self.columns, self.bases, self.gains, self.spreads, self.rows(change[channel][None]), strict=True
            )
            for columns, basis, gain, spread, data in parts:
                own[columns] = spread @ (gain[:, channel, None] * (basis.conj().T @ data[0]))
        return self._both(found)

    def coarser(self) -> Both | None:
        """See :class:`Spread`: by the covariance of the unknowns, no further fit."""
        if not self.plain:
            return None
        found = self._nothing(1)
        for columns, spread in zip(self.columns, self.spreads, strict=True):
            own = self.highest[columns[0]]
            if own.any():
                per_dropped = spread @ np.linalg.pinv(spread[own])
                # of all channels and copies
                found[:, columns, 0] = -np.einsum("qd,ndc->cnq", per_dropped, self.solution[columns[:, own]])
        return self._both(found)

    def _nothing(self, vectors: int) -> Complexes:
        unknowns, channels = self.solution.shape
        return np.zeros((channels, unknowns, vectors), dtype=np.complex128)

    def _both(self, found: Complexes) -> Both:
        outgoing, regular = zip(*map(self.true, found), strict=True)
        return np.array(outgoing), np.array(regular)


def unit_noise(shape: tuple[int, ...], generator: np.random.Generator) -> Complexes:
    """Circular normal numbers of unit variance."""
    return np.asarray((generator.standard_normal(shape) + 1j * generator.standard_normal(shape)) / np.sqrt(2.0))
