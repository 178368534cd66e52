"""Sources: near against far field, limits, and slow readable twins of the fast sums."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import eval_legendre, spherical_jn, spherical_yn

from fieldproc.simulate.arrivals import sum_of_arrivals
from fieldproc.simulate.filters import high_pass, low_pass, resonance
from fieldproc.simulate.medium import Medium, medium_at
from fieldproc.simulate.sources import Monopole, MonopoleCluster, Source
from fieldproc.simulate.sphere_caps import Cap, SphereCaps
from fieldproc.simulate.two_way import two_way

AIR = Medium()
CLUSTER = MonopoleCluster(
    (Monopole((0.1, 0.02, -0.05)), Monopole((-0.08, 0.1, 0.12), 0.6, 2e-4), Monopole((0.0, -0.1, 0.03), -0.4)), 2e-4
)
TWO_WAY = two_way(center_m=(0.05, -0.02, 0.03))
FREQUENCY_HZ = np.array([30.0, 211.0, 997.0, 2200.0, 6100.0, 15000.0])


def directions(count: int) -> np.ndarray:
    unit = np.random.default_rng(7).normal(size=(count, 3))
    return np.asarray(unit / np.linalg.norm(unit, axis=1)[:, None])


@pytest.mark.parametrize("source", [CLUSTER, TWO_WAY], ids=["monopoles", "caps"])
def test_far_field_is_what_the_pressure_tends_to(source: Source) -> None:
    origin, distance = np.array([0.15, 0.0, 0.02]), 1e5
    unit = directions(9)
    far = source.far_field(FREQUENCY_HZ, unit, origin, AIR)
    pressure = source.pressure(FREQUENCY_HZ, origin + distance * unit, AIR)
    k = 2 * np.pi * FREQUENCY_HZ / AIR.sound_speed_m_per_s
    scaled = pressure * distance * np.exp(1j * k * distance)[:, None]
    largest = np.abs(far).max(axis=1)[:, None]
    # Parallax: k d^2 / (2 r) = 275 * 0.2^2 / 2e5 = 6e-5 of phase at the top frequency.
    np.testing.assert_allclose(scaled / largest, far / largest, rtol=0, atol=1e-4)


def test_pressure_of_a_monopole_halves_with_every_doubling() -> None:
    source = MonopoleCluster((Monopole((0.03, -0.02, 0.01)),), 2e-4)
    positions = np.array([[0.03, -0.02, 0.01]]) + np.array([[0.5], [1.0], [2.0], [4.0]]) * directions(1)
    level = np.abs(source.pressure(np.array([40.0, 4000.0]), positions, AIR))
    np.testing.assert_allclose(level[:, :-1] / level[:, 1:], 2.0, rtol=1e-14)  # rounding


def test_cap_series_equals_the_series_of_hankel_functions() -> None:
    """The twin takes h_n from scipy, which does for degrees and arguments where it does not overflow."""
    radius, half_angle = 0.15, np.radians(35)
    axis = np.array([0.6, -0.48, 0.64])
    source = SphereCaps(radius, (Cap((0.6, -0.48, 0.64), half_angle, 1.0, "radial"),))
    positions = directions(12) * np.linspace(0.3, 2.5, 12)[:, None]
    frequency = np.array([300.0, 1200.0, 5000.0, 18000.0])
    expected = np.zeros((4, 12), dtype=np.complex128)
    distance = np.linalg.norm(positions, axis=1)
    cosine = positions @ axis / distance
    edge = np.cos(half_angle)
    for row, k in enumerate(2 * np.pi * frequency / AIR.sound_speed_m_per_s):
        for n in range(25 + int(1.6 * k * radius)):
            below = eval_legendre(n - 1, edge) if n else 1.0
            weight = 0.5 * (below - eval_legendre(n + 1, edge))
            near = spherical_jn(n, k * distance) - 1j * spherical_yn(n, k * distance)
            slope = spherical_jn(n, k * radius, True) - 1j * spherical_yn(n, k * radius, True)
            acceleration = 1.0 / (2 * np.pi * radius**2 * (1 - edge))
            expected[row] -= (
                AIR.density_kg_per_m3 * acceleration / k * weight * near / slope * eval_legendre(n, cosine)
            )
    actual = source.pressure(frequency, positions, AIR)
    # 25 terms and more at (R/r) <= 1/2 leave 2^-25 of the edge's own slow series: below 1e-8.
    np.testing.assert_allclose(actual, expected, rtol=0, atol=1e-8 * np.abs(expected).max())
    # Where r = 2.5 m, nothing is left to truncate.
    np.testing.assert_allclose(actual[:, -1], expected[:, -1], rtol=1e-11)


def test_caps_at_zero_frequency_are_the_limit() -> None:
    source = SphereCaps(0.15, (Cap((1.0, 0.0, 0.0), 0.4, 1.0, "axial"), Cap((0.0, 0.0, 1.0), 0.2, 0.5)))
    positions = 0.4 * directions(8)
    at_zero, nearby = source.pressure(np.array([0.0, 1e-3]), positions, AIR)
    assert np.all(at_zero.imag == 0)
    # k r = 1e-5 apart.
    np.testing.assert_allclose(nearby, at_zero, rtol=2e-5)


def test_near_field_closer_than_a_tenth_of_the_radius_stays_finite_and_continuous() -> None:
    source = SphereCaps(0.15, (Cap((1.0, 0.0, 0.0), 0.4, 1.0),))
    positions = np.array([[0.157, 0.0, 0.0], [0.1571, 0.0, 0.0]])
    near, next_to_it = np.abs(source.pressure(np.array([20.0, 20000.0]), positions, AIR)).T
    # 0.1 mm apart: kd = 0.04 at 20 kHz.
    np.testing.assert_allclose(near, next_to_it, rtol=0.05)


def test_positions_where_there_is_no_field_are_refused() -> None:
    with pytest.raises(ValueError, match="inside the sphere"):
        TWO_WAY.pressure(FREQUENCY_HZ, np.array([[0.1, 0.0, 0.0]]), AIR)
    with pytest.raises(ValueError, match="needs more than"):
        SphereCaps(0.15, TWO_WAY.caps).pressure(FREQUENCY_HZ, np.array([[0.1501, 0.0, 0.0]]), AIR)
    with pytest.raises(ValueError, match="coincides with a point source"):
        CLUSTER.pressure(FREQUENCY_HZ, np.array([[0.1, 0.02, -0.05]]), AIR)


@pytest.mark.parametrize("bins", [65, 1025, 2048])
def test_fast_sum_of_arrivals_equals_the_plain_one(bins: int) -> None:
    generator = np.random.default_rng(5)
    delays, amplitudes = generator.uniform(0, 0.06, (3, 40)), generator.normal(size=(3, 40))
    frequency = 20.0 + np.linspace(0, 12000, bins)
    plain = np.einsum("fpj,pj->fp", np.exp(-2j * np.pi * frequency[:, None, None] * delays), amplitudes)
    fast = sum_of_arrivals(frequency, delays, amplitudes)
    # 40 amplitudes of order 1, kernel good to about 1e-13 of their sum.
    np.testing.assert_allclose(fast, plain, rtol=0, atol=1e-11)


def test_filters_have_their_textbook_values() -> None:
    corner = np.array([1000.0])
    # A Butterworth section is 3.01 dB down at its corner; two of them in a row 6.02 dB.
    assert abs(high_pass(1000, 0.5**0.5)(corner)[0]) == pytest.approx(0.5**0.5, rel=1e-14)
    pair = low_pass(1000, 0.5**0.5) + low_pass(1000, 0.5**0.5)
    assert abs(pair(corner)[0]) == pytest.approx(0.5, rel=1e-14)
    assert abs(resonance(1000, 6, 2.5)(corner)[0]) == pytest.approx(10 ** (2.5 / 20), rel=1e-14)
    # -10 dB of a second-order Butterworth high-pass falls at 3^(-1/2) of its corner.
    assert abs(high_pass(1000, 0.5**0.5)(corner / 3**0.5)[0]) == pytest.approx(0.1**0.5, rel=1e-14)


def test_both_ways_of_the_loudspeaker_add_up_to_an_all_pass() -> None:
    frequency = np.geomspace(20, 20000, 30)
    low, high = (cap.response(frequency) for cap in TWO_WAY.caps)
    common = high_pass(55.0, 0.75)(frequency) * resonance(870.0, 6.0, 2.5)(frequency)
    # Rounding only: fourth-order pairs of equal Butterworth sections sum to magnitude 1.
    np.testing.assert_allclose(np.abs(low + high), np.abs(common), rtol=1e-12)


def test_air_follows_temperature() -> None:
    # ISO 9613-1:1993: 331.2859 m/s at 0 degrees, 349.0046 m/s at 30, printed to four decimals.
    assert medium_at(0.0).sound_speed_m_per_s == pytest.approx(331.2859, abs=6e-5)
    assert medium_at(30.0).sound_speed_m_per_s == pytest.approx(349.0046, abs=6e-5)
    assert medium_at(20.0).density_kg_per_m3 == pytest.approx(1.204, rel=1e-15)
