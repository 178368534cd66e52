from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldproc.conventions import polar_directions
from fieldproc.findings.curves import NAMES, curves_of
from fieldproc.records import FarField, FarFieldErrors, Verdict
from fieldproc.settings import TableSettings

TABLES = TableSettings()
FREQUENCY_HZ = np.array([500.0, 1000.0, 2000.0])


def far_field(vectors: np.ndarray, draws: int = 1, verdict: int = Verdict.GOOD) -> FarField:
    """A supercardioid at three frequencies; vectors of errors (vector, direction), alike at all of them."""
    directions = polar_directions()
    pressure = np.tile(0.1 * (0.4 + 0.6 * directions[:, 0]), (3, 1, 1)).astype(np.complex128)
    shape = (3, 1, len(vectors))
    errors = FarFieldErrors(
        np.tile(vectors, (3, 1, 1, 1)),
        np.zeros(shape),
        np.array([[Verdict.GOOD], [verdict], [Verdict.GOOD]], dtype=np.int64),
        draws,
        tuple(f"cause {number}" for number in range(len(vectors) - draws)),
    )
    silence = np.full((3, 1), np.nan)
    return FarField(FREQUENCY_HZ, directions, pressure, silence, np.inf, ("full range",), errors=errors)


def test_changes_are_derivatives_of_the_levels() -> None:
    rng = np.random.default_rng(2)
    vectors = 1e-3 * (rng.normal(size=(3, 72)) + 1j * rng.normal(size=(3, 72)))
    found = curves_of(far_field(vectors, draws=2), TABLES, 0)
    plain = replace(far_field(vectors), errors=None)
    step = 1e-3
    for number, vector in enumerate(vectors):
        moved = curves_of(replace(plain, pressure_pa=plain.pressure_pa + step * vector), TABLES, 0)
        for name in NAMES:
            slope = (moved[name].level_db - found[name].level_db) / step
            # second order, relative: the step times the errors re the quietest averages
            np.testing.assert_allclose(found[name].errors_db[number], slope, atol=1e-3)
    window = found["listening_window"]
    first, second, cause = window.errors_db
    np.testing.assert_allclose(window.uncertainty_db(), np.sqrt((first**2 + second**2) / 2 + cause**2), rtol=1e-12)


def test_an_error_of_all_directions_cancels_in_an_index() -> None:
    field = far_field(np.zeros((1, 72), dtype=np.complex128))
    common = replace(field, errors=replace(field.errors, pressure_pa=0.05 * field.pressure_pa[:, :, None]))
    found = curves_of(common, TABLES, 0)
    # amplitudes by a twentieth, powers by a tenth: 10 / ln 10 of it
    np.testing.assert_allclose(found["sound_power"].uncertainty_db(), 1.0 / np.log(10.0), rtol=1e-6)
    index = found["listening_window"].minus(found["sound_power"])
    np.testing.assert_allclose(index.uncertainty_db(), 0.0, atol=1e-9)
    np.testing.assert_allclose(index.level_db, found["sound_power_di"].level_db, atol=1e-9)


def test_what_may_not_be_used() -> None:
    small = np.full((1, 72), 1e-4, dtype=np.complex128)
    assert curves_of(far_field(small), TABLES, 0)["on_axis"].usable.all()
    stopped = curves_of(far_field(small, verdict=Verdict.DO_NOT_USE), TABLES, 0)["on_axis"]
    np.testing.assert_array_equal(stopped.usable, [True, False, True])
    assert np.isnan(stopped.level_db[1])
    assert len(stopped.within(400.0, 1500.0).frequency_hz) == 1
    # 0.1 Pa on axis, a band of -+ 3.5 dB: twice 10 / ln 10 of twice the error
    wide = np.full((1, 72), 0.1 * 3.5 / (2.0 * 20.0 / np.log(10.0)), dtype=np.complex128)
    assert not curves_of(far_field(wide), TABLES, 0)["on_axis"].usable.any()


def test_without_errors_nothing_is_known_of_them() -> None:
    field = replace(far_field(np.zeros((1, 72), dtype=np.complex128)), errors=None)
    curve = curves_of(field, TABLES, 0)["on_axis"]
    assert curve.level_db == pytest.approx(20.0 * np.log10(0.1 / 20e-6))
    assert np.isnan(curve.uncertainty_db()).all()
