"""Harmonics times a coordinate of the unit sphere: degree n couples to n - 1 and n + 1 only."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array

from fieldproc.conventions import Floats, Integers
from fieldproc.waves.indexing import coefficient_count, coefficient_index, column_degrees, column_orders


def coordinate_products(top_degree: int) -> tuple[csr_array, csr_array, csr_array]:
    """Coefficients of x f, y f and z f from those of f: three matrices ((N+2)^2, (N+1)^2), x^2 + y^2 + z^2 = 1.

    From the recurrences of associated Legendre functions, [DLMF] 14.10.3 and 14.10.6 at orthonormal scale.
    """
    n, m = column_degrees(top_degree), column_orders(top_degree)
    rising = _matrix(top_degree, 1, -_root(n + m + 1, n + m + 2, n), _root(n - m, n - m - 1, n - 1))
    falling = _matrix(top_degree, -1, _root(n - m + 1, n - m + 2, n), -_root(n + m, n + m - 1, n - 1))
    along = _matrix(top_degree, 0, _root(n - m + 1, n + m + 1, n), _root(n - m, n + m, n - 1))
    return (rising + falling) / 2, (rising - falling) / 2j, along


def _root(first: Integers, second: Integers, lower: Integers) -> Floats:
    """sqrt(first second / ((2 l + 1)(2 l + 3))), l the lower of the two degrees that a product couples."""
    # where the lower degree would be -1 there is nothing to couple to, and first or second is zero
    return np.asarray(np.sqrt(np.maximum(first * second, 0) / np.maximum((2 * lower + 1) * (2 * lower + 3), 1)))


def _matrix(top_degree: int, turn: int, up: Floats, down: Floats) -> csr_array:
    """From column (n, m) to (n + 1, m + turn) by ``up``, to (n - 1, m + turn) by ``down``."""
    n, m = column_degrees(top_degree), column_orders(top_degree)
    columns = np.arange(len(n))
    inside = np.abs(m + turn) <= n - 1
    above, below = coefficient_index(n + 1, m + turn), coefficient_index(n - 1, m + turn)
    rows = np.concatenate([above, below[inside]])
    values = np.concatenate([up, down[inside]])
    shape = (coefficient_count(top_degree + 1), coefficient_count(top_degree))
    return csr_array((values, (rows, np.concatenate([columns, columns[inside]]))), shape=shape)
