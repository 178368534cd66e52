"""Known point sources: a perfect one passes, every kind of wrong one fails and names the check."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from validate.monopoles import (
    DIRECTIONS,
    FREQUENCY_HZ,
    PLACE_M,
    RAISED_M,
    WEIGHTS,
    K,
    checks_of,
    expansion_of,
    far_field,
    monopole,
    spectra_of,
    validated,
)

from fieldproc.errors import NumericalError
from fieldproc.records import Correction, ReferenceAxis
from fieldproc.settings import ValidationSettings
from fieldproc.validate import validate


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
    for column in ("ripple_db", "phase_error_deg", "level_error_db", "place_error_m", "distance_error_db"):
        # rounding, and at 30 Hz a place from phases that turn by 3 degrees
        assert (np.abs(result.table.column(column)) < 1e-5).all(), column
    assert (result.table.column("off_monopole_db") < -100.0).all()
    np.testing.assert_array_equal(result.table.column("frequency_hz"), FREQUENCY_HZ)


def test_a_dipole_in_it_is_ripple() -> None:
    """A share e cos(azimuth) beside the monopole: level between 20 lg (1 - e) and 20 lg (1 + e)."""
    share = 0.01
    pressure = monopole(np.zeros(3)).pressure_pa[:, 0] * (1.0 + share * DIRECTIONS[:, 0])
    result = validated(far_field(pressure), stated_m=np.zeros(3), off_monopole_db=-45.0)
    np.testing.assert_allclose(result.table.column("ripple_db"), 20 * np.log10((1 + share) / (1 - share)), rtol=1e-6)
    # power of the dipole: a third of e^2
    np.testing.assert_allclose(result.table.column("off_monopole_db"), 10 * np.log10(share**2 / 3), rtol=1e-4)
    assert checks_of(result) == ["level ripple over angle", "sound that is not of degree 0 about the found place"]
    assert result.failures[0].startswith("level ripple over angle: 0.174 dB at ")
    assert result.failures[0].endswith("limit 0.1 dB")
    assert ": -44.8 dB at " in result.failures[1]
    np.testing.assert_allclose(result.numbers["largest_off_monopole"].value, -44.771, rtol=0, atol=1e-3)


def test_a_dipole_in_it_breaks_the_distance_law() -> None:
    """Near by, a dipole is larger by |1 - i/kr|, and a quarter of a turn off: any textbook of acoustics."""
    share, r_m = 0.02, 0.5
    pressure = monopole(np.zeros(3)).pressure_pa[:, 0] * (1.0 + share * DIRECTIONS[:, 0])
    result = validated(far_field(pressure), stated_m=np.zeros(3), distances_m=(4.0, r_m))
    cosine = DIRECTIONS[WEIGHTS == 0, 0]
    near = np.abs(1.0 + share * cosine * (1.0 - 1j / (K[:, None] * r_m)))
    expected_db = np.abs(20 * np.log10(near / np.abs(1.0 + share * cosine))).max(axis=1)
    np.testing.assert_allclose(result.table.column("distance_error_db"), expected_db, rtol=1e-6)
    assert expected_db[0] > 1e-2 > 1e-4 > expected_db[-1]
    # most of it is what stands a quarter of a turn off, so that level takes it squared
    steep = validated(
        far_field(pressure), stated_m=np.zeros(3), distances_m=(0.21,), lowest_hz=30.0, distance_db=0.03
    )
    assert "level over distance" in checks_of(steep)


def test_a_distance_within_the_source_is_refused() -> None:
    # the sphere of 0.2 m about the origin, and a place 6 cm off it
    with pytest.raises(NumericalError, match=r"more than 0\.200 m.*raise validation\.distances_m"):
        validated(monopole(), distances_m=(1.0, 0.25))


def test_purity_is_what_a_quadrature_about_the_place_gives() -> None:
    """The slow way: mean of the far field counted from the found place, re its mean square."""
    generator = np.random.default_rng(3)
    pattern = 1.0 + 0.02 * (generator.normal(size=(7, 6)) + 1j * generator.normal(size=(7, 6))) @ np.array(
        [DIRECTIONS[:, 0] * DIRECTIONS[:, 1] ** power for power in range(6)]
    )
    record = far_field(monopole().pressure_pa[:, 0] * pattern)
    result = validated(record)
    turned = record.pressure_pa[:, 0] * np.exp(-1j * K[:, None] * (DIRECTIONS @ result.place_m))
    share = 1.0 - np.abs(turned @ WEIGHTS) ** 2 / (np.abs(turned) ** 2 @ WEIGHTS)
    # degrees beyond DEGREE, at 4 kHz
    np.testing.assert_allclose(result.table.column("off_monopole_db"), 10 * np.log10(share), rtol=0, atol=1e-6)


def test_a_dipole_in_quadrature_looks_like_a_displacement() -> None:
    """i e cos(azimuth) turns phases as a shift of e / k does: one place cannot explain all frequencies."""
    pressure = monopole(np.zeros(3)).pressure_pa[:, 0] * (1.0 + 0.01j * DIRECTIONS[:, 0])
    result = validated(far_field(pressure), None, np.zeros(3))
    # at each frequency alone: e / k, towards the front
    np.testing.assert_allclose(result.table.column("place_error_m"), 0.01 / K, rtol=1e-3)
    np.testing.assert_allclose(result.table.column("place_error_x_m"), 0.01 / K, rtol=1e-3)
    np.testing.assert_allclose(result.table.column("place_error_y_m"), 0.0, rtol=0, atol=1e-7)


def test_phases_that_no_place_explains_are_named() -> None:
    """i e cos(2 azimuth) on the horizon: phases of +-e, no ripple to first order."""
    turned = 0.03j * (DIRECTIONS[:, 0] ** 2 - DIRECTIONS[:, 1] ** 2)
    result = validated(far_field(monopole(np.zeros(3)).pressure_pa[:, 0] * (1.0 + turned)), stated_m=np.zeros(3))
    np.testing.assert_allclose(result.table.column("phase_error_deg"), np.degrees(np.arctan(0.03)), rtol=1e-6)
    assert checks_of(result)[0] == "phase over angle"
    assert result.failures[0].startswith("phase over angle: 1.72 degrees at ")


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
    pressure = monopole(PLACE_M + 2 * RAISED_M, strength=1.1).pressure_pa[:, 0] * (1 + 0.03 * DIRECTIONS[:, 2])
    gain = Correction("gain of surface 1", -0.2, "dB")
    result = validated(far_field(pressure), put_right=(gain,), distances_m=(0.3,), distance_db=0.01)
    assert checks_of(result) == [
        "level ripple over angle",
        "sound that is not of degree 0 about the found place",
        "level over distance",
        "level off the stated strength",
        "place",
        "put right",
    ]


@pytest.mark.parametrize(
    ("unit", "value", "limit"), [("dB", -0.11, "0.1 dB"), ("mm", 0.61, "0.6 mm"), ("us", 2.1, "2 us")]
)
def test_what_had_to_be_put_right_is_judged(unit: str, value: float, limit: str) -> None:
    found = Correction("error of surface 2", value, unit)
    result = validated(monopole(), put_right=(found,))
    assert result.failures == (f"put right: error of surface 2 {value:+g} {unit}, limit {limit}",)
    assert validated(monopole(), put_right=(replace(found, value=value * 0.9),)).failures == ()


def test_only_the_band_and_what_can_be_used_is_judged() -> None:
    bad = monopole().pressure_pa[:, 0].copy()
    # below the band, above it, and a frequency not to be used within
    bad[[0, 6, 3]] *= 1.0 + 0.1 * DIRECTIONS[:, 0]
    verdict = np.array([0, 0, 0, 2, 1, 0, 0])
    result = validated(far_field(bad), verdict=verdict)
    assert result.failures == ()
    assert result.table.column("verdict_code").tolist() == verdict.tolist()
    # shown all the same
    assert (result.table.column("ripple_db")[[0, 3, 6]] > 1.0).all()


def test_frequencies_without_a_fit_stay_unknown() -> None:
    pressure = monopole().pressure_pa[:, 0].copy()
    pressure[1] = np.nan
    result = validated(far_field(pressure), None, verdict=np.array([0, 2, 0, 0, 0, 0, 0]))
    assert result.failures == ()
    for column in ("ripple_db", "place_error_m", "off_monopole_db", "distance_error_db"):
        assert np.isnan(result.table.column(column)[1]), column


def test_no_frequency_to_judge_is_refused() -> None:
    with pytest.raises(NumericalError, match="usable frequencies from 50 to 1000 Hz is 0"):
        validated(monopole(), None, verdict=np.full(7, 2))
    with pytest.raises(NumericalError, match="usable frequencies from 130 to 140 Hz is 0"):
        validated(monopole(), lowest_hz=130.0, highest_hz=140.0)


def test_tolerances_come_from_the_settings() -> None:
    record = monopole(PLACE_M + RAISED_M, strength=0.98)
    assert validated(record, place_m=0.006, level_db=0.2).failures == ()


def test_the_place_is_told_in_scan_axes() -> None:
    """About an axis that points to the left from a raised origin."""
    axis = ReferenceAxis(np.array([0.1, 0.0, 0.2]), np.array([0.0, 1.0, 0.0]))
    place_m = axis.origin_m + PLACE_M
    # front is to the left, the old front to the right
    seen_m = np.array([PLACE_M[1], -PLACE_M[0], PLACE_M[2]])
    record = monopole(seen_m)
    spectra = spectra_of(place_m - RAISED_M, axis=axis)
    result = validate(record, expansion_of(record, axis=axis), spectra, None, ValidationSettings())
    np.testing.assert_allclose(result.place_m, place_m, rtol=0, atol=1e-8)
    np.testing.assert_allclose([result.numbers[f"found_{name}"].value for name in "xyz"], place_m, rtol=0, atol=1e-8)
    np.testing.assert_allclose(result.table.column("place_error_z_m"), 0.005, rtol=1e-4)
    assert (result.table.column("off_monopole_db") < -100.0).all()
    # degrees that rounding hides, (0.06 m / 1 m)^6
    assert (result.table.column("distance_error_db") < 1e-5).all()
