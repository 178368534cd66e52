"""Products of harmonics with x, y and z: in every direction, as matrices, and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array, eye_array

from fieldproc.waves.coordinates import coordinate_products
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count, coefficient_index

every_degree = pytest.mark.parametrize("degree", range(41))


def random_directions(count: int) -> np.ndarray:
    vectors = np.random.default_rng(11).normal(size=(count, 3))
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


def assert_equal(found: csr_array, expected: csr_array) -> None:
    """Entries are below 1, and at most six products of two add up to one: a few roundings."""
    assert found.shape == expected.shape
    assert abs(found - expected).max() < 1e-14


@every_degree
def test_products_hold_in_every_direction(degree: int) -> None:
    """Column by column: one harmonic times a coordinate, against the harmonics up to one degree higher."""
    directions = random_directions(20)
    own, higher = (spherical_harmonics(top, directions) for top in (degree, degree + 1))
    for coordinate, matrix in zip(directions.T, coordinate_products(degree), strict=True):
        # harmonics of degree 41 reach sqrt(83 / 4 pi) = 2.6 and are good to some 1e-14; measured 5e-15
        np.testing.assert_allclose((matrix.T @ higher.T).T, coordinate[:, None] * own, rtol=0, atol=1e-13)


@every_degree
def test_squares_add_up_to_one(degree: int) -> None:
    total = sum(
        second @ first
        for first, second in zip(coordinate_products(degree), coordinate_products(degree + 1), strict=True)
    )
    assert_equal(total, eye_array(coefficient_count(degree + 2), coefficient_count(degree), format="csr"))


@every_degree
def test_a_product_is_hermitian(degree: int) -> None:
    """<f, x g> = <x f, g>, where both are of the same degree."""
    for matrix in coordinate_products(degree):
        square = matrix[: coefficient_count(degree)]
        assert_equal(square, square.conj().T.tocsr())
        # degree 0 has no neighbour yet; from degree 1 on there is something to be symmetric
        assert (abs(square).max() > 0.1) == (degree > 0)


@every_degree
def test_products_commute(degree: int) -> None:
    first, second = coordinate_products(degree), coordinate_products(degree + 1)
    for one, other in ((0, 1), (1, 2), (2, 0)):
        assert_equal(second[one] @ first[other], second[other] @ first[one])


@every_degree
def test_fewer_degrees_are_the_first_columns_of_more(degree: int) -> None:
    rows, columns = coefficient_count(degree + 1), coefficient_count(degree)
    for own, higher in zip(coordinate_products(degree), coordinate_products(degree + 3), strict=True):
        assert (own != higher[:rows, :columns]).nnz == 0
        # and nothing couples farther than one degree
        assert higher[rows:, :columns].nnz == 0


def test_a_constant_by_hand() -> None:
    """Y_00 = 1 / sqrt(4 pi). With Condon-Shortley phase x is sqrt(2 pi / 3) (Y_1-1 - Y_11), y is
    i sqrt(2 pi / 3) (Y_1-1 + Y_11), z is sqrt(4 pi / 3) Y_10."""
    expected = np.zeros((3, 4), dtype=np.complex128)
    below, level, above = (coefficient_index(1, order) for order in (-1, 0, 1))
    expected[0, [below, above]] = np.array([1.0, -1.0]) / np.sqrt(6.0)
    expected[1, [below, above]] = 1j / np.sqrt(6.0)
    expected[2, level] = 1.0 / np.sqrt(3.0)
    found = [matrix.toarray()[:, 0] for matrix in coordinate_products(0)]
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-15)
