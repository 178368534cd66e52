"""The acoustic centre: its quadratic against translated coefficients, its path over frequency, and moving there."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of, spiral
from scanned import AIR, make_spectra, noisy_pressure
from scipy.special import spherical_jn, spherical_yn

from fieldproc.conventions import polar_directions
from fieldproc.expand import expand
from fieldproc.expand.center import acoustic_center, slope_quadratic
from fieldproc.expand.recenter import recenter
from fieldproc.expand.rings import recognise_rings
from fieldproc.extrapolate import extrapolate, far_field_pressure, pressure_at, sound_power
from fieldproc.records import Cabinet, Expansion, Quality, ReferenceAxis, Spectra
from fieldproc.settings import ExpansionSettings, ExtrapolationSettings, OrderSettings, Settings, TableSettings
from fieldproc.simulate.rooms import FreeField
from fieldproc.simulate.scans import cylinder_scan
from fieldproc.simulate.sources import Monopole, MonopoleCluster
from fieldproc.tables import tabulate
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.translation import translate, translated_degree

AXIS = ReferenceAxis(origin_m=np.array([0.02, 0.0, -0.01]))
SPHERE = spiral(200)
# The stated weight of staying, relative to the curvature of J.
HOLD_PER_M2 = 0.05


def wavenumber(frequency_hz: np.ndarray) -> np.ndarray:
    return 2 * np.pi * frequency_hz / AIR.sound_speed_m_per_s


def degrees_of(coefficients: np.ndarray) -> np.ndarray:
    top = int(np.sqrt(coefficients.shape[-1])) - 1
    return np.repeat(np.arange(top + 1), 2 * np.arange(top + 1) + 1)


def monopole(place_m: tuple[float, float, float], k: np.ndarray, order: int) -> np.ndarray:
    """h_0(kR) about a place as waves about the origin, (frequency, coefficient): [DLMF] 10.60.2."""
    place = np.array([place_m])
    degrees = np.repeat(np.arange(order + 1), 2 * np.arange(order + 1) + 1)
    bessel = spherical_jn(degrees, k[:, None] * np.linalg.norm(place))
    return np.sqrt(4 * np.pi) * bessel * harmonics_of(order, place)[0].conj()


def center_of(
    frequency_hz: np.ndarray, outgoing: np.ndarray, most_m: float = 1.0, **changes: np.ndarray
) -> np.ndarray:
    """Of outgoing coefficients (frequency, channel, coefficient), all usable unless said otherwise."""
    order = int(np.sqrt(outgoing.shape[-1])) - 1
    count = len(frequency_hz)
    usable = changes.get("usable", np.ones(count, dtype=np.bool_))
    return acoustic_center(frequency_hz, wavenumber(frequency_hz), outgoing, np.full(count, order), usable, most_m)


# ---- the quadratic ------------------------------------------------------------------------------------------------


def slope_energy(outgoing: np.ndarray, k: float, order: int, origin_m: np.ndarray) -> float:
    """J by its definition: translate, then the mean of n (n + 1) per channel."""
    # 1e-30 of the energy left out, and n (n + 1) below 1e4
    top = translated_degree(order, k, float(np.linalg.norm(origin_m)), 1e-30)
    energy = np.abs(translate(outgoing, k, origin_m, top)) ** 2
    degrees = degrees_of(energy)
    return float(np.mean(energy @ (degrees * (degrees + 1.0)) / energy.sum(axis=1)))


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize(("order", "argument"), [(0, 1.0), (1, 0.01), (4, 0.5), (7, 3.0), (12, 12.0)])
def test_quadratic_is_the_slope_energy_about_any_origin(order: int, argument: float, channels: int) -> None:
    generator, k = np.random.default_rng(order), 7.0
    # channels of very different level count alike
    level = 10.0 ** np.arange(channels)[:, None]
    outgoing = level * complex_normal(generator, channels, coefficient_count(order))
    curvature, slope = slope_quadratic(outgoing, k, order)
    here = slope_energy(outgoing, k, order, np.zeros(3))
    for direction in spiral(7):
        origin_m = argument / k * direction
        found = 2 * slope @ origin_m + origin_m @ curvature @ origin_m
        # rounding of J itself, at most 1e-14 of it, of which little may be left in the difference
        np.testing.assert_allclose(
            found, slope_energy(outgoing, k, order, origin_m) - here, rtol=1e-10, atol=1e-12 * (1 + here)
        )
    assert np.linalg.eigvalsh(curvature).min() > 0


def test_only_the_stated_order_counts() -> None:
    outgoing = complex_normal(np.random.default_rng(1), 2, coefficient_count(5))
    for found, expected in zip(
        slope_quadratic(outgoing, 3.0, 2), slope_quadratic(outgoing[:, : coefficient_count(2)], 3.0, 2), strict=True
    ):
        np.testing.assert_array_equal(found, expected)


@pytest.mark.parametrize("k", [0.1, 1.0, 10.0, 40.0])
def test_a_monopole_is_found_where_it_is(k: float) -> None:
    place_m = (0.12, -0.05, 0.2)
    # kd is 9.6 at most, and j_40(9.6) = 1e-21
    curvature, slope = slope_quadratic(monopole(place_m, np.array([k]), 40), k, 40)
    np.testing.assert_allclose(-np.linalg.solve(curvature, slope), place_m, rtol=1e-10)
    # <u F, u F> of a pattern that is even in all directions: a third along each axis
    np.testing.assert_allclose(curvature, k**2 * 2 / 3 * np.eye(3), rtol=0, atol=1e-12 * k**2)


# ---- the path -----------------------------------------------------------------------------------------------------

# Two octaves below and four above 250 Hz, 24 an octave.
OCTAVES = np.arange(-48, 97) / 24
FREQUENCY_HZ = 250.0 * 2.0**OCTAVES
K = wavenumber(FREQUENCY_HZ)
LOW_M, HIGH_M = (0.01, 0.0, -0.12), (-0.02, 0.01, 0.15)
APART_M = float(np.linalg.norm(np.subtract(HIGH_M, LOW_M)))
# kd is 11 at most.
ORDER = 30


@cache
def drivers() -> tuple[np.ndarray, np.ndarray]:
    return monopole(LOW_M, K, ORDER), monopole(HIGH_M, K, ORDER)


def along(center_m: np.ndarray) -> np.ndarray:
    """Share of the way from the low driver to the high one."""
    way = np.subtract(HIGH_M, LOW_M)
    return (center_m - LOW_M) @ way / APART_M**2


def test_one_frequency_alone_is_the_monopole_held_back() -> None:
    """Curvature 2 k^2 / 3 against the hold: exact, and next to nothing from 500 Hz on."""
    for frequency_hz in (20.0, 500.0):
        k = wavenumber(np.array([frequency_hz]))
        found = center_of(np.array([frequency_hz]), monopole(HIGH_M, k, ORDER)[:, None])
        held = 2 * k**2 / 3 / (2 * k**2 / 3 + HOLD_PER_M2)
        np.testing.assert_allclose(found, held[:, None] * HIGH_M, rtol=1e-10)
    # 0.1 mm in 15 cm
    assert 1 - held[0] < 1e-3


def test_a_monopole_stays_at_its_place_over_frequency() -> None:
    center_m = center_of(FREQUENCY_HZ, drivers()[1][:, None])
    # held back by no more than at the lower end of the window, half an octave down
    held = 1 / (1 + 3 * HOLD_PER_M2 / 2 / (K / np.sqrt(2)) ** 2)
    assert np.all(np.linalg.norm(center_m - HIGH_M, axis=1) <= (1 - held) * np.linalg.norm(HIGH_M) * (1 + 1e-9))


def test_two_channels_are_averaged() -> None:
    """The mean of two places, whatever the levels, for monopoles have one curvature."""
    both = np.stack([drivers()[0], 1e-3j * drivers()[1]], axis=1)
    each = [center_of(FREQUENCY_HZ, one[:, None]) for one in drivers()]
    np.testing.assert_allclose(center_of(FREQUENCY_HZ, both), np.mean(each, axis=0), rtol=0, atol=1e-12)


def crossed_over(order: int) -> np.ndarray:
    """Low-pass and high-pass of equal phase that add up to one, at 250 Hz; infinite order is a switch."""
    ratio = np.exp2(OCTAVES)
    rising = ratio**order / (1 + ratio**order) if order else (ratio >= 1).astype(np.float64)
    low, high = drivers()
    return ((1 - rising)[:, None] * low + rising[:, None] * high)[:, None]


# cos^2 over an octave in all, times the k^2 of the curvatures: largest share of a window's weight per octave.
_OFFSETS = np.linspace(-0.5, 0.5, 10001)
_WINDOW = np.cos(np.pi * _OFFSETS) ** 2 * 4.0**_OFFSETS
STEEPEST_PER_OCTAVE = float(_WINDOW.max() / _WINDOW.mean())


@pytest.mark.parametrize("order", [4, 8, 0], ids=["24 dB per octave", "48 dB per octave", "switch"])
def test_the_centre_wanders_from_woofer_to_tweeter_without_a_step(order: int) -> None:
    """The worst is a switch: the window then moves from one to the other by no more than its largest share.

    That is 2.03 of the way per octave, 23 mm of 272 mm between neighbours a twenty-fourth of an octave apart. A
    crossover spreads the change over its own width, and takes less.
    """
    center_m = center_of(FREQUENCY_HZ, crossed_over(order))
    way = along(center_m)
    step_m = np.linalg.norm(np.diff(center_m, axis=0), axis=1)
    assert 2.0 < STEEPEST_PER_OCTAVE < 2.1
    # 1% for a sum over rows in place of the integral; measured 7.9, 13.3 and 22.9 mm
    assert step_m.max() <= 1.01 * APART_M * STEEPEST_PER_OCTAVE / 24
    # an octave and a half below, held back by a hundredth of the way to the origin; and two octaves and more above
    assert abs(way[12]) < 0.05
    assert abs(way[-1] - 1) < 1e-3
    # never beyond the two, and back only where the hold lets go of the woofer
    assert way.min() > 0
    assert way.max() < 1.001
    assert np.diff(way).min() > -0.002
    # the origin, which holds, lies 4 mm beside the line between them
    off_m = center_m - LOW_M - way[:, None] * np.subtract(HIGH_M, LOW_M)
    assert np.linalg.norm(off_m, axis=1).max() < 1e-3
    if not order:
        # alone, each frequency would switch
        alone = np.array([center_of(FREQUENCY_HZ[[at]], crossed_over(0)[[at]])[0] for at in (47, 48)])
        assert np.linalg.norm(np.diff(alone, axis=0)) > 0.9 * APART_M
        # and the bound is no looser than it must be
        assert step_m.max() > 0.9 * APART_M * STEEPEST_PER_OCTAVE / 24


def test_unusable_rows_take_what_is_near() -> None:
    """Nothing but usable rows counts; others lie on the line between their neighbours, or are as the last."""
    octave, outgoing = OCTAVES, crossed_over(4)
    usable = (octave < -1) | ((octave > 0.2) & (octave < 1.5))
    found = center_of(FREQUENCY_HZ, np.where(usable[:, None, None], outgoing, np.nan), usable=usable)
    assert np.all(np.isfinite(found))
    rows = np.flatnonzero(usable)
    gap = (octave >= -1) & (octave <= 0.2)
    ends = rows[[np.sum(octave[rows] < -1) - 1, np.sum(octave[rows] < -1)]]
    share = ((octave - octave[ends[0]]) / np.ptp(octave[ends]))[gap, None]
    np.testing.assert_allclose(found[gap], (1 - share) * found[ends[0]] + share * found[ends[1]], rtol=0, atol=1e-12)
    np.testing.assert_array_equal(found[octave >= 1.5], np.tile(found[rows[-1]], (np.sum(octave >= 1.5), 1)))
    # where all of the window is usable, as if all were
    inside = (octave < -1.55) | ((octave > 0.75) & (octave < 0.95))
    np.testing.assert_allclose(found[inside], center_of(FREQUENCY_HZ, outgoing)[inside], rtol=1e-12)


def test_nothing_usable_is_no_centre() -> None:
    found = center_of(FREQUENCY_HZ, crossed_over(4), usable=np.zeros(len(FREQUENCY_HZ), dtype=np.bool_))
    assert found.shape == (len(FREQUENCY_HZ), 3)
    assert np.isnan(found).all()


def test_no_centre_is_farther_than_allowed() -> None:
    """Only what is too far is pulled back, along its own direction."""
    outgoing = drivers()[1][:, None]
    free = center_of(FREQUENCY_HZ, outgoing)
    clipped = center_of(FREQUENCY_HZ, outgoing, most_m=0.1)
    np.testing.assert_allclose(np.linalg.norm(clipped, axis=1), 0.1, rtol=1e-12)
    np.testing.assert_allclose(clipped, free * 0.1 / np.linalg.norm(free, axis=1, keepdims=True), rtol=1e-12)
    np.testing.assert_array_equal(center_of(FREQUENCY_HZ, outgoing, most_m=0.2), free)
    # a source at the origin has a distance of nothing to be divided by
    still = center_of(FREQUENCY_HZ, np.eye(1, 9, dtype=np.complex128)[None].repeat(len(FREQUENCY_HZ), axis=0))
    np.testing.assert_array_equal(still, np.zeros((len(FREQUENCY_HZ), 3)))


def test_noise_at_20_hz_is_held_back() -> None:
    """Noise of -40 dB on degree 1 means 56 mm there at a single frequency, and 6 mm at 200 Hz."""
    generator, draws = np.random.default_rng(1), 200
    frequency_hz = 20.0 * 2.0 ** (np.arange(13) / 24)

    def rms_m(rows: slice) -> float:
        found = []
        for _ in range(draws):
            outgoing = np.zeros((len(frequency_hz), 1, 4), dtype=np.complex128)
            outgoing[:, 0, 0] = 1.0
            outgoing[:, 0, 1:] = 0.01 * complex_normal(generator, len(frequency_hz), 3)
            found.append(center_of(frequency_hz[rows], outgoing[rows])[0])
        return float(np.sqrt(np.mean(np.sum(np.square(found), axis=1))))

    # slope k 2 Im(c_00* c_1m) / sqrt(3) per axis over the curvature: 0.01 sqrt(3) sqrt(3/2) / k without the hold
    k = float(wavenumber(np.array([20.0]))[0])
    free_m = 0.01 * np.sqrt(3 / 2) * np.sqrt(3) / k
    curvature = 2 * k**2 / 3
    # 200 draws of three numbers: 3% of scatter, and four times that is allowed
    np.testing.assert_allclose(rms_m(slice(0, 1)), free_m * curvature / (curvature + HOLD_PER_M2), rtol=0.12)
    # half an octave of neighbours averages, too
    assert rms_m(slice(None)) < free_m / 3


# ---- the move -----------------------------------------------------------------------------------------------------


def quality_of(rows: int, channels: int) -> Quality:
    """Of rows that are all solved."""
    names = (
        "residual_db",
        "leave_one_out_db",
        "room_to_direct_db",
        "random_error_db",
        "level_uncertainty_db",
        "regularisation",
    )
    return Quality(
        **{name: np.zeros((rows, channels)) for name in (*names, "scattering_db", "overlap_difference_db")},
        gated_share=np.zeros(rows),
        verdict=np.zeros((rows, channels), dtype=np.int64),
        condition=np.ones(rows),
        noise_gain_db=np.zeros(rows),
        truncation_db=np.zeros(rows),
        point_residual_db=np.zeros((channels, 1)),
    )


ROWS_HZ = np.array([30.0, 200.0, 1000.0, 3000.0])
# Centimetres, as centres move.
SHIFT_M = np.array([[0.03, 0.0, 0.0], [0.0, 0.0, -0.03], [0.01, -0.02, 0.015], [0.0, 0.02, 0.0]])
SOURCE_RADIUS_M = 0.12


def expansion_about(origin_m: np.ndarray, regular: bool = True) -> Expansion:
    """Two channels of five monopoles 10 cm from the origin each; orders that differ from row to row."""
    generator = np.random.default_rng(4)
    k = wavenumber(ROWS_HZ)
    orders = np.array([6, 8, 12, 20])
    outgoing = np.zeros((4, 2, coefficient_count(20)), dtype=np.complex128)
    for row, order in enumerate(orders):
        parts = np.array([monopole(tuple(place), k[[row]], int(order))[0] for place in 0.1 * spiral(5)])
        outgoing[row, :, : parts.shape[1]] = complex_normal(generator, 2, 5) @ parts
    room = complex_normal(generator, 4, 2, coefficient_count(3)) if regular else np.zeros((4, 2, 0), complex)
    return Expansion(
        frequency_hz=ROWS_HZ,
        outgoing=outgoing,
        regular=room,
        outgoing_order=orders,
        regular_order=np.full(4, 3 if regular else -1),
        origin_m=np.tile(origin_m, (4, 1)),
        acoustic_center_m=np.tile(origin_m, (4, 1)) + SHIFT_M,
        sound_speed_m_per_s=AIR.sound_speed_m_per_s,
        air_density_kg_per_m3=AIR.density_kg_per_m3,
        source_radius_m=SOURCE_RADIUS_M,
        channel_names=("low", "high"),
        quality=quality_of(4, 2),
    )


BEFORE = expansion_about(np.array([0.01, -0.02, 0.05]))
AFTER = recenter(BEFORE, BEFORE.acoustic_center_m)


def assert_close(found: np.ndarray, expected: np.ndarray, close: float = 1e-9) -> None:
    """Relative to the norm over the directions, per frequency and channel."""
    error = np.linalg.norm(found - expected, axis=-1)
    assert np.all(error <= close * np.linalg.norm(expected, axis=-1))


def test_far_field_and_power_stay() -> None:
    # the rule that gives up 1e-12 of the energy at the worst gives up nothing where the highest degrees are weak
    assert_close(far_field_pressure(AFTER, AXIS, SPHERE), far_field_pressure(BEFORE, AXIS, SPHERE))
    np.testing.assert_allclose(sound_power(AFTER), sound_power(BEFORE), rtol=1e-9)
    # it would pass if nothing had moved, or phases did not count
    assert np.all(AFTER.origin_m == BEFORE.acoustic_center_m)
    count = BEFORE.outgoing.shape[2]
    change = np.linalg.norm(AFTER.outgoing[:, :, :count] - BEFORE.outgoing, axis=2)
    assert np.all(change > 1e-3 * np.linalg.norm(BEFORE.outgoing, axis=2))


@pytest.mark.parametrize(
    ("distance_m", "close"),
    [
        # degrees end where the far field needs none above. Nearer by, what is left out counts more, like (b / r)^n
        # from n = 11 on at the lowest frequency; measured 2e-12, 7e-9 and 4e-6
        (1.0, 1e-9),
        (0.5, 1e-7),
        (0.3, 1e-4),
    ],
)
def test_near_field_stays(distance_m: float, close: float) -> None:
    before, after = (pressure_at(one, AXIS, SPHERE, distance_m) for one in (BEFORE, AFTER))
    assert_close(after, before, close)


def test_what_arrives_from_the_room_stays() -> None:
    """Regular waves at points around both origins, from the definition."""
    k = wavenumber(ROWS_HZ)
    points_m = BEFORE.origin_m[0] + 0.3 * SPHERE[::4]

    def field(expansion: Expansion, row: int) -> np.ndarray:
        offsets_m = points_m - expansion.origin_m[row]
        degrees = degrees_of(expansion.regular)
        order = int(degrees[-1])
        radial = spherical_jn(degrees, k[row] * np.linalg.norm(offsets_m, axis=1)[:, None])
        return expansion.regular[row] @ (radial * harmonics_of(order, offsets_m)).T

    for row in range(4):
        assert_close(field(AFTER, row), field(BEFORE, row))


@pytest.mark.parametrize("name", ["outgoing", "regular"])
def test_there_and_back(name: str) -> None:
    back = recenter(AFTER, BEFORE.origin_m)
    np.testing.assert_allclose(back.origin_m, BEFORE.origin_m, rtol=0, atol=1e-15)
    before, after = getattr(BEFORE, name), getattr(back, name)
    error = np.linalg.norm(after[:, :, : before.shape[2]] - before, axis=2)
    # what the first move leaves out is missing in the second
    assert np.all(error <= 1e-9 * np.linalg.norm(before, axis=2))
    assert np.all(np.linalg.norm(after[:, :, before.shape[2] :], axis=2) <= 1e-9 * np.linalg.norm(before, axis=2))


def test_columns_beyond_an_order_hold_zeros() -> None:
    for name in ("outgoing", "regular"):
        orders = getattr(AFTER, f"{name}_order")
        assert np.all(orders > getattr(BEFORE, f"{name}_order"))
        for row, order in enumerate(orders):
            assert not getattr(AFTER, name)[row, :, coefficient_count(int(order)) :].any()
            assert getattr(AFTER, name)[row, :, order * order : (order + 1) ** 2].any(axis=1).all()
        assert getattr(AFTER, name).shape[2] == coefficient_count(int(orders.max()))


def test_rows_without_a_centre_stay() -> None:
    center_m = BEFORE.acoustic_center_m.copy()
    center_m[[0, 2]] = np.nan
    moved = recenter(BEFORE, center_m)
    for row in (0, 2):
        np.testing.assert_array_equal(moved.origin_m[row], BEFORE.origin_m[row])
        for name in ("outgoing", "regular"):
            order = getattr(BEFORE, f"{name}_order")[row]
            assert getattr(moved, f"{name}_order")[row] == order
            expected = getattr(BEFORE, name)[row, :, : coefficient_count(int(order))]
            # through the same code: a shift of nothing, turned axes not needed
            np.testing.assert_allclose(getattr(moved, name)[row, :, : expected.shape[1]], expected, rtol=1e-13)
    for row in (1, 3):
        np.testing.assert_array_equal(moved.outgoing[row, :, :441], AFTER.outgoing[row, :, :441])
    # a row that was never solved holds zeros, and keeps them
    empty = replace(BEFORE, outgoing=0 * BEFORE.outgoing)
    assert not recenter(empty, center_m).outgoing.any()


def test_no_regular_set_stays_none() -> None:
    moved = recenter(expansion_about(np.zeros(3), regular=False), SHIFT_M)
    assert moved.regular_order.tolist() == [-1] * 4
    assert moved.regular.shape == (4, 2, 0)
    # one row without it among others that have it
    mixed = replace(BEFORE, regular_order=np.array([3, -1, 3, 3]))
    moved = recenter(mixed, BEFORE.acoustic_center_m)
    assert moved.regular_order[1] == -1
    assert np.all(moved.regular_order[[0, 2, 3]] > 3)
    assert not moved.regular[1].any()


def test_the_sphere_around_the_source_grows_by_the_farthest_move() -> None:
    np.testing.assert_allclose(AFTER.source_radius_m, SOURCE_RADIUS_M + 0.03, rtol=1e-12)
    # every monopole inside, about every origin
    places_m = BEFORE.origin_m[0] + 0.1 * spiral(5)
    assert np.linalg.norm(places_m[:, None] - AFTER.origin_m, axis=2).max() < AFTER.source_radius_m
    still = recenter(BEFORE, np.full((4, 3), np.nan))
    assert still.source_radius_m == SOURCE_RADIUS_M


# ---- the stage ----------------------------------------------------------------------------------------------------

RINGS, SURFACE = cylinder_scan(400, 0.28, 0.28, azimuths=20)
SCENE_HZ = np.array([50.0, 100.0, 200.0, 400.0, 800.0])
PAIR = MonopoleCluster((Monopole((0.06, 0.02, -0.05)), Monopole((0.04, -0.03, 0.08), 0.6, 5e-5)), 2e-4)


def spectra_of(**stated: object) -> Spectra:
    """Two monopoles in free field, two cylinders around them, noise at -60 dB."""
    pressure = noisy_pressure(PAIR, FreeField(), SCENE_HZ, RINGS, -60.0, np.random.default_rng(1))
    return make_spectra(RINGS, SCENE_HZ, pressure, SURFACE, **stated)


@cache
def expansion_of(origin_m: str) -> Expansion:
    usable = np.array([True, True, True, False, True])
    settings = Settings(expansion=ExpansionSettings.model_validate({"origin_m": origin_m}))
    return expand(spectra_of(usable=usable), settings)


def test_the_setting_moves_the_origin_and_nothing_else() -> None:
    still, moved = expansion_of("auto"), expansion_of("acoustic center")
    np.testing.assert_array_equal(moved.acoustic_center_m, still.acoustic_center_m)
    np.testing.assert_array_equal(moved.origin_m, still.acoustic_center_m)
    # 6 cm beside the origin, between the two
    assert np.all(np.linalg.norm(moved.origin_m - still.origin_m, axis=1) > 0.03)
    np.testing.assert_allclose(moved.origin_m[-1], [0.055, 0.005, -0.01], rtol=0, atol=0.02)
    solved = [0, 1, 2, 4]
    fields = [far_field_pressure(one, AXIS, SPHERE)[solved] for one in (still, moved)]
    # kd is 1 at most
    assert_close(fields[1], fields[0])
    np.testing.assert_allclose(sound_power(moved)[solved], sound_power(still)[solved], rtol=1e-9)
    for name in ("verdict", "random_error_db", "condition"):
        np.testing.assert_array_equal(getattr(moved.quality, name), getattr(still.quality, name))


def test_tables_stay() -> None:
    """All standard tables, from either origin."""
    fields = [
        extrapolate(expansion_of(name), AXIS, polar_directions(), ExtrapolationSettings())
        for name in ("auto", "acoustic center")
    ]
    tables = [tabulate(field, TableSettings(), {}) for field in fields]
    assert len(tables[0]) == 4
    for before, after in zip(*tables, strict=True):
        assert before.header == after.header
        # levels in dB and phases in degrees: 1e-9 of a pressure is 1e-8 dB and 6e-8 degrees, more where it is low
        np.testing.assert_allclose(after.values, before.values, rtol=1e-9, atol=1e-6)


def test_moving_lowers_the_slope_energy() -> None:
    """What it is for."""
    still, moved = expansion_of("auto"), expansion_of("acoustic center")
    for row in (0, 1, 2, 4):
        energies = []
        for one in (still, moved):
            energy = np.abs(one.outgoing[row, 0]) ** 2
            degrees = degrees_of(energy)
            energies.append(energy @ (degrees * (degrees + 1.0)) / energy.sum())
        assert energies[1] < energies[0]


@pytest.mark.parametrize(
    ("center_m", "expected_m"),
    [
        ((0.0, 0.0, 0.04), (0.0, 0.0, 0.04)),
        # 0.24 m to the nearest point: a fifth of that is near
        ((0.04, 0.0, 0.04), (0.0, 0.0, 0.04)),
        ((0.03, -0.025, 0.0), (0.0, 0.0, 0.0)),
        ((0.06, 0.0, 0.04), (0.06, 0.0, 0.04)),
    ],
)
def test_origin_of_a_cabinet_goes_onto_a_near_ring_axis(
    center_m: tuple[float, float, float], expected_m: tuple[float, float, float]
) -> None:
    spectra = spectra_of(cabinet=Cabinet(np.array([0.2, 0.2, 0.3]), np.array(center_m)))
    expansion = expand(spectra, Settings(orders=OrderSettings(truncation_db=-30.0)))
    np.testing.assert_array_equal(expansion.origin_m, np.tile(expected_m, (len(SCENE_HZ), 1)))
    assert (recognise_rings(RINGS - expansion.origin_m[0], 8) is not None) == (expected_m[0] == 0.0)


def test_without_rings_the_origin_is_the_centre() -> None:
    """1 mm of jitter: there is no axis to be near."""
    jittered = RINGS + np.random.default_rng(2).normal(0.0, 1e-3, RINGS.shape)
    cabinet = Cabinet(np.array([0.2, 0.2, 0.3]), np.array([0.04, 0.0, 0.04]))
    spectra = replace(spectra_of(cabinet=cabinet), positions_m=jittered)
    expansion = expand(spectra, Settings(orders=OrderSettings(truncation_db=-30.0)))
    np.testing.assert_array_equal(expansion.origin_m, np.tile([0.04, 0.0, 0.04], (len(SCENE_HZ), 1)))


def test_a_small_driver_on_a_sphere_seems_to_stand_half_a_radius_before_it() -> None:
    """A textbook value: at low frequency the centre of a small piston on a sphere of radius a lies at 1.5 a.

    The far field of a moving point of a rigid sphere is sum i^(n+1) (2n+1) P_n / h_n'(ka) (Morse & Ingard,
    Theoretical Acoustics, 1968, section 7.2; from memory). As ka vanishes, degree 1 over degree 0 is (3/2) i ka, as
    of a monopole 1.5 a off the origin.
    """
    radius_m, ka, top = 0.15, 0.02, 4
    degrees = np.arange(top + 1)
    slope = spherical_jn(degrees, ka, derivative=True) - 1j * spherical_yn(degrees, ka, derivative=True)
    coefficients = np.zeros((1, (top + 1) ** 2), dtype=np.complex128)
    coefficients[0, degrees * degrees + degrees] = np.sqrt((2 * degrees + 1) / (4 * np.pi)) / slope
    curvature, gradient = slope_quadratic(coefficients, ka / radius_m, top)
    # the next term of the series is of order (ka)^2, 4e-4
    np.testing.assert_allclose(
        -np.linalg.solve(curvature, gradient), [0.0, 0.0, 1.5 * radius_m], rtol=5e-4, atol=1e-9
    )
