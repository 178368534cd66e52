"""The coefficient order, both ways."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.waves.indexing import coefficient_count, coefficient_index, column_degrees, column_orders


@pytest.mark.parametrize("expansion_order", [0, 1, 2, 7, 100])
def test_every_column_comes_back_as_its_degree_and_order(expansion_order: int) -> None:
    degrees, orders = column_degrees(expansion_order), column_orders(expansion_order)
    pairs = [(n, m) for n in range(expansion_order + 1) for m in range(-n, n + 1)]
    assert list(zip(degrees.tolist(), orders.tolist(), strict=True)) == pairs
    assert [coefficient_index(n, m) for n, m in pairs] == list(range(coefficient_count(expansion_order)))


def test_no_set_has_no_columns() -> None:
    assert coefficient_count(-1) == 0
    assert column_degrees(-1).shape == column_orders(-1).shape == (0,)


def test_low_columns_by_hand() -> None:
    np.testing.assert_array_equal(column_degrees(2), [0, 1, 1, 1, 2, 2, 2, 2, 2])
    np.testing.assert_array_equal(column_orders(2), [0, -1, 0, 1, -2, -1, 0, 1, 2])
