"""Stated errors of a far field: what they come to in every number, and whether true errors keep to them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from validate.monopoles import DIRECTIONS, GOOD, PLACE_M, K, checks_of, far_field, monopole, validated

from fieldproc.records import FarField, FarFieldErrors
from fieldproc.tables.bands import standard_uncertainty

DB, DEG = 20.0 / np.log(10.0), 180.0 / np.pi
FRONT = DIRECTIONS[:, 0]
CENTRE_M = np.zeros(3)


def with_errors(record: FarField, causes: np.ndarray, drawn: np.ndarray | None = None) -> FarField:
    """Vectors of errors re the pressure, each (vector, direction or 1) or (7, vector, direction or 1)."""
    parts = [np.zeros((1, 1)) if drawn is None else drawn, causes]
    relative = [np.broadcast_to(part, (7, part.shape[-2], len(DIRECTIONS))) for part in parts]
    errors = FarFieldErrors(
        pressure_pa=record.pressure_pa[:, :, None] * np.concatenate(relative, axis=1)[:, None],
        power=np.zeros((7, 1, relative[0].shape[1] + relative[1].shape[1])),
        verdict=GOOD[:, None],
        draws=relative[0].shape[1],
        causes=tuple(f"cause {at}" for at in range(relative[1].shape[1])),
    )
    return replace(record, errors=errors)


@pytest.mark.parametrize(("times", "passes"), [(1.5, True), (-1.9, True), (2.5, False)])
def test_errors_of_so_many_standard_uncertainties(times: float, passes: bool) -> None:
    """A level off by 0.1 % alike in all directions, and stated as that over ``times``."""
    record = with_errors(monopole(strength=1.001), np.full((1, 1), 0.001 / 1.001 / times))
    result = validated(record)
    np.testing.assert_allclose(result.table.column("normalised_error"), abs(times), rtol=1e-6)
    np.testing.assert_allclose(result.table.column("covered_share"), passes, rtol=0, atol=1e-12)
    assert checks_of(result) == ([] if passes else ["stated uncertainty"])
    np.testing.assert_allclose(result.numbers["normalised_error"].value, abs(times), rtol=1e-6)


def test_part_of_the_sphere_is_covered() -> None:
    """An error of e cos(azimuth) stated as a constant u = 0.3 e: covered where |cos| <= 0.6."""
    share = 0.004
    record = far_field(monopole(CENTRE_M).pressure_pa[:, 0] * (1.0 + share * FRONT))
    result = validated(with_errors(record, np.full((1, 1), 0.3 * share)), stated_m=CENTRE_M)
    # 48 azimuths of 24 heights each: steps of a few hundredths
    np.testing.assert_allclose(result.table.column("covered_share"), 0.6, rtol=0, atol=0.02)
    # rms of the cosine is 1 / sqrt(3)
    np.testing.assert_allclose(result.table.column("normalised_error"), 1.0 / (0.3 * np.sqrt(3.0)), rtol=1e-2)
    (failure,) = result.failures
    assert failure.startswith("stated uncertainty: 6")
    assert failure.endswith("limit 80 %")
    assert (
        validated(with_errors(record, np.full((1, 1), 0.3 * share)), stated_m=CENTRE_M, covered_share=0.5).failures
        == ()
    )


def test_without_a_stated_strength_what_is_common_is_left_out() -> None:
    """An error v = e (1 + cos) off some axis, stated as v / 1.5: the same ratio, whatever is taken out of both."""
    # zero in no direction: a ratio of nothing to nothing is rounding
    v = 0.002 * (1.0 + DIRECTIONS @ np.array([0.48, 0.36, 0.8]))
    record = far_field(3.0 * monopole(CENTRE_M).pressure_pa[:, 0] * (1.0 + v))
    record = with_errors(record, (v / (1.0 + v))[None] / 1.5)
    fitted = validated(record, None, CENTRE_M)
    np.testing.assert_allclose(fitted.table.column("normalised_error"), 1.5, rtol=1e-6)
    np.testing.assert_allclose(fitted.table.column("covered_share"), 1.0, rtol=1e-9)
    assert fitted.failures == ()
    # against the stated strength, it is three times too loud
    assert "stated uncertainty" in checks_of(validated(record, stated_m=CENTRE_M))
    # common errors alone do not excuse what differs from direction to direction
    common = with_errors(record, np.array([[0.1], [0.0]]) + 1e-5 * FRONT)
    assert "stated uncertainty" in checks_of(validated(common, None, CENTRE_M))


def test_bands_of_what_errors_change() -> None:
    """Ripple and phase of a dipole beside a monopole, by hand from the vectors at the two ends of the axis."""
    share, own = 0.01 + 0.004j, 1e-3 * np.array([[1.0 + 2.0j]])
    record = far_field(monopole(CENTRE_M).pressure_pa[:, 0] * (1.0 + share.real * FRONT + 1j * share.imag * FRONT**2))
    result = validated(with_errors(record, own * FRONT), stated_m=CENTRE_M)
    reach_db = 2.0 * 2e-3 * DB
    ripple_db = result.table.column("ripple_db")
    np.testing.assert_allclose(result.table.column("ripple_high_db"), ripple_db + reach_db, rtol=1e-3)
    np.testing.assert_allclose(result.table.column("ripple_low_db"), ripple_db - reach_db, rtol=1e-3)
    # the largest phase is that of the front or the back, and the strength is left alone to first order
    reach_deg = 2.0 * 2e-3 * DEG
    phase_deg = result.table.column("phase_error_deg")
    np.testing.assert_allclose(result.table.column("phase_error_high_deg") - phase_deg, reach_deg, rtol=2e-2)
    worst = result.numbers["largest_ripple"]
    np.testing.assert_allclose([worst.low, worst.high], [ripple_db[0] - reach_db, ripple_db[0] + reach_db], rtol=1e-3)


def test_random_and_common_errors_add_as_in_all_tables() -> None:
    generator = np.random.default_rng(6)
    drawn, causes = (generator.normal(size=(count, 1)) * 1e-3 for count in (5, 3))
    table = validated(with_errors(monopole(), causes + 0j, drawn + 0j)).table
    reach_db = 2.0 * DB * standard_uncertainty(np.concatenate([drawn, causes]), 5)
    level_db = table.column("level_db")
    np.testing.assert_allclose(table.column("level_high_db") - level_db, np.tile(reach_db, 7), rtol=1e-9)
    np.testing.assert_allclose(level_db - table.column("level_low_db"), np.tile(reach_db, 7), rtol=1e-9)
    np.testing.assert_allclose(table.column("level_error_high_db"), table.column("level_error_low_db") + 2 * reach_db)


def test_the_place_is_as_uncertain_as_its_causes_say() -> None:
    """Two causes, each a displacement at all frequencies at once: exp(ik s.d) is 1 + ik s.d."""
    moved_m = np.array([[3e-4, 0.0, 0.0], [0.0, 2e-4, 2e-4]])
    causes = 1j * K[:, None, None] * (DIRECTIONS @ moved_m.T).T
    record = with_errors(monopole(PLACE_M + np.array([0.0, 0.0, 1e-3])), causes + 0.01)
    numbers = validated(record, None).numbers
    for name, reach_m, at_m in zip("xyz", (6e-4, 4e-4, 4e-4), PLACE_M + np.array([0.0, 0.0, 1e-3]), strict=True):
        found = numbers[f"found_{name}"]
        np.testing.assert_allclose([found.low, found.high], [at_m - reach_m, at_m + reach_m], rtol=0, atol=1e-8)
    # the worst direction is that of the first cause
    error = numbers["place_error"]
    np.testing.assert_allclose([error.value, error.low, error.high], [1e-3, 4e-4, 1.6e-3], rtol=0, atol=1e-8)


def test_places_of_draws_are_independent_from_frequency_to_frequency() -> None:
    """A draw that displaces the source at one frequency counts by k^2 among all: 1 kHz rules 50 Hz to 1 kHz."""
    drawn = np.zeros((7, 2, len(DIRECTIONS)), dtype=complex)
    drawn[5] = 1j * K[5] * DIRECTIONS[:, 2] * np.array([[1e-4], [-1e-4]])
    found = validated(with_errors(monopole(), np.zeros((1, 1)), drawn), None).numbers["found_z"]
    reach_m = 2e-4 * K[5] ** 2 / np.sum(K[1:6] ** 2)
    np.testing.assert_allclose(found.high - found.value, reach_m, rtol=1e-6)


def test_unknown_errors_are_not_judged() -> None:
    result = validated(monopole())
    assert not {"covered_share", "level_low_db"} & set(result.table.header)
    assert "covered_share" not in result.numbers
    assert np.isnan([result.numbers["place_error"].low, result.numbers["largest_ripple"].high]).all()
