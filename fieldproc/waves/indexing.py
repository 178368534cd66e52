"""The one owner of the coefficient order: column = n*n + n + m for degree n and order m."""

from __future__ import annotations

from typing import overload

import numpy as np

from fieldproc.conventions import Integers


def coefficient_count(expansion_order: int) -> int:
    """Number of coefficients up to and including degree ``expansion_order``; 0 for order -1 (no set)."""
    return (expansion_order + 1) ** 2


@overload
def coefficient_index(degree: int, order: int) -> int: ...
@overload
def coefficient_index(degree: Integers, order: Integers | int) -> Integers: ...
def coefficient_index(degree: Integers | int, order: Integers | int) -> Integers | int:
    """Column of degree n and order m, or columns of many."""
    return degree * degree + degree + order


def column_degrees(expansion_order: int) -> Integers:
    """Degree n of every column, shape (coefficient,)."""
    degrees = np.arange(expansion_order + 1)
    return np.repeat(degrees, 2 * degrees + 1)


def column_orders(expansion_order: int) -> Integers:
    """Order m of every column, shape (coefficient,)."""
    degrees = column_degrees(expansion_order)
    return np.arange(degrees.size) - degrees * degrees - degrees
