"""Polars in finer steps: the columns of ten degrees among them, the closed form between."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldproc.conventions import fine_polar_directions, polar_directions
from fieldproc.records import FarField, FarFieldErrors
from fieldproc.settings import TableSettings
from fieldproc.tables import fine_polars, match_directions, tabulate

FREQUENCY_HZ = np.array([200.0, 2000.0])


def field() -> FarField:
    """A cardioid that turns to the left with frequency, one error in phase with it and one across."""
    directions = fine_polar_directions()
    toward = np.array([[1.0, 0.0, 0.0], [np.cos(0.3), np.sin(0.3), 0.0]])
    pressure = (0.5 + 0.5 * toward @ directions.T)[:, None] * np.exp(0.4j)
    errors = FarFieldErrors(
        np.stack([0.0 * pressure, 0.02 * pressure, 0.05j * pressure], axis=2).astype(np.complex64),
        np.zeros((2, 1, 3)),
        np.zeros((2, 1), dtype=np.int64),
        1,
        ("gain", "delay"),
    )
    return FarField(
        frequency_hz=FREQUENCY_HZ,
        directions=directions,
        pressure_pa=pressure,
        sound_power_w=np.full((2, 1), np.nan),
        distance_m=np.inf,
        channel_names=("full range",),
        errors=errors,
    )


def test_ten_degrees_are_the_standard_tables() -> None:
    assert fine_polars(field(), TableSettings(), {}) == ()


@pytest.mark.parametrize("step_deg", [1, 2, 5])
def test_columns_are_those_of_ten_degrees_and_the_closed_form_between(step_deg: int) -> None:
    settings = TableSettings(polar_step_deg=step_deg)  # type: ignore[arg-type]
    horizontal, vertical = fine_polars(field(), settings, {"session": "x"})
    assert (horizontal.name, vertical.name) == (f"horizontal_{step_deg}deg", f"vertical_{step_deg}deg")
    # level, phase, two ends of either, a verdict
    assert len(horizontal.header) == 1 + 7 * 360 // step_deg
    coarse = field().picked("direction", match_directions(fine_polar_directions(), polar_directions()))
    _, at_ten, _, _ = tabulate(coarse, TableSettings(), {})
    for name in at_ten.header:
        np.testing.assert_allclose(horizontal.column(name), at_ten.column(name), rtol=1e-12)
    level = horizontal.column(f"level_{-3 * step_deg:+04d}_db")
    expected = 0.5 + 0.5 * np.cos(np.radians(-3 * step_deg) - np.array([0.0, 0.3]))
    np.testing.assert_allclose(level, 20 * np.log10(expected / 20e-6), rtol=1e-12)


def test_a_direction_that_is_not_held_is_nan() -> None:
    """One degree asked of a far field in steps of ten."""
    coarse = field().picked("direction", match_directions(fine_polar_directions(), polar_directions()))
    table = fine_polars(replace(coarse, errors=None), TableSettings(polar_step_deg=1), {})[1]
    assert np.isnan(table.column("level_+001_db")).all()
    assert np.isfinite(table.column("level_+010_db")).all()
    assert table.facts["missing_directions"] == 324


def test_bands_of_coverage_are_the_same_to_the_last_digit_every_time() -> None:
    first, *others = (tabulate(field(), TableSettings(), {})[3].values.tobytes() for _ in range(4))
    assert others == [first] * 3
