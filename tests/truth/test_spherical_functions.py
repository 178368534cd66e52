"""Radial functions and harmonics against arbitrary precision, printed tables and exact identities."""

from __future__ import annotations

import math
from collections.abc import Callable

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mpmath import mpf

from fieldproc.conventions import Floats
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_index, column_orders
from fieldproc.waves.radial import Scaled, spherical_bessel, spherical_hankel2, spherical_neumann

DIGITS = 40
# kr of 5 Hz at 0.05 m and of 24 kHz at 2 m, with 343.2 m/s
SMALLEST, LARGEST = (2.0 * np.pi * f * r / 343.2 for f, r in ((5.0, 0.05), (24000.0, 2.0)))
DEGREES = (0, 1, 2, 3, 4, 7, 12, 20, 31, 45, 60, 61, 75, 88, 95, 99, 100)


def awkward_arguments() -> Floats:
    """All scales, and the places where recurrences change branch or meet a zero."""
    rng = np.random.default_rng(1)
    turning = np.array([float(n) for n in DEGREES if n > 0])
    zeros_of_low_degrees = np.array([4.493409457909064, 5.763459196894550, 6.987932000500519])
    parts = [
        np.geomspace(SMALLEST, LARGEST, 60),
        rng.uniform(0.5, 130.0, 30),
        turning,
        np.nextafter(turning, 0.0),
        turning * (1.0 + 1e-9),
        np.pi * np.array([0.5, 1.0, 2.0, 3.0, 10.0, 31.0, 32.0, 100.0, 280.0]),
        zeros_of_low_degrees,
    ]
    return np.concatenate(parts)


def exact(scaled: Scaled, argument: int, degree: int) -> mpmath.mpc:
    """mantissa * 2**exponent without going through a float."""
    mantissa = complex(scaled.mantissa[argument, degree])
    exponent = int(scaled.exponent[argument, degree])
    return mpmath.mpc(mpmath.ldexp(mpf(mantissa.real), exponent), mpmath.ldexp(mpf(mantissa.imag), exponent))


@pytest.mark.parametrize("degree", DEGREES)
def test_radial_functions_against_forty_digits(degree: int) -> None:
    """Bessel functions of half-integer order from mpmath at the same double-precision argument."""
    arguments = awkward_arguments()
    # the top degree decides where the continued fraction starts, so every degree is asked for as the last
    found = [f(degree, arguments) for f in (spherical_bessel, spherical_neumann, spherical_hankel2)]
    for scaled in found:
        assert np.isfinite(scaled.mantissa).all()
    with mpmath.workdps(DIGITS):
        half = degree + mpf(1) / 2
        for i, argument in enumerate(arguments):
            x = mpf(float(argument))
            factor = mpmath.sqrt(mpmath.pi / (2 * x))
            j, y = factor * mpmath.besselj(half, x), factor * mpmath.bessely(half, x)
            envelope = mpmath.hypot(j, y)
            errors = [
                abs(value - true)
                for value, true in zip(
                    (exact(scaled, i, degree) for scaled in found), (j, y, j - 1j * y), strict=True
                )
            ]
            # The accuracy that the module states; 4e-15 measured. Beyond x = n the functions pass through
            # zeros, where only an error relative to |h_n| means anything.
            assert errors[0] <= 1e-12 * (abs(j) if argument <= degree else envelope), (argument, "j")
            assert errors[1] <= 1e-12 * envelope, (argument, "y")
            assert errors[2] <= 1e-12 * envelope, (argument, "h")


@pytest.mark.parametrize(
    ("function", "argument", "degree", "printed"),
    [
        (spherical_bessel, 1.0, 0, 0.8414709848),
        (spherical_bessel, 1.0, 1, 0.3011686789),
        (spherical_bessel, 1.0, 2, 0.0620350520),
        (spherical_bessel, 1.0, 5, 9.256115861e-5),
        (spherical_bessel, 1.0, 10, 7.116552640e-11),
        (spherical_bessel, 1.0, 20, 7.537795722e-26),
        (spherical_bessel, 10.0, 0, -0.0544021111),
        (spherical_bessel, 10.0, 1, 0.0784669418),
        (spherical_bessel, 10.0, 2, 0.0779421936),
        (spherical_bessel, 10.0, 10, 0.0646051545),
        (spherical_bessel, 10.0, 20, 2.308371961e-6),
        (spherical_neumann, 1.0, 0, -0.5403023059),
        (spherical_neumann, 1.0, 1, -1.3817732907),
        (spherical_neumann, 1.0, 2, -3.6050175662),
        (spherical_neumann, 1.0, 10, -6.722150083e8),
        (spherical_neumann, 1.0, 20, -3.239592219e23),
        (spherical_neumann, 10.0, 10, -0.1724536721),
    ],
)
def test_printed_tables(
    function: Callable[[int, Floats], Scaled], argument: float, degree: int, printed: float
) -> None:
    """Abramowitz & Stegun, Handbook of Mathematical Functions, tables 10.1 to 10.5."""
    value = function(degree, np.array([argument])).value()[0, degree]
    # half a unit of the last digit as given here
    assert value == pytest.approx(printed, rel=1e-9)


