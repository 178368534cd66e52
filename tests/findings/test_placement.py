"""Images: closed forms of a monopole, and sources of several monopoles whose images are mirrored one by one."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.conventions import Complexes, Floats, amplitude_db, power_db
from fieldproc.errors import NumericalError, UsageError
from fieldproc.findings.placement import Boundaries, Towards, level_change_db, notches, radiated_power_db

SPEED_M_PER_S = 343.2
FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(112) / 24.0)
K = 2 * np.pi * FREQUENCY_HZ / SPEED_M_PER_S
CORNER = Boundaries(0.5, 0.6, 0.7, side="right")
# Strengths and places of monopoles a few millimetres apart, louder to the front and to the left than elsewhere.
STRENGTHS = np.array([1.0, -0.8 + 0.3j, 0.4j, -0.3])
PLACES_M = 1e-3 * np.array([[2.0, 0.0, 0.0], [-2.0, 1.0, 0.0], [0.0, 3.0, 1.0], [1.0, -1.0, -3.0]])


def monopole(directions: Floats) -> Complexes:
    return np.ones((len(FREQUENCY_HZ), len(directions)), dtype=np.complex128)


def cluster(directions: Floats) -> Complexes:
    """Far field at 1 m of the monopoles, from their places."""
    return np.exp(1j * K[:, None, None] * (directions @ PLACES_M.T)) @ STRENGTHS


def through(towards: Towards, frequency_hz: Floats) -> Towards:
    """The same at other frequencies, for sources that do not change with it."""
    return lambda directions: np.repeat(towards(directions)[:1], len(frequency_hz), axis=0)


def monopole_power_db(frequency_hz: Floats, boundaries: Boundaries) -> Floats:
    return radiated_power_db(through(monopole, frequency_hz), frequency_hz, SPEED_M_PER_S, boundaries)


@pytest.mark.parametrize("boundaries", [Boundaries(0.5), Boundaries(side_m=0.5), Boundaries(floor_m=0.5)])
def test_one_wall_worked(boundaries: Boundaries) -> None:
    """1 + sin(2kx) / (2kx) after Waterhouse 1958 (from memory), worked; the last is its first minimum."""
    frequency_hz = np.array([1.0, 2.0, 4.493409]) * SPEED_M_PER_S / (4 * np.pi * 0.5)
    # given to 5 decimals; the grid is exact to 6 digits of pressure
    expected_db = [2.65165, 1.62758, -1.06368]
    np.testing.assert_allclose(monopole_power_db(frequency_hz, boundaries), expected_db, rtol=0, atol=6e-6)


def test_three_walls_worked() -> None:
    """Eight images in closed form, worked, 343.2 m/s."""
    frequency_hz = np.array([20.0, 50.0, 100.0, 150.0, 200.0, 300.0])
    expected_db = [8.8164, 7.6565, 2.9413, -6.3963, -2.4121, -0.0415]
    power_db_ = monopole_power_db(frequency_hz, Boundaries(0.5, 0.6, 0.7))
    # given to 4 decimals
    np.testing.assert_allclose(power_db_, expected_db, rtol=0, atol=6e-5)


def test_walls_far_off_and_close_by() -> None:
    frequency_hz = np.array([20.0, 500.0])
    np.testing.assert_allclose(monopole_power_db(frequency_hz, Boundaries()), 0.0, rtol=0, atol=1e-12)
    # kx is 4e-5: power doubles per wall but for (2kx)^2 / 6
    close = monopole_power_db(frequency_hz[:1], Boundaries(1e-4, 1e-4, 1e-4))
    np.testing.assert_allclose(close, power_db(8.0), rtol=0, atol=1e-6)
    # 4 m from three walls at 500 Hz: 14 m between images
    pairs = np.array([[x, y, z] for x in (0, 8) for y in (0, 8) for z in (0, 8)][1:], dtype=float)
    phase = 2 * np.pi * 500.0 / SPEED_M_PER_S * np.linalg.norm(pairs, axis=1)
    expected = power_db(1 + np.sum(np.sin(phase) / phase))
    np.testing.assert_allclose(monopole_power_db(frequency_hz, Boundaries(4.0, 4.0, 4.0))[1], expected, atol=1e-5)


@pytest.mark.parametrize(
    ("boundaries", "heights", "azimuths"),
    [
        (CORNER, (0, 1), (0, np.pi / 2)),
        (Boundaries(0.4, None, 0.9), (0, 1), (-np.pi / 2, np.pi / 2)),
        (Boundaries(None, 0.3), (-1, 1), (-np.pi, 0)),
    ],
)
def test_power_of_any_source_is_that_over_the_part_that_is_left(
    boundaries: Boundaries, heights: tuple[float, float], azimuths: tuple[float, float]
) -> None:
    """The slow twin: monopoles and their mirrored monopoles, over what the walls leave of the sphere alone."""
    # Gauss points from wall to wall: k times 2.1 m between images is 19, which 40 points follow
    points, weights = np.polynomial.legendre.leggauss(40)
    (z, of_z), (a, of_a) = (
        (low + (high - low) * (points + 1) / 2, (high - low) * weights / 2) for low, high in (heights, azimuths)
    )
    z, a = np.meshgrid(z, a, indexing="ij")
    flat = np.sqrt(1 - z**2)
    directions = np.stack([flat * np.cos(a), flat * np.sin(a), z], axis=-1).reshape(-1, 3)
    k = K[::10, None, None]
    together = 0
    for mirror in boundaries.mirrors():
        places_m = mirror * PLACES_M + boundaries.place_m(mirror)
        together = together + np.exp(1j * k * (directions @ places_m.T)) @ STRENGTHS
    bounded = np.abs(together) ** 2 @ np.outer(of_z, of_a).ravel()
    # in free field, in closed form: every pair of monopoles
    apart = k * np.linalg.norm(PLACES_M[:, None] - PLACES_M, axis=-1)
    free = 4 * np.pi * np.einsum("i,fij,j->f", STRENGTHS.conj(), np.sinc(apart / np.pi), STRENGTHS).real
    found_db = radiated_power_db(cluster, FREQUENCY_HZ, SPEED_M_PER_S, boundaries)[::10]
    # the grid is exact to 6 digits of pressure
    np.testing.assert_allclose(found_db, power_db(bounded / free), rtol=0, atol=2e-5)


def test_a_source_far_from_its_place_is_refused() -> None:
    """By 22 m at 500 Hz: more degrees than a loudspeaker has."""

    def displaced(directions: Floats) -> Complexes:
        return np.exp(200j * directions[:, 2])[None] * np.ones((112, 1))

    with pytest.raises(NumericalError, match="change of the radiated power by a finer grid than degree"):
        radiated_power_db(displaced, FREQUENCY_HZ, SPEED_M_PER_S, CORNER)


def test_without_a_far_field_there_is_no_power() -> None:
    def partly(directions: Floats) -> Complexes:
        pressure = monopole(directions)
        pressure[:3] = np.nan
        return pressure

    found_db = radiated_power_db(partly, FREQUENCY_HZ, SPEED_M_PER_S, CORNER)
    np.testing.assert_array_equal(np.isnan(found_db), np.arange(112) < 3)


@pytest.mark.parametrize(
    "boundaries", [CORNER, Boundaries(0.5, 0.6, 0.7), Boundaries(1.1), Boundaries(None, 0.8, 0.2)]
)
def test_level_at_the_seat_is_that_of_mirrored_monopoles(boundaries: Boundaries) -> None:
    seat_m = np.array([2.5, 0.3, -0.1])
    direct, together = 0, 0
    for signs in boundaries.mirrors():
        places_m = signs * PLACES_M + boundaries.place_m(signs)
        distance_m = np.linalg.norm(seat_m - places_m, axis=1)
        field = (np.exp(-1j * K[:, None] * distance_m) / distance_m) @ STRENGTHS
        direct = field if np.all(signs > 0) else direct
        together = together + field
    expected_db = amplitude_db(np.abs(together / direct))
    found_db = level_change_db(cluster, FREQUENCY_HZ, SPEED_M_PER_S, boundaries, seat_m)
    # monopoles some 3 mm apart are a far field at 2.5 m to 1e-3 of one another's field, 0.3 of which is left
    np.testing.assert_allclose(10 ** (found_db / 20), 10 ** (expected_db / 20), rtol=0, atol=0.01)


def test_first_notch_of_the_front_wall() -> None:
    """On axis sound from behind comes 2 d later: half a period at c / (4 d), weaker by its longer way."""
    for away_m in (0.4, 0.8, 1.3):
        change_db = level_change_db(
            monopole, FREQUENCY_HZ, SPEED_M_PER_S, Boundaries(away_m), np.array([2.5, 0.0, 0.0])
        )
        first = notches(FREQUENCY_HZ, change_db)[0]
        # lines are 3 % apart: a parabola through a cosine errs by a hundredth of that
        assert first.frequency_hz == pytest.approx(SPEED_M_PER_S / (4 * away_m), rel=1e-3)
        depth_db = float(amplitude_db(1 - 2.5 / (2.5 + 2 * away_m)))
        assert first.change_db == pytest.approx(depth_db, abs=0.05)


def test_what_radiates_nothing_backwards_has_no_notch() -> None:
    def cardioid(directions: Floats) -> Complexes:
        return monopole(directions) * (0.5 + 0.5 * directions[:, 0])

    seat_m = np.array([2.5, 0.0, 0.0])
    change_db = level_change_db(cardioid, FREQUENCY_HZ, SPEED_M_PER_S, Boundaries(0.8), seat_m)
    np.testing.assert_allclose(change_db, 0.0, rtol=0, atol=1e-12)
    assert notches(FREQUENCY_HZ, change_db) == ()


def test_the_side_matters_to_a_source_that_has_sides() -> None:
    def leftwards(directions: Floats) -> Complexes:
        return monopole(directions) * (0.5 + 0.5 * directions[:, 1])

    seat_m = np.array([2.5, 0.0, 0.0])
    left, right = (
        level_change_db(leftwards, FREQUENCY_HZ, SPEED_M_PER_S, Boundaries(side_m=0.6, side=side), seat_m)
        for side in ("left", "right")
    )
    # towards the seat 0.5; by the wall, 1.2 m aside, 0.5 + 0.5 * 1.2 / 2.77 and 0.5 - the same; 2.5 m against 2.77
    sine, share = 1.2 / np.hypot(2.5, 1.2), 2.5 / np.hypot(2.5, 1.2)
    assert left.max() == pytest.approx(float(amplitude_db(1 + (1 + sine) * share)), abs=0.05)
    assert right.max() == pytest.approx(float(amplitude_db(1 + (1 - sine) * share)), abs=0.05)


def test_shallow_dips_and_ends_are_no_notches() -> None:
    octave = np.log2(FREQUENCY_HZ / 100.0)
    assert notches(FREQUENCY_HZ, -0.9 * np.exp(-(octave**2))) == ()
    assert notches(FREQUENCY_HZ, -3.0 * octave) == ()
    (one,) = notches(FREQUENCY_HZ, -6.0 * np.exp(-(octave**2)))
    assert one.frequency_hz == pytest.approx(100.0, rel=1e-3)
    assert one.change_db == pytest.approx(-6.0, abs=0.01)


def test_refusals() -> None:
    with pytest.raises(UsageError, match=r"found -0\.5 m from the acoustic place to the side wall; needed more"):
        Boundaries(side_m=-0.5)
    with pytest.raises(UsageError, match="found nan m"):
        Boundaries(floor_m=float("nan"))
    for seat_m in ([-0.5, 0.0, 0.0], [2.0, -0.6, 0.0], [2.0, 0.0, -0.8], [0.0, 0.0, 0.0]):
        with pytest.raises(UsageError, match="needed one in front of all boundaries"):
            level_change_db(monopole, FREQUENCY_HZ, SPEED_M_PER_S, CORNER, np.array(seat_m))
