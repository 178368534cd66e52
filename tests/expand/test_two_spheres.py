"""Two concentric spheres: per degree a 2 by 2 problem with known singular frequencies.

Weinreich & Arnold, J. Acoust. Soc. Am. 68 (1980) 404: pressures on two concentric spheres determine outgoing
and incoming waves. With h_n and j_n the determinant is j_n(kr1) y_n(kr2) - j_n(kr2) y_n(kr1); for n = 0 it
vanishes where the gap is half a wave. Numbers worked independently for r = 0.40 and 0.50 m, c = 343.2 m/s.
"""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of, matrix_of
from scipy.optimize import brentq

from fieldproc.expand.dense import WaveFit, fit_waves
from fieldproc.waves.radial import spherical_bessel, spherical_neumann

RADII_M = (0.40, 0.50)
SOUND_SPEED_M_PER_S = 343.2
FIRST_SINGULAR_HZ = [1716.000, 1724.606, 1741.690, 1767.003, 1800.194, 1840.835, 1888.439]


def icosahedron() -> np.ndarray:
    """Twelve directions that integrate up to degree 5, so harmonics up to degree 2 are orthogonal on them."""
    golden = (1 + np.sqrt(5)) / 2
    corners = [np.roll([0.0, one, two], turn) for turn in range(3) for one in (-1, 1) for two in (-golden, golden)]
    return np.array(corners) / np.hypot(1.0, golden)


OFFSETS_M = np.concatenate([radius_m * icosahedron() for radius_m in RADII_M])


def wavenumber_at(frequency_hz: float) -> float:
    return 2 * np.pi * frequency_hz / SOUND_SPEED_M_PER_S


def fit_at(frequency_hz: float, order: int, pressure: np.ndarray) -> WaveFit:
    argument = wavenumber_at(frequency_hz) * np.linalg.norm(OFFSETS_M, axis=1)
    return fit_waves(harmonics_of(order, OFFSETS_M), argument, (order, order), pressure)


def determinant(degree: int, frequency_hz: float) -> float:
    argument = wavenumber_at(frequency_hz) * np.array(RADII_M)
    j, y = (f(degree, argument).value()[:, degree] for f in (spherical_bessel, spherical_neumann))
    return float(j[0] * y[1] - j[1] * y[0])


@pytest.mark.parametrize(("degree", "expected_hz"), list(enumerate(FIRST_SINGULAR_HZ)))
def test_first_singular_frequency(degree: int, expected_hz: float) -> None:
    found_hz = brentq(lambda frequency_hz: determinant(degree, frequency_hz), 1500.0, 2200.0, xtol=1e-9)
    # half of the last digit printed
    np.testing.assert_allclose(found_hz, expected_hz, rtol=0, atol=5e-4)


@pytest.mark.parametrize(
    ("frequency_hz", "order", "expected"),
    [
        # the largest of the set's degrees: 16.1, 7.29, 3.96 at 100 Hz; 3.49, 2.63, 5.47; 2.55, 2.49, 2.91
        (100.0, 0, 16.1),
        (100.0, 2, 16.1),
        (500.0, 0, 3.49),
        (500.0, 1, 3.49),
        (500.0, 2, 5.47),
        (1000.0, 0, 2.55),
        (1000.0, 2, 2.91),
    ],
)
def test_condition_away_from_the_singular_frequency(frequency_hz: float, order: int, expected: float) -> None:
    pressure = complex_normal(np.random.default_rng(1), 1, len(OFFSETS_M))
    # three digits are printed, and the estimate comes from below by a few percent
    np.testing.assert_allclose(fit_at(frequency_hz, order, pressure).condition, expected, rtol=0.04)


def test_condition_explodes_at_the_singular_frequencies() -> None:
    pressure = complex_normal(np.random.default_rng(1), 1, len(OFFSETS_M))
    # at 1716 Hz, where degree 0 is singular, degree 1 has come to 258 already
    np.testing.assert_allclose(fit_at(1716.0, 1, pressure).condition, 258, rtol=0.02)
    # at its own, 1724.606 Hz, nothing is left: inversely proportional to the distance from there
    exact_hz = brentq(lambda frequency_hz: determinant(1, frequency_hz), 1700.0, 1740.0, xtol=1e-12)
    near = [fit_at(exact_hz * (1 - offset), 1, pressure).condition for offset in (1e-3, 1e-4, 1e-5)]
    np.testing.assert_allclose([near[1] / near[0], near[2] / near[1]], [10.0, 10.0], rtol=0.05)
    assert fit_at(exact_hz, 1, pressure).condition > 1e8


def test_worked_case_of_degree_2() -> None:
    """500 Hz, n = 2, outgoing 1 and regular 0.5; the printed case has h^(1), so it is conjugated here."""
    pressures = np.conj([0.4492826905 - 0.0728083801j, 0.3072378089 + 0.1166152141j])
    pattern = harmonics_of(2, icosahedron())[:, 6]
    fit = fit_at(500.0, 2, np.concatenate([pressures[0] * pattern, pressures[1] * pattern])[None])
    expected = np.zeros(9)
    expected[6] = 1.0
    # ten digits printed, times a condition of about 5
    np.testing.assert_allclose(fit.outgoing[0], expected, rtol=0, atol=1e-8)
    np.testing.assert_allclose(fit.regular[0], 0.5 * expected, rtol=0, atol=1e-8)


def test_both_sets_are_told_apart_whatever_their_ratio() -> None:
    """A room 40 dB above the source is separated exactly when nothing else is there."""
    generator = np.random.default_rng(3)
    outgoing, regular = complex_normal(generator, 1, 9), 100.0 * complex_normal(generator, 1, 9)
    true = np.concatenate([outgoing, regular], axis=1)
    fit = fit_at(700.0, 2, true @ matrix_of(OFFSETS_M, wavenumber_at(700.0), (2, 2)).T)
    # rounding of the room's share, times the condition
    np.testing.assert_allclose(fit.outgoing, outgoing, rtol=1e-11)
    np.testing.assert_allclose(fit.regular, regular, rtol=1e-11)
