"""Group delay on axis against closed forms, and its bands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldproc.conventions import polar_directions
from fieldproc.records import FarField, FarFieldErrors, Table
from fieldproc.results import sidecar_bytes
from fieldproc.tables import time_table
from fieldproc.tables.time import group_delay_s

FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)
OMEGA = 2.0 * np.pi * FREQUENCY_HZ
ROWS = len(FREQUENCY_HZ)


def field_of(on_axis_pa: np.ndarray, errors: FarFieldErrors | None = None) -> FarField:
    """The same pressure (frequency,) in all directions."""
    return FarField(
        frequency_hz=FREQUENCY_HZ,
        directions=polar_directions(),
        pressure_pa=np.tile(on_axis_pa[:, None, None], (1, 1, 72)),
        sound_power_w=np.full((ROWS, 1), 1e-3),
        distance_m=np.inf,
        channel_names=("woofer",),
        errors=errors,
    )


def errors_of(vectors: np.ndarray, draws: int) -> FarFieldErrors:
    """Vectors (frequency, vector), the same in all directions."""
    return FarFieldErrors(
        np.tile(vectors[:, None, :, None], (1, 1, 1, 72)),
        np.zeros((ROWS, 1, vectors.shape[1])),
        np.zeros((ROWS, 1), dtype=np.int64),
        draws,
        tuple(f"cause {cause}" for cause in range(vectors.shape[1] - draws)),
    )


def delay_of(table: Table) -> np.ndarray:
    return table.column("on_axis_group_delay_s")


@pytest.mark.parametrize("delay_s", [0.0, -0.002, 0.0234, 0.31])
def test_a_pure_delay(delay_s: float) -> None:
    table = time_table(field_of(np.exp(-1j * OMEGA * delay_s)), 0, facts={"drive_voltage_v": 2.83})
    assert table.header == ("frequency_hz", "on_axis_group_delay_s")
    # rounding of the phase at 20 Hz, 1e-15 of 40 rad, over a step of 3.7 rad/s
    np.testing.assert_allclose(delay_of(table), delay_s, rtol=0, atol=1e-12)
    assert table.facts["delay_removed_s"] == pytest.approx(delay_s, abs=1e-7)
    assert table.facts["drive_voltage_v"] == 2.83
    assert b'"schema:unitText": "s"' in sidecar_bytes(table)


def test_a_high_pass_of_second_order() -> None:
    """phase = pi - atan(2 d w0 w / (w0^2 - w^2)): -d/dw = 2 d w0 (w0^2 + w^2) / ((w0^2 - w^2)^2 + (2 d w0 w)^2)."""
    w0, damping, late_s = 2.0 * np.pi * 60.0, 0.4, 0.015
    s = 1j * OMEGA
    pressure = s**2 / (s**2 + 2.0 * damping * w0 * s + w0**2) * np.exp(-s * late_s)
    expected = 2.0 * damping * w0 * (w0**2 + OMEGA**2) / ((w0**2 - OMEGA**2) ** 2 + (2.0 * damping * w0 * OMEGA) ** 2)
    found = delay_of(time_table(field_of(pressure), 0, facts={})) - late_s
    # a parabola through three rows: (step / bandwidth)^2 of the largest, 60 Hz / 35 / 48 Hz squared = 1.3e-3
    np.testing.assert_allclose(found[1:-1], expected[1:-1], rtol=0, atol=1.5e-3 * expected.max())
    # one-sided at both ends: half a step off
    np.testing.assert_allclose(found[[0, -1]], expected[[0, -1]], rtol=0.02, atol=1e-8)


def test_the_parabola_of_three_rows_is_exact_for_a_phase_of_second_degree() -> None:
    phase = 3e-5 * OMEGA - 2e-10 * OMEGA**2
    found = group_delay_s(FREQUENCY_HZ, np.exp(1j * phase), 0.0)
    np.testing.assert_allclose(found[1:-1], (4e-10 * OMEGA - 3e-5)[1:-1], rtol=0, atol=1e-13)


def test_beside_silence_and_gaps_one_neighbour_will_do() -> None:
    pressure = np.exp(-1j * OMEGA * 0.004)
    pressure[[50, 100, 102]] = np.nan
    pressure[150] = 0.0
    found = delay_of(time_table(field_of(pressure), 0, facts={}))
    unknown = np.flatnonzero(np.isnan(found))
    # 101 has no neighbour at all
    assert unknown.tolist() == [50, 100, 101, 102, 150]
    np.testing.assert_allclose(np.delete(found, unknown), 0.004, rtol=0, atol=1e-12)


def test_magnitudes_alone_have_no_delay() -> None:
    table = time_table(replace(field_of(np.ones(ROWS, dtype=complex)), phase_known=False), 0, facts={})
    assert np.isnan(delay_of(table)).all()


def test_a_delay_of_its_own_decides_where_neighbours_leave_it_open() -> None:
    """0.9 ms about 15 ms: beyond 0.5 / 580 Hz at the top, where it reads a period of 1 / step less."""
    pressure = np.exp(-1j * OMEGA * 0.0159)
    open_rows = FREQUENCY_HZ > 19000.0
    found = delay_of(time_table(field_of(pressure), 0, facts={}, delay_s=0.015))
    np.testing.assert_allclose(found[~open_rows], 0.0159, rtol=0, atol=1e-12)
    assert found[-1] == pytest.approx(0.0159 - 1.0 / (FREQUENCY_HZ[-1] - FREQUENCY_HZ[-2]), abs=1e-9)


def test_bands_of_random_and_common_errors_of_phase() -> None:
    """Rows drawn apart: the phases of both neighbours by the weights of the parabola; a delay: itself at all rows."""
    pressure = 0.2 * np.exp(-1j * OMEGA * 0.01)
    rng = np.random.default_rng(8)
    turns_rad = 0.01 * rng.normal(size=(ROWS, 40))
    late_s = 3e-6
    vectors = np.concatenate([1j * turns_rad, -1j * OMEGA[:, None] * late_s], axis=1) * pressure[:, None]
    table = time_table(field_of(pressure, errors_of(vectors, 40)), 0, facts={})
    assert table.header[1:] == (
        "on_axis_group_delay_s", "on_axis_group_delay_low_s", "on_axis_group_delay_high_s",
    )  # fmt: skip
    assert table.facts["coverage_factor"] == 2.0
    before, after = np.diff(OMEGA)[:-1, None], np.diff(OMEGA)[1:, None]
    first, middle, last = turns_rad[:-2], turns_rad[1:-1], turns_rad[2:]
    slopes = ((middle - first) / before * after + (last - middle) / after * before) / (before + after)
    expected = 2.0 * np.sqrt(np.mean(slopes**2, axis=1) + late_s**2)
    for end, sign in (("low", -1.0), ("high", 1.0)):
        reach = table.column(f"on_axis_group_delay_{end}_s") - delay_of(table)
        # differences of phases of 1e-4 of these, rounded to 1e-16 of the delay's turns
        np.testing.assert_allclose(reach[1:-1], sign * expected, rtol=1e-5)
