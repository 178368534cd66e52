"""Wave columns, fields and far fields against term-by-term sums and point sources."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import sph_harm_y, spherical_jn, spherical_yn

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.basis import WaveSet, far_field_pattern, wave_columns, wave_field
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.radial import ldexp

WAVENUMBER = 10.0
ORDER = 12
# 0.1 m from the origin, in no special direction
SOURCE_M = 0.1 * np.array([0.48, -0.6, 0.64])

each_set = pytest.mark.parametrize("wave_set", ["outgoing", "regular"])


def pairs(expansion_order: int) -> list[tuple[int, int]]:
    return [(n, m) for n in range(expansion_order + 1) for m in range(-n, n + 1)]


def polar(vector: Floats) -> tuple[float, float, float]:
    """Distance, colatitude, azimuth."""
    x, y, z = vector
    return float(np.linalg.norm(vector)), float(np.arctan2(np.hypot(x, y), z)), float(np.arctan2(y, x))


def radial(wave_set: WaveSet, degree: int, argument: float) -> complex:
    """Twin of the radial functions: scipy's, unscaled."""
    regular = complex(spherical_jn(degree, argument))
    return regular if wave_set == "regular" else regular - 1j * float(spherical_yn(degree, argument))


def direct_columns(wave_set: WaveSet, expansion_order: int, offsets_m: Floats) -> Complexes:
    """Twin of the columns: one wave at one point at a time."""
    return np.array(
        [
            [
                radial(wave_set, n, WAVENUMBER * distance) * sph_harm_y(n, m, colatitude, azimuth)
                for n, m in pairs(expansion_order)
            ]
            for distance, colatitude, azimuth in map(polar, offsets_m)
        ]
    )


def monopole_coefficients(wave_set: WaveSet, source_m: Floats, expansion_order: int) -> Complexes:
    """Of exp(-ikR)/(4 pi R): -ik f_n(k r0) Y*_nm(source); f is j seen from outside, h^(2) from inside."""
    counterpart: WaveSet = "regular" if wave_set == "outgoing" else "outgoing"
    distance, colatitude, azimuth = polar(source_m)
    return np.array(
        [
            -1j
            * WAVENUMBER
            * radial(counterpart, n, WAVENUMBER * distance)
            * np.conj(sph_harm_y(n, m, colatitude, azimuth))
            for n, m in pairs(expansion_order)
        ]
    )


def monopole(source_m: Floats, points_m: Floats) -> Complexes:
    distance = np.linalg.norm(points_m - source_m, axis=1)
    return np.exp(-1j * WAVENUMBER * distance) / (4.0 * np.pi * distance)


@pytest.fixture
def directions() -> Floats:
    vectors = np.random.default_rng(5).normal(size=(25, 3))
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


@pytest.fixture
def offsets_m(directions: Floats) -> Floats:
    """Points between 0.2 and 0.7 m."""
    return directions * np.random.default_rng(6).uniform(0.2, 0.7, (25, 1))


@each_set
def test_columns_are_the_waves(wave_set: WaveSet, offsets_m: Floats) -> None:
    argument = WAVENUMBER * np.linalg.norm(offsets_m, axis=1)
    scaled, exponent = wave_columns(wave_set, ORDER, spherical_harmonics(ORDER, offsets_m), argument)
    direct = direct_columns(wave_set, ORDER, offsets_m)
    assert scaled.shape == direct.shape
    # scipy's own radial functions are good to 1e-13; each column on its own scale
    np.testing.assert_array_less(
        np.abs(ldexp(scaled, exponent) - direct), 1e-12 * np.abs(direct).max(axis=0) * np.ones_like(argument)[:, None]
    )


@each_set
def test_field_is_the_sum_of_its_waves(wave_set: WaveSet, offsets_m: Floats) -> None:
    rng = np.random.default_rng(7)
    direct = direct_columns(wave_set, ORDER, offsets_m)
    parts = rng.normal(size=(2, 2, 3, direct.shape[1]))
    # every wave of similar strength at the points, else the highest degree drowns the rest
    coefficients = (parts[0] + 1j * parts[1]) / np.abs(direct).max(axis=0)
    expected = np.einsum("fcw,pw->fcp", coefficients, direct)
    field = wave_field(wave_set, coefficients, WAVENUMBER, offsets_m)
    # rounding of scipy's radial functions, 1e-13, in a sum of 169 waves
    np.testing.assert_allclose(field, expected, rtol=0, atol=1e-12 * np.abs(expected).max())


def test_far_field_is_the_limit_of_the_field(directions: Floats) -> None:
    rng = np.random.default_rng(8)
    coefficients = rng.normal(size=(2, 25)) + 1j * rng.normal(size=(2, 25))
    pattern = far_field_pattern(coefficients, WAVENUMBER, spherical_harmonics(6, directions))
    _, colatitudes, azimuths = np.transpose([polar(direction) for direction in directions])
    direct = sum(
        1j ** (n + 1) * coefficients[:, column, None] * sph_harm_y(n, m, colatitudes, azimuths) / WAVENUMBER
        for column, (n, m) in enumerate(pairs(4))
    )
    # rounding in 25 terms
    np.testing.assert_allclose(pattern, direct, rtol=0, atol=1e-13 * np.abs(direct).max())
    # a power of two, so that k r and with it the phase of 1e6 rad is exact enough
    distance_m = 2.0**17
    field = wave_field("outgoing", coefficients, WAVENUMBER, distance_m * directions)
    limit = field * distance_m * np.exp(1j * WAVENUMBER * distance_m)
    # next term of h_n: n(n+1)/(2kr) = 8e-6 at n = 4
    np.testing.assert_allclose(limit, pattern, rtol=0, atol=2e-5 * np.abs(pattern).max())


