"""Least squares of spherical harmonics on any directions, for all degrees at once, judged by left-out directions.

Columns stand in the order of their degrees, so one triangular factorisation holds the fit of every lower degree, and
sums of squares along the rows of its orthogonal factor are their leverages. A residual over one minus the leverage is
what the fit without that direction would have missed there: leave-one-out, exactly (Rasmussen & Williams 2006, 5.4.2,
from memory). Rows are weighted by the area that their direction stands for: on rings of equal steps the columns are
then orthonormal, and neighbours crowded about a pole say no more than one.

A ridge holds what an empty cap leaves open: (degree + 1) times the root of ``ridge``, as further rows. Real harmonics
of mean square 1, so real data of any kind go through one factor side by side.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr, solve_triangular
from scipy.linalg.lapack import dtrcon

from fieldproc.conventions import Floats
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count, column_degrees, column_orders

# Columns that the directions cannot keep apart are no columns, and leaving out single directions does not show it.
_LARGEST_CONDITION = 1000.0
# Numbers in the factor: 240 MB.
_MOST_NUMBERS = 30_000_000
# A direction that decides its own value leaves nothing to judge by.
_LARGEST_LEVERAGE = 1.0 - 1e-9


@dataclass(frozen=True, slots=True)
class SphereFit:
    """The factors: ``orthogonal`` (direction, column), ``triangular`` (column, column), root of weights (direction,).

    ``top_degree`` is the highest that the directions carry.
    """

    orthogonal: Floats
    triangular: Floats
    root_weights: Floats
    top_degree: int

    @classmethod
    def of_directions(cls, directions: Floats, weights: Floats, highest_degree: int, ridge: float = 0.0) -> SphereFit:
        """Factors for unit vectors (direction, 3) and weights that sum to 1, up to a degree at most.

        The degree falls until the condition is below 1000 (estimated in the 1-norm) and the factors are of a size to
        handle, and there are no more columns than directions, with a ridge than half as many again.
        """
        count = len(directions)
        affordable = int(np.sqrt(_MOST_NUMBERS / count)) - 1
        # a ridge allows for more columns than directions, but they say ever less
        columns = count if ridge == 0.0 else 1.5 * count
        top = min(highest_degree, affordable, int(np.sqrt(columns)) - 1)
        root = np.sqrt(weights)
        rows = real_harmonics(top, directions) * root[:, None]
        if ridge > 0.0:
            rows = np.concatenate([rows, np.diag(np.sqrt(ridge) * (column_degrees(top) + 1.0))])
        orthogonal, triangular = qr(rows, mode="economic", check_finite=False, overwrite_a=True)
        columns = coefficient_count(top)
        while top > 0 and dtrcon(triangular[:columns, :columns])[0] < 1.0 / _LARGEST_CONDITION:
            top -= 1
            columns = coefficient_count(top)
        return cls(orthogonal[:count, :columns], triangular[:columns, :columns], root, top)

    def left_out(self, data: Floats) -> Iterator[Floats]:
        """What fits of degree 0, 1, ... to data (direction, set) without each direction miss there: same shape.

        Ends before a degree at which a direction decides its own value.
        """
        rest = data * self.root_weights[:, None]
        moments = self.orthogonal.T @ rest
        leverage = np.zeros(len(data))
        for degree in range(self.top_degree + 1):
            own = slice(coefficient_count(degree - 1), coefficient_count(degree))
            block = self.orthogonal[:, own]
            rest -= block @ moments[own]
            leverage += np.sum(block**2, axis=1)
            if leverage.max() > _LARGEST_LEVERAGE:
                return
            yield rest / ((1.0 - leverage) * self.root_weights)[:, None]

    def predicted(self, data: Floats, degree: int, harmonics: Floats) -> Floats:
        """The fit of one degree to data (direction, set) in other directions (other, set).

        ``harmonics`` (other, at least as many columns) are :func:`real_harmonics` there.
        """
        return harmonics[:, : coefficient_count(degree)] @ self.coefficients(data, degree)

    def coefficients(self, data: Floats, degree: int) -> Floats:
        """Of :func:`real_harmonics`, (column, set)."""
        columns = coefficient_count(degree)
        moments = self.orthogonal[:, :columns].T @ (data * self.root_weights[:, None])
        return np.asarray(solve_triangular(self.triangular[:columns, :columns], moments, check_finite=False))


def real_harmonics(top_degree: int, directions: Floats) -> Floats:
    """Real harmonics of mean square 1 over the sphere, (direction, column), in the order of the complex ones."""
    orders = column_orders(top_degree)
    table = spherical_harmonics(top_degree, directions)
    real = np.where(orders < 0, table.imag, table.real)
    return np.asarray(real * np.sqrt(4.0 * np.pi * np.where(orders == 0, 1.0, 2.0)))
