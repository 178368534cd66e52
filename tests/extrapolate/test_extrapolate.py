"""Pressure and power from the coefficients of an offset monopole, known in closed form.

exp(-ikR)/(4 pi R) with the source at r0 from the origin has c_nm = -ik j_n(k r0) conj(Y_nm(direction of r0))
([DLMF] 10.60.2 with the addition theorem). Worked levels: density 1.204 kg/m3, sound speed 343.2 m/s, rms
volume velocity 1e-3 m3/s, 1 kHz.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import sph_harm_y, spherical_jn

from fieldproc.conventions import directions_from_angles, level_db, output_axes, power_db
from fieldproc.errors import UsageError
from fieldproc.extrapolate import (
    deviations_at,
    extrapolate,
    extrapolate_blocks,
    far_field_deviations,
    far_field_pressure,
    pressure_at,
    sound_power,
)
from fieldproc.records import Deviations, Expansion, Quality, ReferenceAxis
from fieldproc.settings import ExtrapolationSettings

SOUND_SPEED_M_PER_S = 343.2
DENSITY_KG_PER_M3 = 1.204
VOLUME_VELOCITY_M3_PER_S = 1e-3
FREQUENCY_HZ = np.array([125.0, 1000.0])
K = 2 * np.pi * FREQUENCY_HZ / SOUND_SPEED_M_PER_S
# p = i rho f Q / (2 R) exp(-ikR)
STRENGTH_PA_M = 0.5j * DENSITY_KG_PER_M3 * FREQUENCY_HZ * VOLUME_VELOCITY_M3_PER_S
FRONT, LEFT, UP = np.eye(3)
SCAN_AXIS = ReferenceAxis()
# j_n(2.6), the largest k r0 here, times h_n at the points: below 1e-15 of the sum from degree 26 on
ORDER = 26


def monopole_coefficients(place_m: np.ndarray) -> np.ndarray:
    """c_nm of a monopole of strength STRENGTH_PA_M at ``place_m`` from the origin, (frequency, coefficient)."""
    distance_m = float(np.linalg.norm(place_m))
    colatitude = np.arccos(place_m[2] / distance_m) if distance_m else 0.0
    azimuth = np.arctan2(place_m[1], place_m[0])
    columns = []
    for n in range(ORDER + 1):
        for m in range(-n, n + 1):
            harmonic = np.conj(sph_harm_y(n, m, colatitude, azimuth))
            columns.append(-1j * K * spherical_jn(n, K * distance_m) * harmonic * 4 * np.pi * STRENGTH_PA_M)
    return np.stack(columns, axis=1)


def expansion_of(place_m: np.ndarray, origin_m: np.ndarray | None = None, source_radius_m: float = 0.15) -> Expansion:
    """A monopole at ``place_m`` from the expansion origin, which lies at ``origin_m`` in the scan."""
    one = np.zeros((2, 1))
    quality = Quality(
        residual_db=one,
        leave_one_out_db=one,
        room_to_direct_db=one,
        random_error_db=one,
        level_uncertainty_db=one,
        verdict=np.zeros((2, 1), dtype=np.int64),
        condition=np.ones(2),
        noise_gain_db=np.zeros(2),
        truncation_db=np.zeros(2),
        regularisation=one,
        scattering_db=one,
        overlap_difference_db=one,
        gated_share=np.zeros(2),
        point_residual_db=np.zeros((1, 5)),
    )
    return Expansion(
        frequency_hz=FREQUENCY_HZ,
        outgoing=monopole_coefficients(place_m)[:, None, :],
        regular=np.zeros((2, 1, 0), dtype=np.complex128),
        outgoing_order=np.array([ORDER, ORDER]),
        regular_order=np.array([-1, -1]),
        origin_m=np.tile(np.zeros(3) if origin_m is None else origin_m, (2, 1)),
        acoustic_center_m=np.full((2, 3), np.nan),
        sound_speed_m_per_s=SOUND_SPEED_M_PER_S,
        air_density_kg_per_m3=DENSITY_KG_PER_M3,
        source_radius_m=source_radius_m,
        channel_names=("full range",),
        quality=quality,
    )


def closed_form(place_m: np.ndarray, positions_m: np.ndarray) -> np.ndarray:
    """(frequency, 1, point)."""
    distance_m = np.linalg.norm(positions_m - place_m, axis=1)
    return (STRENGTH_PA_M[:, None] * np.exp(-1j * K[:, None] * distance_m) / distance_m)[:, None]


CENTRED = expansion_of(np.zeros(3))
OFFSET = expansion_of(0.1 * FRONT)
# Rounding of sums of 729 terms whose size is that of the result.
CLOSE = 1e-12
# errors are held in single precision, 6e-8 of each of a few coefficients
SINGLE = 1e-6


def test_level_of_a_centred_monopole() -> None:
    # rho f Q / 2 = 0.602 Pa at 1 kHz, 18.06 dB less at an eighth of the frequency
    expected = np.array([89.5713 - 18.0618, 89.5713])
    for pressure in (
        far_field_pressure(CENTRED, SCAN_AXIS, FRONT[None]),
        pressure_at(CENTRED, SCAN_AXIS, FRONT[None], 1.0),
    ):
        np.testing.assert_allclose(level_db(pressure)[:, 0, 0], expected, rtol=0, atol=1e-4)


@pytest.mark.parametrize(
    ("direction", "distance_m", "expected_db"),
    [
        # 20 lg(r / R), worked by hand: 0.1 m in front of the origin, re the centred monopole
        (FRONT, 1.0, 0.91515),
        (FRONT, 2.0, 0.44553),
        (FRONT, 3.0, 0.29447),
        (FRONT, 10.0, 0.08730),
        (-FRONT, 1.0, -0.82785),
        (LEFT, 1.0, -0.04321),
    ],
)
def test_offset_monopole_at_a_distance(direction: np.ndarray, distance_m: float, expected_db: float) -> None:
    offset, centred = (pressure_at(one, SCAN_AXIS, direction[None], distance_m) for one in (OFFSET, CENTRED))
    # half of the last digit printed, at both frequencies
    np.testing.assert_allclose(
        level_db(offset) - level_db(centred), np.full((2, 1, 1), expected_db), rtol=0, atol=5e-6
    )


def test_far_field_of_an_offset_monopole_has_its_level_and_its_lead() -> None:
    directions = np.stack([FRONT, -FRONT, LEFT, (FRONT + UP) / np.sqrt(2)])
    found = far_field_pressure(OFFSET, SCAN_AXIS, directions)
    expected = STRENGTH_PA_M[:, None] * np.exp(1j * K[:, None] * (directions @ (0.1 * FRONT)))
    np.testing.assert_allclose(found[:, 0], expected, rtol=CLOSE)


def test_pressure_at_a_distance_is_the_closed_form() -> None:
    place_m, origin_m = np.array([0.03, -0.05, 0.02]), np.array([0.5, 0.1, -0.2])
    axis = ReferenceAxis(origin_m=np.array([0.6, 0.1, -0.2]))
    directions = directions_from_angles(np.array([0.0, 77.0, -140.0, 10.0]), np.array([0.0, 20.0, -60.0, 90.0]))
    found = pressure_at(expansion_of(place_m, origin_m), axis, directions, 0.7)
    expected = closed_form(origin_m + place_m, axis.origin_m + 0.7 * directions)
    np.testing.assert_allclose(found, expected, rtol=CLOSE)


def test_far_field_is_the_limit_of_true_pressure() -> None:
    """At 1 km, where the difference is (k r0)^2 / (2 k r) = 1e-4."""
    directions = directions_from_angles(np.array([0.0, 60.0]), np.array([0.0, 30.0]))
    axis = ReferenceAxis(origin_m=np.array([-0.04, 0.02, 0.01]))
    far = far_field_pressure(OFFSET, axis, directions)
    true = pressure_at(OFFSET, axis, directions, 1000.0) * 1000.0 * np.exp(1j * K * 1000.0)[:, None, None]
    np.testing.assert_allclose(true, far, rtol=3e-4)


def test_reference_distance_and_quantity() -> None:
    settings = ExtrapolationSettings(reference_distance_m=2.0)
    far = extrapolate(OFFSET, SCAN_AXIS, FRONT[None], settings)
    # scaled to 2 m: half of 1 m
    np.testing.assert_allclose(np.abs(far.pressure_pa[1, 0, 0]), 0.301, rtol=CLOSE)
    assert (far.distance_m, far.reference_distance_m) == (np.inf, 2.0)
    true = extrapolate(OFFSET, SCAN_AXIS, FRONT[None], settings.model_copy(update={"quantity": "true pressure"}))
    # 1.9 m from the source; propagation over 2 m removed leaves a lead of 0.1 m
    expected = STRENGTH_PA_M / 1.9 * np.exp(0.1j * K)
    np.testing.assert_allclose(true.pressure_pa[:, 0, 0], expected, rtol=CLOSE)
    assert (true.distance_m, true.reference_distance_m) == (2.0, 2.0)


def test_latency_is_taken_out() -> None:
    latency_s = 0.0021
    late = np.exp(-2j * np.pi * FREQUENCY_HZ * latency_s)[:, None, None] * OFFSET.outgoing
    for quantity in ("far field", "true pressure"):
        settings = ExtrapolationSettings(quantity=quantity, latency_s=latency_s)  # type: ignore[arg-type]
        found = extrapolate(replace(OFFSET, outgoing=late), SCAN_AXIS, FRONT[None], settings)
        prompt = extrapolate(OFFSET, SCAN_AXIS, FRONT[None], settings.model_copy(update={"latency_s": 0.0}))
        np.testing.assert_allclose(found.pressure_pa, prompt.pressure_pa, rtol=CLOSE)


def test_sound_power_wherever_the_monopole_stands() -> None:
    # rho c k^2 Q^2 / (4 pi) = 11.021205 mW = 100.4223 dB re 1 pW at 1 kHz; proportional to f^2
    for expansion in (CENTRED, OFFSET, expansion_of(np.array([0.02, -0.06, 0.07]))):
        power_w = sound_power(expansion)
        np.testing.assert_allclose(power_w[:, 0], [0.011021205 / 64, 0.011021205], rtol=1e-7)
        np.testing.assert_allclose(power_db(power_w[1, 0] / 1e-12), 100.4223, rtol=0, atol=1e-4)


def test_distance_inside_the_source_is_refused() -> None:
    with pytest.raises(UsageError, match=r"distance 0\.15 m comes within 0\.150 m of .* \(radius 0\.150 m\); give"):
        pressure_at(OFFSET, SCAN_AXIS, FRONT[None], 0.15)
    # the axis origin counts: 0.3 m ahead of the expansion origin, 0.4 m back is close to it again
    ahead = ReferenceAxis(origin_m=0.3 * FRONT)
    with pytest.raises(UsageError, match=r"within 0\.100 m of the expansion origin"):
        pressure_at(OFFSET, ahead, np.stack([FRONT, -FRONT]), 0.4)
    assert np.isfinite(pressure_at(OFFSET, ahead, FRONT[None], 0.4)).all()


def test_a_source_to_the_left_and_above_is_louder_there() -> None:
    """The loudspeaker faces +y of the scan, so -x is to its left; it stands away from the scan's origin."""
    axis = ReferenceAxis(np.array([1.0, 2.0, 0.5]), direction=np.array([0.0, 1.0, 0.0]), up=np.array([0.0, 0.2, 1.0]))
    place_m = np.array([-0.1, 0.0, 0.1])
    expansion = expansion_of(place_m, axis.origin_m)
    azimuth_deg, elevation_deg = np.array([90.0, -90.0, 0.0, 0.0]), np.array([0.0, 0.0, 90.0, -90.0])
    directions = directions_from_angles(azimuth_deg, elevation_deg)
    pressure = pressure_at(expansion, axis, directions, 0.5)
    left, right, above, below = level_db(pressure[0, 0])
    # 10 lg (0.6^2 + 0.1^2) / (0.4^2 + 0.1^2)
    np.testing.assert_allclose([left - right, above - below], [3.3775, 3.3775], rtol=1e-4)
    in_scan_m = axis.origin_m + 0.5 * directions @ output_axes(axis.direction, axis.up)
    np.testing.assert_allclose(in_scan_m[0], [0.5, 2.0, 0.5], rtol=1e-12)
    np.testing.assert_allclose(pressure, closed_form(axis.origin_m + place_m, in_scan_m), rtol=CLOSE)
    # far away both levels are equal, and the nearer side is ahead in phase
    far = far_field_pressure(expansion, axis, directions)[0, 0]
    np.testing.assert_allclose(np.angle(far[[0, 2]] / far[[1, 3]]), np.full(2, 0.2 * K[0]), rtol=1e-9)


