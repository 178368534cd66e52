"""Real harmonics from complex ones, against Legendre functions in closed form."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import directions_from_angles
from fieldproc.waves.harmonics import real_coefficients, spherical_harmonics


def test_the_first_nine_in_closed_form() -> None:
    rng = np.random.default_rng(1)
    directions = directions_from_angles(rng.uniform(-180, 180, 20), rng.uniform(-90, 90, 20))
    x, y, z = directions.T
    # N3D in x, y, z, ACN order: textbook polynomials of degree 0, 1, 2
    closed = [
        np.ones(20),
        *(np.sqrt(3) * np.array([y, z, x])),
        *(np.sqrt(15) * np.array([x * y, y * z])),
        np.sqrt(5) / 2 * (3 * z**2 - 1),
        *(np.sqrt(15) * np.array([z * x, (x**2 - y**2) / 2])),
    ]
    coefficients = rng.normal(size=(3, 9, 2)).view(complex)[..., 0]
    field = coefficients @ spherical_harmonics(2, directions).T
    # nine terms of about 1, rounded
    np.testing.assert_allclose(real_coefficients(coefficients) @ np.array(closed), field, rtol=0, atol=1e-14)


def test_a_real_function_has_real_coefficients() -> None:
    rng = np.random.default_rng(2)
    own = rng.normal(size=25)
    # real functions: the coefficient of -m is (-1)^m times the conjugate of that of m
    coefficients = np.zeros(25, dtype=complex)
    for n in range(5):
        coefficients[n * n + n] = own[n * n + n]
        for m in range(1, n + 1):
            value = own[n * n + n + m] + 1j * own[n * n + n - m]
            coefficients[n * n + n + m] = value
            coefficients[n * n + n - m] = (-1) ** m * np.conj(value)
    assert np.all(real_coefficients(coefficients).imag == 0)


def test_mean_squares_add_up() -> None:
    coefficients = np.random.default_rng(3).normal(size=(2, 49, 2)).view(complex)[..., 0]
    # Parseval: over the sphere, orthonormal squares integrate to 1 and N3D ones to 4 pi
    power = np.sum(np.abs(real_coefficients(coefficients)) ** 2, axis=1) * 4 * np.pi
    np.testing.assert_allclose(power, np.sum(np.abs(coefficients) ** 2, axis=1), rtol=1e-14)
