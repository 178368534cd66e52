"""Known point sources: a perfect one passes, every kind of wrong one fails and names the check."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.errors import NumericalError
from fieldproc.records import FarField
from fieldproc.settings import ValidationSettings
from fieldproc.validate import Validation, validate, validation_directions

SOUND_SPEED_M_PER_S = 343.2
DENSITY_KG_PER_M3 = 1.204
FREQUENCY_HZ = np.array([30.0, 63.0, 125.0, 250.0, 500.0, 1000.0, 4000.0])
K = 2 * np.pi * FREQUENCY_HZ / SOUND_SPEED_M_PER_S
PLACE_M = np.array([0.032, -0.021, 0.043])
VOLUME_VELOCITY_M3_PER_S = 1e-3
# A wrong place: 5 mm higher.
RAISED_M = np.array([0.0, 0.0, 0.005])
# Pressure at 1 m of a monopole, rho f Q / 2: 0.602 Pa at 1 kHz.
STRENGTH_PA = 0.5j * DENSITY_KG_PER_M3 * FREQUENCY_HZ * VOLUME_VELOCITY_M3_PER_S
DIRECTIONS, WEIGHTS = validation_directions()
GOOD = np.zeros(7, dtype=np.int64)


def monopole(place_m: np.ndarray = PLACE_M, strength: float = 1.0, reference_m: float = 1.0) -> FarField:
    pressure = strength * STRENGTH_PA[:, None] * np.exp(1j * K[:, None] * (DIRECTIONS @ place_m))
    return far_field(pressure / reference_m, reference_m)


def far_field(pressure: np.ndarray, reference_m: float = 1.0) -> FarField:
    return FarField(
        frequency_hz=FREQUENCY_HZ,
        directions=DIRECTIONS,
        pressure_pa=pressure[:, None],
        sound_power_w=np.full((7, 1), np.nan),
        distance_m=np.inf,
        channel_names=("full range",),
        reference_distance_m=reference_m,
        air_density_kg_per_m3=DENSITY_KG_PER_M3,
        sound_speed_m_per_s=SOUND_SPEED_M_PER_S,
    )


def validated(record: FarField, strength: float | None = VOLUME_VELOCITY_M3_PER_S, **settings: float) -> Validation:
    return validate(record, GOOD, PLACE_M, strength, ValidationSettings(**settings))


def test_directions_are_the_70_and_a_sphere() -> None:
    assert np.count_nonzero(WEIGHTS == 0) == 70
    # ANSI/CTA-2034-A counts on axis and straight behind once: all 70 differ
    standard = np.round(DIRECTIONS[WEIGHTS == 0], 12) + 0.0
    assert len(np.unique(standard, axis=0)) == 70
    np.testing.assert_allclose(np.linalg.norm(DIRECTIONS, axis=1), 1.0, rtol=1e-14)
    # mean of 1, x^2 and x^2 y^2 z^2 over the sphere: 1, 1/3 and 1/105
    sums = [WEIGHTS.sum(), WEIGHTS @ DIRECTIONS[:, 0] ** 2, WEIGHTS @ np.prod(DIRECTIONS**2, axis=1)]
    np.testing.assert_allclose(sums, [1.0, 1 / 3, 1 / 105], rtol=1e-12)


@pytest.mark.parametrize("reference_m", [1.0, 2.0])
def test_a_perfect_monopole_passes(reference_m: float) -> None:
    result = validated(monopole(reference_m=reference_m))
    assert result.failures == ()
    # a hundredth of a millimetre is far below any tolerance; the optimiser stops within 1e-9 m
    np.testing.assert_allclose(result.place_m, PLACE_M, rtol=0, atol=1e-8)
    # by hand: 0.602 Pa at 1 kHz is 89.5713 dB at 1 m
    np.testing.assert_allclose(result.table.column("level_db")[5], 89.5713, rtol=0, atol=1e-4)
    for column in ("ripple_db", "phase_error_deg", "level_error_db", "place_error_m"):
        # rounding, and at 30 Hz a place from phases that turn by 3 degrees
        assert (np.abs(result.table.column(column)) < 1e-5).all(), column
    assert (result.table.column("off_monopole_db") < -100.0).all()
    np.testing.assert_array_equal(result.table.column("frequency_hz"), FREQUENCY_HZ)


def test_a_dipole_in_it_is_ripple() -> None:
    """A share e cos(azimuth) beside the monopole: level between 20 lg (1 - e) and 20 lg (1 + e)."""
    share = 0.01
    pressure = monopole(np.zeros(3)).pressure_pa[:, 0] * (1.0 + share * DIRECTIONS[:, 0])
    result = validate(far_field(pressure), GOOD, np.zeros(3), VOLUME_VELOCITY_M3_PER_S, ValidationSettings())
    np.testing.assert_allclose(result.table.column("ripple_db"), 20 * np.log10((1 + share) / (1 - share)), rtol=1e-6)
    # power of the dipole: a third of e^2
    np.testing.assert_allclose(result.table.column("off_monopole_db"), 10 * np.log10(share**2 / 3), rtol=1e-4)
    assert len(result.failures) == 1
    assert result.failures[0].startswith("level ripple over angle: 0.174 dB at ")
    assert result.failures[0].endswith("limit 0.1 dB")


def test_a_dipole_in_quadrature_looks_like_a_displacement() -> None:
    """i e cos(azimuth) turns phases as a shift of e / k does: one place cannot explain all frequencies."""
    pressure = monopole(np.zeros(3)).pressure_pa[:, 0] * (1.0 + 0.01j * DIRECTIONS[:, 0])
    result = validate(far_field(pressure), GOOD, np.zeros(3), None, ValidationSettings(ripple_db=10.0))
    # at each frequency alone: e / k
    np.testing.assert_allclose(result.table.column("place_error_m"), 0.01 / K, rtol=1e-3)


def test_a_misplaced_monopole_names_the_place() -> None:
    result = validated(monopole(PLACE_M + RAISED_M))
    assert result.failures == ("place: found 5.00 mm from the stated place, limit 2 mm",)
    np.testing.assert_allclose(result.place_m - PLACE_M, RAISED_M, rtol=0, atol=1e-8)
    # found where it is, it is a perfect monopole still
    assert (result.table.column("ripple_db") < 1e-9).all()


def test_a_wrong_level_names_the_level() -> None:
    result = validated(monopole(strength=0.98))
    # 20 lg 0.98 = -0.1755 dB
    assert len(result.failures) == 1
    assert result.failures[0].startswith("level off the stated strength: 0.175 dB at ")
    np.testing.assert_allclose(result.table.column("level_error_db"), -0.17548, rtol=1e-4)


def test_without_a_stated_strength_the_level_is_not_judged() -> None:
    result = validated(monopole(strength=0.5), strength=None)
    assert result.failures == ()
    assert np.isnan(result.table.column("level_error_db")).all()


def test_every_failed_check_is_named() -> None:
    pressure = monopole(PLACE_M + 2 * RAISED_M, strength=1.1).pressure_pa[:, 0] * (1 + 0.02 * DIRECTIONS[:, 2])
    words = [failure.partition(":")[0] for failure in validated(far_field(pressure)).failures]
    assert words == ["level ripple over angle", "level off the stated strength", "place"]


def test_only_the_band_and_what_can_be_used_is_judged() -> None:
    bad = monopole().pressure_pa[:, 0].copy()
    # below the band, above it, and a frequency not to be used within
    bad[[0, 6, 3]] *= 1.0 + 0.1 * DIRECTIONS[:, 0]
    verdict = np.array([0, 0, 0, 2, 1, 0, 0])
    result = validate(far_field(bad), verdict, PLACE_M, VOLUME_VELOCITY_M3_PER_S, ValidationSettings())
    assert result.failures == ()
    assert result.table.column("verdict_code").tolist() == verdict.tolist()
    # shown all the same
    assert (result.table.column("ripple_db")[[0, 3, 6]] > 1.0).all()


def test_frequencies_without_a_fit_stay_unknown() -> None:
    pressure = monopole().pressure_pa[:, 0].copy()
    pressure[1] = np.nan
    result = validate(far_field(pressure), np.array([0, 2, 0, 0, 0, 0, 0]), PLACE_M, None, ValidationSettings())
    assert result.failures == ()
    assert np.isnan(result.table.column("ripple_db")[1])
    assert np.isnan(result.table.column("place_error_m")[1])


def test_no_frequency_to_judge_is_refused() -> None:
    with pytest.raises(NumericalError, match="usable frequencies from 50 to 1000 Hz is 0"):
        validate(monopole(), np.full(7, 2), PLACE_M, None, ValidationSettings())
    with pytest.raises(NumericalError, match="usable frequencies from 130 to 140 Hz is 0"):
        validated(monopole(), lowest_hz=130.0, highest_hz=140.0)


def test_tolerances_come_from_the_settings() -> None:
    record = monopole(PLACE_M + RAISED_M, strength=0.98)
    assert validated(record, place_m=0.006, level_db=0.2).failures == ()