def test_coefficients_beyond_the_order_do_not_count() -> None:
    cut = replace(OFFSET, outgoing_order=np.array([0, ORDER]))
    found = far_field_pressure(cut, SCAN_AXIS, np.stack([FRONT, -FRONT]))
    # degree 0 alone is the same all round
    np.testing.assert_allclose(found[0, 0, 0], found[0, 0, 1], rtol=CLOSE)
    np.testing.assert_array_equal(found[1], far_field_pressure(OFFSET, SCAN_AXIS, np.stack([FRONT, -FRONT]))[1])


def test_a_frequency_without_a_fit_stays_unknown() -> None:
    quality = replace(OFFSET.quality, condition=np.array([np.nan, 1.0]))
    unsolved = replace(OFFSET, quality=quality)
    far_field = extrapolate(unsolved, SCAN_AXIS, FRONT[None], ExtrapolationSettings())
    assert np.isnan(far_field.pressure_pa[0]).all()
    assert np.isnan(far_field.sound_power_w[0]).all()
    assert np.isnan(pressure_at(unsolved, SCAN_AXIS, FRONT[None], 1.0)[0]).all()
    np.testing.assert_allclose(np.abs(far_field.pressure_pa[1]), [[0.602]], rtol=CLOSE)


def test_air_takes_its_share_over_the_distance_from_the_axis_origin() -> None:
    absorption_db_per_m = np.array([0.0004453, 0.35])
    lossy = replace(OFFSET, absorption_db_per_m=absorption_db_per_m)
    axis = ReferenceAxis(origin_m=np.array([0.2, 0.0, 0.1]))
    settings = ExtrapolationSettings(quantity="true pressure", reference_distance_m=4.0, air_absorption=True)
    with_air = extrapolate(lossy, axis, FRONT[None], settings).pressure_pa
    without = extrapolate(lossy, axis, FRONT[None], settings.model_copy(update={"air_absorption": False})).pressure_pa
    np.testing.assert_allclose(
        level_db(without)[:, 0, 0] - level_db(with_air)[:, 0, 0], 4.0 * absorption_db_per_m, rtol=0, atol=1e-11
    )
    # the phase is that of lossless air
    np.testing.assert_allclose(np.angle(with_air / without), np.zeros((2, 1, 1)), rtol=0, atol=1e-12)
    np.testing.assert_array_equal(
        far_field_pressure(lossy, axis, FRONT[None]), far_field_pressure(OFFSET, axis, FRONT[None])
    )


