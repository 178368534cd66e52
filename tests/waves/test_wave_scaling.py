"""Column scaling where plain double precision ends: 5 Hz, 0.05 m, degrees of 60 and more."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.basis import WaveSet, wave_columns, wave_field
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import column_degrees
from fieldproc.waves.radial import ldexp, spherical_bessel, spherical_hankel2, spherical_neumann

# 5 Hz in air of 343.2 m/s
WAVENUMBER = 2.0 * np.pi * 5.0 / 343.2

each_set = pytest.mark.parametrize("wave_set", ["outgoing", "regular"])


@pytest.fixture
def offsets_m() -> Floats:
    """Points from 0.05 to 2 m, the nearest first."""
    rng = np.random.default_rng(12)
    vectors = rng.normal(size=(30, 3))
    return np.geomspace(0.05, 2.0, 30)[:, None] * vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


def scaled_columns(wave_set: WaveSet, order: int, offsets_m: Floats) -> tuple[Complexes, np.ndarray]:
    harmonics = spherical_harmonics(order, offsets_m)
    return wave_columns(wave_set, order, harmonics, WAVENUMBER * np.linalg.norm(offsets_m, axis=1))


@each_set
@pytest.mark.parametrize("order", [60, 100])
def test_columns_stay_within_easy_reach_of_one(wave_set: WaveSet, order: int, offsets_m: Floats) -> None:
    columns, exponent = scaled_columns(wave_set, order, offsets_m)
    assert np.isfinite(columns).all()
    degrees = np.arange(order + 1)
    # the nearest point rules the outgoing columns, the farthest the regular ones
    ruling = columns[0 if wave_set == "outgoing" else -1]
    radial = np.sqrt(np.add.reduceat(np.abs(ruling) ** 2, degrees**2) * 4.0 * np.pi / (2 * degrees + 1))
    # h keeps its last recurrence step, at most 1/(kr)^2 = 5e4; squares and their sums stay far from overflow
    assert radial.min() > 0.2
    assert radial.max() < 1e5
    assert all(np.ptp(exponent[column_degrees(order) == n]) == 0 for n in degrees)


@each_set
def test_scaled_columns_hold_the_true_values(wave_set: WaveSet) -> None:
    """One point on the z axis: Y_n0 = sqrt((2n+1)/4 pi); radial functions from mpmath."""
    point_m = np.array([[0.0, 0.0, 0.05]])
    columns, exponent = scaled_columns(wave_set, 60, point_m)
    with mpmath.workdps(40):
        x = mpmath.mpf(float(WAVENUMBER * 0.05))
        for n in (0, 1, 5, 20, 60):
            half = n + mpmath.mpf(1) / 2
            true = mpmath.besselj(half, x)
            if wave_set == "outgoing":
                true -= 1j * mpmath.bessely(half, x)
            true *= mpmath.sqrt(mpmath.pi / (2 * x)) * mpmath.sqrt((2 * n + 1) / (4 * mpmath.pi))
            column = n * n + n
            found = mpmath.mpc(columns[0, column]) * mpmath.mpf(2) ** int(exponent[column])
            # accuracy stated for the radial functions, and of the harmonics at a pole
            assert abs(found - true) < 1e-12 * abs(true)


@each_set
def test_scaling_a_coefficient_there_and_back_changes_no_bit(wave_set: WaveSet, offsets_m: Floats) -> None:
    _, exponent = scaled_columns(wave_set, 60, offsets_m)
    rng = np.random.default_rng(13)
    fitted = rng.normal(size=(2, exponent.size)) + 1j * rng.normal(size=(2, exponent.size))
    true = ldexp(fitted, -exponent)
    np.testing.assert_array_equal(ldexp(true, exponent), fitted)


def test_scaled_and_true_coefficients_give_the_same_field(offsets_m: Floats) -> None:
    columns, exponent = scaled_columns("outgoing", 60, offsets_m)
    fitted = np.random.default_rng(14).normal(size=exponent.size) + 0j
    field = wave_field("outgoing", ldexp(fitted, -exponent), WAVENUMBER, offsets_m)
    # the same products, summed in whatever order the library likes
    np.testing.assert_allclose(field, columns @ fitted, rtol=1e-12)


def test_field_of_a_monopole_at_five_hertz_to_degree_60() -> None:
    """Coefficients down to 1e-265 times waves up to 1e220 still make exp(-ikR)/(4 pi R)."""
    source_m = np.array([[0.012, -0.01, 0.0125]])
    directions = np.random.default_rng(15).normal(size=(20, 3))
    points_m = 0.05 * directions / np.linalg.norm(directions, axis=1, keepdims=True)
    bessel = spherical_bessel(60, WAVENUMBER * np.linalg.norm(source_m, axis=1)).value()[0]
    coefficients = -1j * WAVENUMBER * bessel[column_degrees(60)] * np.conj(spherical_harmonics(60, source_m)[0])
    assert 0.0 < np.abs(bessel[60]) < 1e-250
    distance_m = np.linalg.norm(points_m - source_m, axis=1)
    expected = np.exp(-1j * WAVENUMBER * distance_m) / (4.0 * np.pi * distance_m)
    # truncation: (0.02/0.05)^61 = 5e-25; rounding of the radial functions and harmonics
    np.testing.assert_allclose(wave_field("outgoing", coefficients, WAVENUMBER, points_m), expected, rtol=1e-12)


def test_mantissas_survive_where_values_do_not() -> None:
    x = np.array([WAVENUMBER * 0.05])
    with np.errstate(over="ignore"):
        assert np.isinf(spherical_neumann(100, x).value()[0, 100])
    for function in (spherical_bessel, spherical_neumann, spherical_hankel2):
        mantissa = np.abs(function(100, x).mantissa[0])
        assert np.isfinite(mantissa).all()
        assert mantissa.min() > 0.0