@pytest.mark.parametrize(
    ("degree", "zero"), [(0, 3.141593), (1, 4.493409), (2, 5.763459), (3, 6.987932), (4, 8.182561)]
)
def test_first_zeros(degree: int, zero: float) -> None:
    """Abramowitz & Stegun, table 10.6; six decimals as given here."""
    before, after = spherical_bessel(degree, np.array([zero - 1e-6, zero + 1e-6])).value()[:, degree]
    assert before > 0 > after


# no deadline: the machine may be busy. Derandomised: every run tries the same examples.
@settings(max_examples=300, deadline=None, derandomize=True)
@given(degree=st.integers(1, 100), argument=st.floats(SMALLEST, LARGEST))
def test_wronskian(degree: int, argument: float) -> None:
    """j_n y_(n-1) - j_(n-1) y_n = 1/x^2, Abramowitz & Stegun 10.1.31 rearranged."""
    x = np.array([argument])
    j, y = spherical_bessel(degree, x), spherical_neumann(degree, x)

    def product(bessel_degree: int, neumann_degree: int) -> float:
        exponent = int(j.exponent[0, bessel_degree] + y.exponent[0, neumann_degree])
        return math.ldexp(j.mantissa[0, bessel_degree] * y.mantissa[0, neumann_degree], exponent)

    terms = product(degree, degree - 1), product(degree - 1, degree)
    # each product carries two errors of 4e-15; near x = n the two are a few times their difference
    assert (terms[0] - terms[1]) * argument**2 == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("degree", [0, 1, 2, 3, 7, 16, 31, 45, 60])
def test_harmonics_against_forty_digits(degree: int) -> None:
    """mpmath's spherharm has the same phase and argument order: degree, order, colatitude, azimuth."""
    rng = np.random.default_rng(2)
    vectors = np.concatenate(
        [
            rng.normal(size=(6, 3)),
            [[1e-9, 2e-9, 1.0], [1e-5, 0.0, -1.0], [1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [-1.0, -0.0, 1e-12]],
        ]
    )
    found = spherical_harmonics(60, vectors)
    orders = sorted({-degree, 1 - degree, -(degree // 2), -1, 0, 1, degree // 3, degree - 1, degree})
    with mpmath.workdps(DIGITS):
        for i, (x, y, z) in enumerate(vectors.tolist()):
            colatitude = mpmath.atan2(mpmath.hypot(mpf(x), mpf(y)), mpf(z))
            azimuth = mpmath.atan2(mpf(y), mpf(x))
            for order in (m for m in orders if abs(m) <= degree):
                true = complex(mpmath.spherharm(degree, order, colatitude, azimuth))
                error = abs(found[i, coefficient_index(degree, order)] - true)
                # relative to the root of the degree's sum of squares; 3e-14 measured, at a pole
                assert error <= 1e-12 * math.sqrt((2 * degree + 1) / (4 * math.pi)), (i, order)


@pytest.mark.parametrize(
    ("degree", "order", "colatitude", "azimuth", "value"),
    [
        (0, 0, 0.3, 0.2, 0.2820947918),
        (1, 0, 0.0, 0.0, 0.4886025119),
        (1, 1, np.pi / 2, 0.0, -0.3454941495),
        (2, 2, np.pi / 2, 0.0, 0.3862742020),
        (3, 2, np.pi / 3, np.pi / 5, 0.1184290801 + 0.3644872301j),
        (5, -4, 1.0, 2.0, -0.0578493122 - 0.3933586307j),
    ],
)
def test_harmonics_at_worked_points(
    degree: int, order: int, colatitude: float, azimuth: float, value: complex
) -> None:
    """Closed forms: Y_00 = 1/sqrt(4 pi), Y_11 = -sqrt(3/8 pi) on the x axis (Condon-Shortley), and so on."""
    sine = np.sin(colatitude)
    direction = np.array([[sine * np.cos(azimuth), sine * np.sin(azimuth), np.cos(colatitude)]])
    found = spherical_harmonics(degree, direction)[0, coefficient_index(degree, order)]
    # ten decimals are given
    assert found == pytest.approx(value, abs=1e-10)


def test_addition_theorem_up_to_degree_100() -> None:
    """sum over m of |Y_nm|^2 = (2n+1)/4 pi, [DLMF] 14.30.9 at equal directions."""
    vectors = np.random.default_rng(3).normal(size=(40, 3))
    energy = np.abs(spherical_harmonics(100, vectors)) ** 2
    sums = np.add.reduceat(energy, np.arange(101) ** 2, axis=1)
    expected = np.broadcast_to((2 * np.arange(101) + 1) / (4 * np.pi), sums.shape)
    # rounding of recurrences a hundred steps long; 5e-14 measured
    np.testing.assert_allclose(sums, expected, rtol=1e-12)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_harmonics_at_the_poles(side: float) -> None:
    """Only m = 0 lives there, with sqrt((2n+1)/4 pi), of alternating sign below."""
    found = spherical_harmonics(100, np.array([[0.0, 0.0, side]]))[0]
    degrees = np.arange(101)
    zonal = np.sqrt((2 * degrees + 1) / (4 * np.pi)) * side**degrees
    central = column_orders(100) == 0
    # rounding: degree times the spacing of doubles near pi
    np.testing.assert_allclose(found[central], zonal, rtol=1e-12)
    assert np.abs(found[~central]).max() < 1e-12 * zonal[0]