def test_absorption_that_is_not_known_is_refused() -> None:
    assert np.isfinite(pressure_at(OFFSET, SCAN_AXIS, FRONT[None], 1.0)).all()
    with pytest.raises(UsageError, match="absorption of the air is not known here; run the session again"):
        pressure_at(OFFSET, SCAN_AXIS, FRONT[None], 1.0, air_absorption=True)


# --- what these may be off by -------------------------------------------------------------------------

# Two channels, three vectors, and fewer coefficients at the first frequency than the expansion has.
OFF_AXIS = ReferenceAxis(origin_m=np.array([0.2, 0.0, 0.1]))
VECTORS, COUNTS = 3, (1, (ORDER + 1) ** 2)
ALL_ROUND = directions_from_angles(np.array([0.0, 30.0, -120.0, 80.0]), np.array([0.0, 10.0, -45.0, 60.0]))
QUANTITIES = ("far field", "true pressure")


def doubtful(size: float = 0.01) -> Expansion:
    """The offset monopole twice, and vectors as large as a share of it."""
    rng = np.random.default_rng(8)
    outgoing = OFFSET.outgoing * np.array([1.0, -0.5j])[:, None]
    rows = []
    for own, count in zip(outgoing, COUNTS, strict=True):
        by = rng.normal(size=(2, VECTORS, count)) + 1j * rng.normal(size=(2, VECTORS, count))
        rows.append((size * by * own[:, None, :count]).astype(np.complex64))
    two = {name: np.repeat(getattr(OFFSET.quality, name), 2, axis=-1) for name in TWO_CHANNELS}
    return replace(
        OFFSET,
        outgoing=outgoing,
        regular=np.zeros((2, 2, 0), dtype=np.complex128),
        channel_names=("one", "two"),
        absorption_db_per_m=np.array([0.0004453, 0.35]),
        quality=replace(OFFSET.quality, **two, point_residual_db=np.zeros((2, 5))),
        deviations=Deviations(tuple(rows), tuple(row[..., :0] for row in rows), VECTORS - 1, ("latency",)),
    )


