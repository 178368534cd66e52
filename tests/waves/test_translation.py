"""Translated coefficients against fields before and after, closed forms, slow twins and arbitrary precision."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from scipy.special import roots_legendre, sph_harm_y, spherical_jn, spherical_yn

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.basis import WaveSet, wave_field
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count, coefficient_index, column_degrees, column_orders
from fieldproc.waves.radial import ldexp, spherical_bessel, spherical_hankel2
from fieldproc.waves.translation import Translation, translate, translated_degree

SOUND_SPEED_M_PER_S = 343.2
# a direction in no plane of the axes
SLANTED = np.array([0.48, -0.6, 0.64])
UP = np.array([0.0, 0.0, 1.0])

each_set = pytest.mark.parametrize("wave_set", ["outgoing", "regular"])


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(31)


def random_coefficients(rng: np.random.Generator, degree: int, *batch: int) -> Complexes:
    parts = rng.normal(size=(2, *batch, coefficient_count(degree)))
    return np.asarray(parts[0] + 1j * parts[1])


def random_directions(rng: np.random.Generator, count: int) -> Floats:
    vectors = rng.normal(size=(count, 3))
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def angles(vectors: Floats) -> tuple[Floats, Floats]:
    """Colatitude and azimuth."""
    x, y, z = np.moveaxis(vectors, -1, 0)
    return np.arctan2(np.hypot(x, y), z), np.arctan2(y, x)


def relative(found: Complexes, expected: Complexes) -> float:
    """Norm of the difference relative to the norm."""
    return float(np.linalg.norm(found - expected) / np.linalg.norm(expected))


def equally_strong(wave_set: WaveSet, rng: np.random.Generator, degree: int, argument: float) -> Complexes:
    """Coefficients whose waves of all degrees are of one strength at kr = ``argument``.

    For outgoing waves the rim of a source of that radius; for regular waves the nearest source, where they would
    be about to diverge.
    """
    degrees = column_degrees(degree)
    hankel = spherical_hankel2(degree, np.array([argument]))
    mantissa, exponent = hankel.mantissa[0][degrees], hankel.exponent[0][degrees]
    draws = random_coefficients(rng, degree)
    return ldexp(draws / mantissa, -exponent) if wave_set == "outgoing" else ldexp(draws * mantissa, exponent)


# ---- the field stays what it is -----------------------------------------------------------------------------------


@each_set
@pytest.mark.parametrize(
    ("degree", "frequency_hz", "distance_m", "edge_m", "radius_m"),
    [
        # degree, frequency, shift, radius of the source, distance of the points from the new origin
        (40, 5.0, 0.05, 0.2, 0.32),
        (40, 5.0, 0.3, 0.2, 0.8),
        (20, 50.0, 0.3, 0.2, 0.8),
        (60, 500.0, 0.05, 0.2, 0.32),
        (40, 2000.0, 0.3, 0.2, 0.8),
        (20, 8000.0, 0.3, 0.2, 0.8),
        (40, 20000.0, 0.05, 0.2, 0.32),
        (3, 20000.0, 0.3, 0.2, 0.8),
        # 1 mm at 5 Hz: kd = 9e-5
        (40, 5.0, 0.001, 0.2, 0.32),
    ],
)
def test_the_near_field_stays_the_same(
    wave_set: WaveSet,
    degree: int,
    frequency_hz: float,
    distance_m: float,
    edge_m: float,
    radius_m: float,
    rng: np.random.Generator,
) -> None:
    """Outgoing sets as strong as can be just around the source, regular ones just inside the nearest source."""
    k = 2.0 * np.pi * frequency_hz / SOUND_SPEED_M_PER_S
    shift_m = distance_m * random_directions(rng, 1)[0]
    coefficients = equally_strong(wave_set, rng, degree, k * (edge_m if wave_set == "outgoing" else radius_m))
    # (0.25/0.32)^60 is 4e-7, but waves that strong at the rim of the source are far weaker at the points
    top = translated_degree(degree, k, distance_m, 1e-30) + 60
    translated = translate(coefficients, k, shift_m, top)
    # regular points stay just within the sphere on which the waves were equally strong
    offsets_m = (radius_m if wave_set == "outgoing" else 0.95 * radius_m - distance_m) * random_directions(rng, 40)
    before = wave_field(wave_set, coefficients, k, shift_m + offsets_m)
    after = wave_field(wave_set, translated, k, offsets_m)
    # the radial functions of both sums are good to 1e-12 at their worst; 3e-14 was seen
    np.testing.assert_allclose(after, before, rtol=0, atol=1e-12 * np.abs(before).max())


@each_set
def test_fields_of_scipy_alone(wave_set: WaveSet, rng: np.random.Generator) -> None:
    """No function of ours but the translation: one wave at one point at a time."""

    def field(coefficients: Complexes, offset_m: Floats) -> complex:
        distance = k * float(np.linalg.norm(offset_m))
        colatitude, azimuth = angles(offset_m)
        total = 0.0j
        column = 0
        for n in range(round(np.sqrt(coefficients.size))):
            radial = complex(spherical_jn(n, distance))
            if wave_set == "outgoing":
                radial -= 1j * float(spherical_yn(n, distance))
            for m in range(-n, n + 1):
                total += coefficients[column] * radial * sph_harm_y(n, m, colatitude, azimuth)
                column += 1
        return total

    k = 10.0
    shift_m = 0.2 * SLANTED
    coefficients = random_coefficients(rng, 4)
    translated = translate(coefficients, k, shift_m, 40)
    for direction in random_directions(rng, 5):
        point_m = shift_m + 0.8 * direction
        # truncation: binomial(40, 4) (0.2/0.8)^36 = 2e-17; scipy's radial functions 1e-13, summed over 1681 waves
        assert field(translated, point_m - shift_m) == pytest.approx(field(coefficients, point_m), rel=1e-11)


# ---- closed forms -------------------------------------------------------------------------------------------------


def exact_bessel(degree: int, argument: float) -> mpmath.mpf:
    x = mpmath.mpf(argument)
    return mpmath.sqrt(mpmath.pi / (2 * x)) * mpmath.besselj(degree + mpmath.mpf(1) / 2, x)


@pytest.mark.parametrize("argument", [1e-8, 0.01, 1.0, 25.0, 60.0])
@pytest.mark.parametrize("direction", [SLANTED, UP, -UP, np.array([-1.0, 0.0, 0.0])])
def test_a_monopole_beside_the_new_origin(argument: float, direction: Floats) -> None:
    """[DLMF] 10.60.2: h_0 at the old origin, -d from the new one, has c_nm = sqrt(4 pi) j_n(kd) Y*_nm(-d)."""
    distance_m = 0.3
    translated = translate(np.array([1.0 + 0.0j]), argument / distance_m, distance_m * direction, 30)
    degrees, orders = column_degrees(30), column_orders(30)
    with mpmath.workdps(40):
        bessel = np.array([float(exact_bessel(n, argument)) for n in range(31)])[degrees]
    expected = np.sqrt(4.0 * np.pi) * bessel * np.conj(sph_harm_y(degrees, orders, *angles(-direction)))
    # the accuracy that radial.py states: 1e-12 of j_n where kd < n, of |h_n| = 1/kd elsewhere; harmonics are within
    # sqrt((2n+1)/4 pi). At kd = 1e-8 the last degree is 1e-281.
    scale = np.sqrt(2.0 * degrees + 1.0) * np.where(degrees > argument, np.abs(bessel), 1.0 / argument)
    assert np.all(np.abs(translated - expected) <= 1e-12 * scale)


def test_a_monopole_gathers_at_its_place() -> None:
    """Waves of a point source at x to degree 40 about the origin become one wave about x: the rest cancels."""
    k, source_m = 0.1, 0.2 * SLANTED
    degrees = column_degrees(40)
    bessel = spherical_bessel(40, np.array([k * 0.2])).value()[0]
    harmonics = spherical_harmonics(40, source_m[None])[0]
    coefficients = np.sqrt(4.0 * np.pi) * bessel[degrees] * np.conj(harmonics)
    translated = translate(coefficients, k, source_m, 40)
    assert translated[0] == pytest.approx(1.0, rel=1e-13)
    # up to degree 40 the lower degrees add terms (d - d)^n, whose binomials reach 2^n of the rounding of one term
    share = np.abs(translated / np.sqrt(2.0 * degrees + 1.0) / bessel[degrees])[1:]
    assert np.all(share <= 1e-14 * 2.0 ** degrees[1:])


@pytest.mark.parametrize("frequency_hz", [5.0, 500.0])
def test_a_monopole_outside_stays_one(frequency_hz: float) -> None:
    """Regular waves of a point source at x, d_nm = -ik h_n(kR) Y*_nm, about another origin nearer to it."""
    k = 2.0 * np.pi * frequency_hz / SOUND_SPEED_M_PER_S
    source_m, shift_m = np.array([0.7, 0.4, -0.6]), 0.05 * SLANTED

    def waves(degree: int, offset_m: Floats) -> Complexes:
        hankel = spherical_hankel2(degree, np.array([k * np.linalg.norm(offset_m)])).value()[0]
        return -1j * k * hankel[column_degrees(degree)] * np.conj(spherical_harmonics(degree, offset_m[None])[0])

    translated = translate(waves(40, source_m), k, shift_m, 10)
    expected = waves(10, source_m - shift_m)
    # what lies above degree 40 adds binomial(41, 10) (0.05/1.005)^31 = 1e9 * 1e-41
    for n in range(11):
        part = slice(n * n, (n + 1) ** 2)
        assert relative(translated[part], expected[part]) < 1e-12


def normalised_legendre(degree: int, order: int, t: mpmath.mpf) -> mpmath.mpf:
    """P_nm with unit square integral over -1 ... 1, upwards from P_mm."""
    value, before = mpmath.mpf(1), mpmath.mpf(0)
    for i in range(1, order + 1):
        value *= -(2 * i - 1) * mpmath.sqrt(1 - t * t)
    for i in range(order, degree):
        value, before = ((2 * i + 1) * t * value - (i + order) * before) / (i + 1 - order), value
    factorials = mpmath.factorial(degree - order) / mpmath.factorial(degree + order)
    return value * mpmath.sqrt(mpmath.mpf(2 * degree + 1) / 2 * factorials)


def exact_factor(start: int, end: int, order: int, argument: float, digits: int) -> float:
    """T from degree ``start`` to ``end`` along z, as the integral that defines it."""
    with mpmath.workdps(digits):

        def integrand(t: mpmath.mpf) -> mpmath.mpc:
            product = normalised_legendre(start, order, t) * normalised_legendre(end, order, t)
            return product * mpmath.expj(-argument * t)

        integral = mpmath.quad(integrand, mpmath.linspace(-1, 1, 5), method="gauss-legendre")
        return float(mpmath.re(mpmath.mpc(0, 1) ** (start - end) * integral))


@pytest.mark.parametrize(
    ("start", "end", "argument", "digits"),
    [
        (0, 40, 0.01, 170),
        (20, 40, 0.01, 90),
        (40, 12, 0.3, 80),
        (25, 25, 3.0, 30),
        (25, 40, 10.0, 30),
        (25, 60, 60.0, 30),
    ],
)
def test_factors_in_arbitrary_precision(start: int, end: int, argument: float, digits: int) -> None:
    """Small factors as good as large ones: from degree 0 to 40 at kd = 0.01 it is 1e-140."""
    orders = [m for m in (0, 1, 7, 20, 25) if m <= min(start, end)]
    single = np.zeros((len(orders), coefficient_count(start)), dtype=np.complex128)
    single[np.arange(len(orders)), [coefficient_index(start, m) for m in orders]] = 1.0
    translated = translate(single, argument, UP, end)
    found = [translated[row, coefficient_index(end, m)] for row, m in enumerate(orders)]
    expected = np.array([exact_factor(start, end, m, argument, digits) for m in orders])
    # the accuracy stated: of the largest between the two degrees, here taken over the orders tried
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-13 * np.abs(expected).max())


# ---- the slow twin ------------------------------------------------------------------------------------------------


def through_the_far_field(coefficients: Complexes, k: float, shift_m: Floats, top_degree: int) -> Complexes:
    """Twin: the pattern i^n c_nm Y_nm times exp(-ik shift.direction), projected on every harmonic by quadrature.

    Good to rounding of the largest coefficient only, which is why it is not what the package does.
    """
    points = 80
    heights, weights = roots_legendre(points)
    azimuths = 2.0 * np.pi * np.arange(2 * points) / (2 * points)
    colatitude, azimuth = np.meshgrid(np.arccos(heights), azimuths, indexing="ij")
    directions = np.stack(
        [np.sin(colatitude) * np.cos(azimuth), np.sin(colatitude) * np.sin(azimuth), np.cos(colatitude)], axis=-1
    )
    pattern = np.zeros_like(colatitude, dtype=np.complex128)
    for n in range(round(np.sqrt(coefficients.size))):
        for m in range(-n, n + 1):
            pattern += 1j**n * coefficients[n * n + n + m] * sph_harm_y(n, m, colatitude, azimuth)
    pattern *= np.exp(-1j * k * directions @ shift_m) * weights[:, None] * np.pi / points
    translated = []
    for n in range(top_degree + 1):
        for m in range(-n, n + 1):
            translated.append(np.sum(pattern * np.conj(sph_harm_y(n, m, colatitude, azimuth))) / 1j**n)
    return np.array(translated)


@pytest.mark.parametrize("argument", [0.3, 5.0, 40.0])
@pytest.mark.parametrize(("degree", "top"), [(0, 5), (7, 12), (12, 7)])
@pytest.mark.parametrize("direction", [SLANTED, -UP, np.array([0.0, 1.0, 0.0])])
def test_translation_is_a_phase_of_the_far_field(
    argument: float, degree: int, top: int, direction: Floats, rng: np.random.Generator
) -> None:
    coefficients = random_coefficients(rng, degree)
    expected = through_the_far_field(coefficients, argument / 0.4, 0.4 * direction, top)
    found = translate(coefficients, argument / 0.4, 0.4 * direction, top)
    # Integrands are of degree 12 + 12 + 40 and what little is above it: 80 points integrate degree 159. The weights
    # of roots_legendre are good to 5e-12 near the poles, where they are smallest.
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-12 * np.linalg.norm(coefficients))


# ---- what every translation keeps ---------------------------------------------------------------------------------


@pytest.mark.parametrize("argument", [0.001, 0.1, 3.0, 60.0])
@pytest.mark.parametrize("degree", [0, 20])
def test_power_is_conserved(argument: float, degree: int, rng: np.random.Generator) -> None:
    coefficients = random_coefficients(rng, degree)
    top = translated_degree(degree, argument, 1.0, 1e-14)
    power = np.sum(np.abs(translate(coefficients, argument, SLANTED, top)) ** 2)
    # the share given up; rounding of four turns and a shift is 1e-14
    assert power == pytest.approx(np.sum(np.abs(coefficients) ** 2), rel=1e-12)


@pytest.mark.parametrize("argument", [0.001, 0.1, 3.0, 40.0])
def test_there_and_back(argument: float, rng: np.random.Generator) -> None:
    coefficients = random_coefficients(rng, 15)
    shift_m = argument / 2.0 * random_directions(rng, 1)[0]
    # 1e-30 of the energy is 1e-15 of the amplitude
    there = translate(coefficients, 2.0, shift_m, translated_degree(15, 1.0, argument, 1e-30))
    assert relative(translate(there, 2.0, -shift_m, 15), coefficients) < 1e-12
    # and not because nothing happens
    assert relative(there[: coefficients.size], coefficients) > min(argument, 1.0) / 10.0


@pytest.mark.parametrize("argument", [0.01, 1.0, 20.0])
def test_two_shifts_are_their_sum(argument: float, rng: np.random.Generator) -> None:
    first_m, second_m = random_directions(rng, 2) * [[0.7], [0.4]]
    coefficients = random_coefficients(rng, 6)
    between = translated_degree(6, argument, 0.7, 1e-30)
    top = translated_degree(6, argument, 1.1, 1e-30)
    # what the middle set drops must not come back: it is kept to the degree of the result
    twice = translate(translate(coefficients, argument, first_m, max(between, top)), argument, second_m, top)
    assert relative(twice, translate(coefficients, argument, first_m + second_m, top)) < 1e-12


@pytest.mark.parametrize("direction", [UP, -UP])
def test_along_z_orders_stay_apart(direction: Floats) -> None:
    single = np.zeros(coefficient_count(9), dtype=np.complex128)
    single[coefficient_index(7, -3)] = 1.0
    translated = translate(single, 5.0, 0.4 * direction, 14)
    same = column_orders(14) == -3
    assert np.all(translated[~same] == 0.0)
    assert np.all(np.abs(translated[same]) > 1e-6)
    # a touch beside the axis goes the long way through turned axes: their rounding, and a tilt of 1e-15
    beside = translate(single, 5.0, 0.4 * direction + [1e-15, -1e-15, 0.0], 14)
    np.testing.assert_allclose(beside, translated, rtol=0, atol=1e-13)


def test_shifts_up_and_down_differ_in_sign_between_odd_neighbours() -> None:
    """T(-kd) = (-1)^(n + n') T(kd), and the first terms in kd by hand."""
    single = np.zeros(4, dtype=np.complex128)
    single[coefficient_index(1, 1)] = 1.0
    up, down = (translate(single, 5.0, 0.4 * axis, 6) for axis in (UP, -UP))
    np.testing.assert_allclose(down, up * (-1.0) ** (column_degrees(6) + 1), rtol=1e-14)
    small = translate(single, 1e-4, UP, 2)
    # what is left out is of the order (kd)^2 = 1e-8
    assert small[coefficient_index(1, 1)] == pytest.approx(1.0, rel=1e-8)
    # i^(1 - 2) (-ikd) int P_21 t P_11 dt = -kd sqrt(1/5)
    assert small[coefficient_index(2, 1)] == pytest.approx(-1e-4 / np.sqrt(5.0), rel=1e-8)


# ---- how many degrees ---------------------------------------------------------------------------------------------


def worst_loss(top_degree: int, argument: float, kept_degree: int) -> float:
    """Largest share of energy above ``kept_degree`` of any set up to ``top_degree``: squared singular values."""
    beyond = kept_degree + 12
    shares = []
    translation = Translation.prepare(top_degree, beyond)
    for order in {0, 1, top_degree // 2, top_degree}:
        if order > top_degree:
            continue
        inputs = np.arange(order, top_degree + 1)
        single = np.zeros((inputs.size, coefficient_count(top_degree)), dtype=np.complex128)
        single[np.arange(inputs.size), inputs * inputs + inputs + order] = 1.0
        lost = np.arange(max(order, kept_degree + 1), beyond + 1)
        rows = translation.apply(single, argument, UP)[:, lost * lost + lost + order]
        shares.append(float(np.linalg.norm(rows, 2) ** 2))
    return max(shares)


@pytest.mark.parametrize("top_degree", [0, 1, 5, 30])
@pytest.mark.parametrize("argument", [0.001, 0.01, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 60.0])
def test_the_degree_holds_the_energy_and_little_more(argument: float, top_degree: int) -> None:
    degree = translated_degree(top_degree, argument / 0.3, 0.3)
    assert worst_loss(top_degree, argument, degree) <= 1e-12
    # three degrees and a tenth fewer would not do
    fewer = top_degree + int((degree - top_degree - 3) / 1.1)
    if fewer > top_degree:
        assert worst_loss(top_degree, argument, fewer - 1) > 1e-12


@pytest.mark.parametrize("argument", [0.001, 0.01, 0.1, 1.0, 10.0, 60.0])
@pytest.mark.parametrize("share", [1e-4, 1e-8, 1e-20, 1e-30])
def test_the_degree_of_other_shares(argument: float, share: float) -> None:
    degree = translated_degree(4, 1.0, argument, share)
    assert worst_loss(4, argument, degree) <= share


def test_no_shift_needs_no_more_degrees() -> None:
    assert translated_degree(7, 20.0, 0.0) == 7


# ---- shapes -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift_m", [0.3 * SLANTED, 0.3 * UP])
def test_a_lower_degree_is_cut_from_a_higher_one(shift_m: Floats, rng: np.random.Generator) -> None:
    coefficients = random_coefficients(rng, 6)
    high = translate(coefficients, 8.0, shift_m, 11)
    for top in (0, 3, 6, 9):
        # the same sums on other tables: rounding of 49 terms
        np.testing.assert_allclose(
            translate(coefficients, 8.0, shift_m, top),
            high[: coefficient_count(top)],
            rtol=0,
            atol=1e-13 * np.linalg.norm(coefficients),
        )


@pytest.mark.parametrize("shift_m", [0.3 * SLANTED, -0.3 * UP])
def test_every_leading_axis_comes_along(shift_m: Floats, rng: np.random.Generator) -> None:
    coefficients = random_coefficients(rng, 5, 3, 2)
    together = translate(coefficients, 8.0, shift_m, 9)
    assert together.shape == (3, 2, 100)
    matrix = translate(np.eye(36, dtype=np.complex128), 8.0, shift_m, 9)
    for index in np.ndindex(3, 2):
        alone = translate(coefficients[index], 8.0, shift_m, 9)
        # the same products in another order
        np.testing.assert_allclose(alone, together[index], rtol=0, atol=1e-13)
        np.testing.assert_allclose(coefficients[index] @ matrix, alone, rtol=0, atol=1e-13)


@pytest.mark.parametrize("top_degree", [2, 4, 7])
def test_no_shift_pads_or_cuts(top_degree: int, rng: np.random.Generator) -> None:
    coefficients = random_coefficients(rng, 4)
    kept = min(25, coefficient_count(top_degree))
    translated = translate(coefficients, 8.0, np.zeros(3), top_degree)
    assert translated.shape == (coefficient_count(top_degree),)
    # the couplings of degree 0 are normalised to rounding
    np.testing.assert_allclose(translated[:kept], coefficients[:kept], rtol=1e-14)
    assert np.all(translated[kept:] == 0.0)


def test_coefficients_of_another_degree_are_refused() -> None:
    translation = Translation.prepare(3, 5)
    for shift_m in (0.1 * UP, 0.1 * SLANTED):
        with pytest.raises(ValueError, match="25 coefficients are not those of degree 3"):
            translation.apply(np.ones(25, dtype=np.complex128), 8.0, shift_m)
    with pytest.raises(ValueError, match="10 coefficients"):
        translate(np.ones(10, dtype=np.complex128), 8.0, 0.1 * UP, 5)


def test_one_preparation_serves_any_shift(rng: np.random.Generator) -> None:
    translation = Translation.prepare(5, 8)
    coefficients = random_coefficients(rng, 5)
    for wavenumber, direction in zip([0.1, 4.0, 100.0], random_directions(rng, 3), strict=True):
        found = translation.apply(coefficients, wavenumber, 0.2 * direction)
        np.testing.assert_array_equal(found, translate(coefficients, wavenumber, 0.2 * direction, 8))
