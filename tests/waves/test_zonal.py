"""Sums over degrees in closed form against every order written out, and the sources that they stand for."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of, spiral
from scipy.special import eval_legendre, spherical_jn

from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.zonal import source_degrees, source_variance, zonal_sum


def slow_zonal_sum(one: np.ndarray, one_unit: np.ndarray, other: np.ndarray, other_unit: np.ndarray) -> np.ndarray:
    """The slow, readable twin."""
    return np.array(
        [
            [sum(a * b.conj() * eval_legendre(n, u @ v) for n, (a, b) in enumerate(zip(p, q, strict=True)))
             for q, v in zip(other, other_unit, strict=True)]
            for p, u in zip(one, one_unit, strict=True)
        ]
    )  # fmt: skip


def test_against_the_slow_twin() -> None:
    rng = np.random.default_rng(3)
    one, other = complex_normal(rng, 7, 12), complex_normal(rng, 5, 12)
    one_unit, other_unit = spiral(7), spiral(11)[:5]
    # rounding of twelve terms of size one
    np.testing.assert_allclose(
        zonal_sum(one, one_unit, other, other_unit), slow_zonal_sum(one, one_unit, other, other_unit), atol=1e-13
    )


def test_high_degrees() -> None:
    """Each degree by itself up to 100, from pole to pole, against the library's polynomials."""
    cosines = np.concatenate([[-1.0, 0.0, 1.0], np.linspace(-0.999, 0.999, 21)])
    towards = np.stack([np.sqrt(1.0 - cosines**2), np.zeros(24), cosines], axis=1)
    degrees = np.arange(101)
    north = np.tile([0.0, 0.0, 1.0], (101, 1))
    found = zonal_sum(np.eye(101, dtype=np.complex128), north, np.ones((24, 101), dtype=np.complex128), towards)
    # a recurrence of a hundred steps: 1e-13
    np.testing.assert_allclose(found, eval_legendre(degrees[:, None], cosines), atol=1e-12)


def test_against_every_order() -> None:
    """A V A^H with all harmonics written out, by the addition theorem."""
    rng = np.random.default_rng(4)
    top = 9
    degrees = np.repeat(np.arange(top + 1), 2 * np.arange(top + 1) + 1)
    points, others = spiral(13), spiral(8)
    radial, seen = complex_normal(rng, 13, top + 1), complex_normal(rng, 8, top + 1)
    variance = rng.uniform(0.1, 2.0, top + 1)
    one = harmonics_of(top, points) * radial[:, degrees]
    other = harmonics_of(top, others) * seen[:, degrees]
    expected = (one * variance[degrees]) @ other.conj().T
    share = variance * (2 * np.arange(top + 1) + 1) / (4 * np.pi)
    # a hundred terms of size one
    np.testing.assert_allclose(zonal_sum(radial * share, points, seen, others), expected, atol=1e-12)


def test_directions_a_hair_too_long() -> None:
    """Rounding may make a unit vector longer than one; the sum stays that of the direction itself."""
    unit = np.array([[0.6, 0.0, 0.8]])
    many = np.ones((1, 101), dtype=np.complex128)
    found = zonal_sum(many, unit * (1 + 1e-15), many, unit * (1 + 1e-15))
    assert found[0, 0].real == pytest.approx(101.0, rel=1e-12)


def test_the_same_twice() -> None:
    rng = np.random.default_rng(5)
    one = complex_normal(rng, 40, 30)
    first, second = (zonal_sum(one, spiral(40), one, spiral(40)) for _ in range(2))
    np.testing.assert_array_equal(first, second)
    np.testing.assert_allclose(first, first.conj().T, atol=1e-12)


def test_variance_of_random_sources() -> None:
    """Monopoles at random within a sphere: their coefficients of every degree, by simulation."""
    rng = np.random.default_rng(6)
    k, radius_m, top, trials = 40.0, 0.1, 7, 8000
    directions = rng.normal(size=(trials, 3))
    # radii as the function spreads them: evenly over eight shells
    distance_m = radius_m * rng.choice(np.linspace(0.3, 1.0, 8), trials)
    degrees = np.repeat(np.arange(top + 1), 2 * np.arange(top + 1) + 1)
    # a monopole at x has outgoing coefficients in proportion to j_n(kx) conj(Y_nm), [DLMF] 10.60.2
    coefficients = spherical_jn(degrees, k * distance_m[:, None]) * spherical_harmonics(top, directions).conj()
    mean_square = 4 * np.pi * np.mean(np.abs(coefficients) ** 2, axis=0)
    per_degree = [mean_square[degrees == n].mean() for n in range(top + 1)]
    # spread of the radii over 8000 trials: 1 to 2 %
    np.testing.assert_allclose(source_variance(k, radius_m, top), per_degree, rtol=0.06)


@pytest.mark.parametrize("argument", [0.01, 0.5, 3.0, 20.0, 90.0])
def test_what_lies_beyond_the_top_degree(argument: float) -> None:
    """Sources within a sphere: less than a thousandth of the amplitude lies beyond, that of the worst place too."""
    k, top = 30.0, source_degrees(30.0, argument / 30.0)
    degrees = np.arange(top + 60)
    energy = (2 * degrees + 1) * source_variance(k, argument / k, top + 59)
    at_the_edge = (2 * degrees + 1) * spherical_jn(degrees, argument) ** 2
    for one in (energy, at_the_edge):
        assert one[top + 1 :].sum() < 1e-6 * one.sum()


def test_no_degree_falls_into_a_zero() -> None:
    """j_0 vanishes at pi: the degree is radiated all the same."""
    assert source_variance(np.pi / 0.1, 0.1, 0)[0] > 0.05