TWO_CHANNELS = [name for name, axes in Quality.AXES.items() if axes == ("frequency", "channel")]


def vector_as_field(expansion: Expansion, vector: int) -> Expansion:
    """The waves of a vector alone."""
    assert expansion.deviations is not None
    outgoing = np.zeros_like(expansion.outgoing)
    for row, own in enumerate(expansion.deviations.outgoing):
        outgoing[row, :, : own.shape[2]] = own[:, vector]
    return replace(expansion, outgoing=outgoing, deviations=None)


def settings_of(quantity: str) -> ExtrapolationSettings:
    true = quantity == "true pressure"
    return ExtrapolationSettings(
        quantity=quantity,  # type: ignore[arg-type]
        reference_distance_m=1.7,
        latency_s=3e-4,
        air_absorption=true,
    )


def test_errors_of_pressures_are_the_fields_of_their_vectors() -> None:
    expansion = doubtful()
    far, near = (
        far_field_deviations(expansion, OFF_AXIS, ALL_ROUND),
        deviations_at(expansion, OFF_AXIS, ALL_ROUND, 1.7, air_absorption=True),
    )
    assert far.shape == near.shape == (2, 2, VECTORS, len(ALL_ROUND))
    for vector in range(VECTORS):
        alone = vector_as_field(expansion, vector)
        expected = far_field_pressure(alone, OFF_AXIS, ALL_ROUND)
        np.testing.assert_allclose(far[:, :, vector], expected, rtol=0, atol=SINGLE * np.abs(expected).max())
        expected = pressure_at(alone, OFF_AXIS, ALL_ROUND, 1.7, air_absorption=True)
        np.testing.assert_allclose(near[:, :, vector], expected, rtol=0, atol=SINGLE * np.abs(expected).max())


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_errors_of_a_far_field_are_scaled_and_turned_as_it_is(quantity: str) -> None:
    expansion, settings = doubtful(), settings_of(quantity)
    found = extrapolate(expansion, OFF_AXIS, ALL_ROUND, settings).errors
    assert found is not None
    assert (found.draws, found.causes) == (VECTORS - 1, ("latency",))
    for vector in range(VECTORS):
        alone = vector_as_field(expansion, vector)
        expected = extrapolate(alone, OFF_AXIS, ALL_ROUND, settings)
        np.testing.assert_allclose(
            found.pressure_pa[:, :, vector],
            expected.pressure_pa,
            rtol=0,
            atol=SINGLE * np.abs(expected.pressure_pa).max(),
        )
        assert expected.errors is None