def test_monopole_beside_the_origin_seen_from_outside(directions: Floats) -> None:
    coefficients = monopole_coefficients("outgoing", SOURCE_M, 25)
    points_m = 0.4 * directions
    field = wave_field("outgoing", coefficients, WAVENUMBER, points_m)
    # truncation: (0.1/0.4)^26 = 2e-16; rounding of scipy's functions, 1e-13
    np.testing.assert_allclose(field, monopole(SOURCE_M, points_m), rtol=1e-12)
    pattern = far_field_pattern(coefficients, WAVENUMBER, spherical_harmonics(25, directions))
    expected = np.exp(1j * WAVENUMBER * directions @ SOURCE_M) / (4.0 * np.pi)
    # a source nearer to the observer leads: exp(+ik s.x0). Truncation is below rounding (kr0 = 1)
    np.testing.assert_allclose(pattern, expected, rtol=1e-12)


@pytest.mark.parametrize("source_m", [(0.0, 0.0, 0.1), (0.3, 0.0, -0.4), (0.0, -0.02, 0.0)])
def test_power_of_a_monopole_does_not_depend_on_its_place(source_m: tuple[float, float, float]) -> None:
    """sum |c|^2 = k^2 / 4 pi = 7.957747 for k = 10 wherever the monopole is."""
    coefficients = monopole_coefficients("outgoing", np.array(source_m), 40)
    # truncation below 1e-20 for k r0 up to 5, rounding of scipy's functions 1e-13
    assert np.sum(np.abs(coefficients) ** 2) == pytest.approx(WAVENUMBER**2 / (4.0 * np.pi), rel=1e-12)


def test_monopole_coefficients_by_hand() -> None:
    """k = 10, 0.1 m up: c_n0 = -ik j_n(1) sqrt((2n+1)/4 pi), with j_n(1) of Abramowitz & Stegun table 10.1."""
    printed = [0.8414709848, 0.3011686789, 0.0620350520]
    expected = [-10j * j * np.sqrt((2 * n + 1) / (4.0 * np.pi)) for n, j in enumerate(printed)]
    found = monopole_coefficients("outgoing", np.array([0.0, 0.0, 0.1]), 2)[[0, 2, 6]]
    # ten digits printed
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_monopole_outside_the_points_is_a_regular_field(directions: Floats) -> None:
    source_m = 12.0 * SOURCE_M
    coefficients = monopole_coefficients("regular", source_m, 30)
    points_m = 0.3 * directions
    field = wave_field("regular", coefficients, WAVENUMBER, points_m)
    # truncation: (0.3/1.2)^31 = 2e-19; rounding of scipy's functions, 1e-13
    np.testing.assert_allclose(field, monopole(source_m, points_m), rtol=1e-12)


def test_columns_of_both_running_waves_convert_to_outgoing_and_regular() -> None:
    """Why the second set is j_n: with the pair h^(2), h^(1) a room field lands half in each.

    b h2 + a j = (b + a/2) h2 + (a/2) h1, so c1 = b + a/2 multiplies h2 and c2 = a/2 multiplies h1: the
    loudspeaker's own part is b = c1 - c2, not c1.
    """
    radii_m = np.array([0.40, 0.50])
    points_m = radii_m[:, None] * np.array([0.48, -0.6, 0.64])
    harmonics = spherical_harmonics(6, points_m)
    columns = {
        name: ldexp(*wave_columns(name, 6, harmonics, WAVENUMBER * radii_m)) for name in ("outgoing", "regular")
    }
    own, room = 1.0 - 0.3j, 0.5 + 2.0j
    for column in range(49):
        h2, j = columns["outgoing"][:, column], columns["regular"][:, column]
        # h1 Y is what remains of 2 j Y = (h1 + h2) Y; its radial part is the conjugate of h2's
        h1 = 2.0 * j - h2
        np.testing.assert_allclose(h1 / harmonics[:, column], np.conj(h2 / harmonics[:, column]), rtol=1e-9)
        pressure = own * h2 + room * j
        scale = np.abs(h2[0])
        c1, c2 = np.linalg.solve(np.stack([h2, h1], axis=1) / scale, pressure / scale)
        # for n = 6 the running waves are nearly parallel: |y_6 / j_6| = 40 costs a few digits
        assert c1 - c2 == pytest.approx(own, rel=1e-9)
        assert 2.0 * c2 == pytest.approx(room, rel=1e-9)


def test_harmonics_do_not_depend_on_how_many_points_share_a_call() -> None:
    vectors = np.random.default_rng(9).normal(size=(1200, 3))
    # order 60 is evaluated in chunks of 537 points
    together = spherical_harmonics(60, vectors)
    picked = [0, 536, 537, 1073, 1074, 1199]
    np.testing.assert_array_equal(together[picked], spherical_harmonics(60, vectors[picked]))