def test_errors_of_the_power_are_its_slope() -> None:
    """Against the power of the coefficients with a millionth of a vector, up and down."""
    expansion, step = doubtful(), 1e-6
    errors = extrapolate(expansion, OFF_AXIS, ALL_ROUND, settings_of("far field")).errors
    assert errors is not None
    assert errors.power.shape == (2, 2, VECTORS)
    power_w = sound_power(expansion)
    for vector in range(VECTORS):
        by = step * vector_as_field(expansion, vector).outgoing
        more, less = (sound_power(replace(expansion, outgoing=expansion.outgoing + sign * by)) for sign in (1, -1))
        # differences of 1e-8 of numbers with 16 digits
        np.testing.assert_allclose(
            errors.power[:, :, vector], (more - less) / (2 * step * power_w), rtol=0, atol=1e-8
        )
    assert np.abs(errors.power).min() > 1e-5


def test_coefficients_that_do_not_count_make_no_error_of_the_power() -> None:
    """Vectors longer than the order, and a channel that radiates nothing."""
    short = replace(doubtful(), outgoing_order=np.array([0, ORDER]))
    whole = doubtful()
    for one in (short, whole):
        silent = one.outgoing.copy()
        silent[:, 1] = 0.0
        errors = extrapolate(replace(one, outgoing=silent), OFF_AXIS, ALL_ROUND, settings_of("far field")).errors
        assert errors is not None
        # relative to nothing
        assert np.isnan(errors.power[:, 1]).all()
        assert np.isfinite(errors.power[:, 0]).all()
    first = whole.deviations.outgoing[0][0, :, 0]  # type: ignore[union-attr]
    errors = extrapolate(short, OFF_AXIS, ALL_ROUND, settings_of("far field")).errors
    assert errors is not None
    np.testing.assert_allclose(errors.power[0, 0], 2.0 * (first / short.outgoing[0, 0, 0]).real, rtol=1e-6)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_a_frequency_without_a_fit_has_no_errors_and_one_that_lacks_vectors_has_zeros(quantity: str) -> None:
    expansion = doubtful()
    assert expansion.deviations is not None
    settings = settings_of(quantity)
    usual = extrapolate(expansion, OFF_AXIS, ALL_ROUND, settings).errors
    assert usual is not None
    nothing = np.zeros((2, 0, 0), dtype=np.complex64)
    for first in (nothing, expansion.deviations.outgoing[0][:, :0], expansion.deviations.outgoing[0][:, :2]):
        rows = (first, expansion.deviations.outgoing[1])
        lacking = replace(expansion, deviations=replace(expansion.deviations, outgoing=rows))
        errors = extrapolate(lacking, OFF_AXIS, ALL_ROUND, settings).errors
        assert errors is not None
        for values, whole in ((errors.pressure_pa, usual.pressure_pa), (errors.power, usual.power)):
            np.testing.assert_array_equal(values[1], whole[1])
            if first.shape[1]:
                np.testing.assert_array_equal(values[0, :, :2], whole[0, :, :2])
                assert not values[0, :, 2:].any()
            else:
                assert np.isnan(values[0]).all()


def test_errors_that_were_not_asked_for_are_not_known() -> None:
    assert extrapolate(OFFSET, SCAN_AXIS, FRONT[None], ExtrapolationSettings()).errors is None


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_a_far_field_in_blocks_is_the_far_field(quantity: str) -> None:
    expansion, settings = doubtful(), settings_of(quantity)
    whole = extrapolate(expansion, OFF_AXIS, ALL_ROUND, settings)
    first, second = extrapolate_blocks(expansion, OFF_AXIS, ALL_ROUND, settings, block=1)
    assert whole.errors is not None
    for row, part in enumerate((first, second)):
        assert part.errors is not None
        np.testing.assert_array_equal(part.frequency_hz, FREQUENCY_HZ[row : row + 1])
        np.testing.assert_array_equal(part.pressure_pa[0], whole.pressure_pa[row])
        np.testing.assert_array_equal(part.sound_power_w[0], whole.sound_power_w[row])
        np.testing.assert_array_equal(part.errors.pressure_pa[0], whole.errors.pressure_pa[row])
        np.testing.assert_array_equal(part.errors.power[0], whole.errors.power[row])
