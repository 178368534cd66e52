"""Headers, directions that are not there, phase, facts, and coverage of beams."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    REFERENCE_PRESSURE_PA,
    directions_from_angles,
    horizontal_directions,
    vertical_directions,
)
from fieldproc.records import FarField, Table
from fieldproc.settings import TableSettings
from fieldproc.tables import tabulate

ANGLES = np.array(POLAR_ANGLES_DEG, dtype=float)
FREQUENCY_HZ = np.array([100.0, 1000.0])


def polar_directions() -> np.ndarray:
    return np.concatenate([horizontal_directions(ANGLES), vertical_directions(ANGLES)])


def far_field(directions: np.ndarray, pressure_pa: np.ndarray) -> FarField:
    """Two frequencies, one channel, ``pressure_pa`` (direction,) at both."""
    values = np.broadcast_to(pressure_pa, (2, 1, len(directions))).astype(complex)
    return FarField(
        frequency_hz=FREQUENCY_HZ,
        directions=directions,
        pressure_pa=values,
        sound_power_w=np.full((2, 1), np.nan),
        distance_m=np.inf,
        channel_names=("woofer",),
    )


def tables_of(record: FarField, **facts: str | float | int) -> dict[str, Table]:
    return {table.name: table for table in tabulate(record, TableSettings(), facts)}


def monopole(**changes: object) -> FarField:
    return replace(far_field(polar_directions(), np.full(72, REFERENCE_PRESSURE_PA)), **changes)  # type: ignore[arg-type]


def test_headers_are_those_of_the_contract() -> None:
    tables = tables_of(monopole())
    assert list(tables) == ["cta2034a", "horizontal", "vertical", "directivity"]
    assert tables["cta2034a"].header == (
        "frequency_hz",
        "on_axis_db",
        "listening_window_db",
        "floor_bounce_db",
        "ceiling_bounce_db",
        "front_wall_bounce_db",
        "side_wall_bounce_db",
        "rear_wall_bounce_db",
        "early_reflections_db",
        "vertical_reflections_db",
        "horizontal_reflections_db",
        "sound_power_db",
        "early_reflections_di_db",
        "sound_power_di_db",
        "in_room_estimate_db",
    )
    assert tables["directivity"].header == (
        "frequency_hz",
        "sound_power_db",
        "directivity_index_db",
        "horizontal_coverage_deg",
        "vertical_coverage_deg",
        "horizontal_coverage_left_deg",
        "horizontal_coverage_right_deg",
        "vertical_coverage_up_deg",
        "vertical_coverage_down_deg",
    )
    for plane in ("horizontal", "vertical"):
        header = tables[plane].header
        assert len(header) == 1 + 2 * 36
        assert header[:3] == (
            "frequency_hz",
            "level_-170_db",
            "phase_-170_deg",
        )
        assert header[-2:] == ("level_+180_db", "phase_+180_deg")
        assert {"level_+000_db", "level_+030_db", "phase_-030_deg"} < set(header)
    assert all(table.values.shape[0] == 2 for table in tables.values())


def test_channels_are_told_apart() -> None:
    pressure = np.ones((2, 2, 72), dtype=complex) * np.array([1.0, 10.0])[:, np.newaxis]
    record = monopole(
        pressure_pa=REFERENCE_PRESSURE_PA * pressure,
        sound_power_w=np.full((2, 2), np.nan),
        channel_names=("woofer", "tweeter"),
    )
    cta, *_ = tabulate(record, TableSettings(), {}, channel=1)
    # Twenty decibels up, from ten times the pressure.
    np.testing.assert_allclose(cta.column("on_axis_db"), 20.0, rtol=1e-12)
    assert cta.facts["channel"] == "tweeter"


def test_directions_match_to_a_twentieth_of_a_degree() -> None:
    rng = np.random.default_rng(11)
    order = rng.permutation(72)
    # Two digits of degrees, as exports round them, and shuffled.
    turned = directions_from_angles(np.full(1, 0.04), np.zeros(1))
    directions = np.concatenate([polar_directions()[order], turned])
    pressure = np.concatenate([np.arange(1.0, 73.0)[order], [1000.0]])
    tables = tables_of(far_field(directions, REFERENCE_PRESSURE_PA * pressure))
    found = [tables["horizontal"].column(f"level_{angle:+04d}_db")[0] for angle in POLAR_ANGLES_DEG]
    expected = 20 * np.log10(np.arange(1.0, 37.0))
    # 0 and 180 degrees are in both planes; either copy is the nearest.
    other = np.isin(ANGLES, (0, 180))
    np.testing.assert_allclose(np.array(found)[~other], expected[~other], rtol=1e-12)
    assert tables["horizontal"].facts["missing_directions"] == 0


def test_a_missing_direction_is_nan_where_it_is_needed_and_only_there() -> None:
    directions = polar_directions()
    absent = directions_from_angles(np.zeros(1), np.array([-30.0]))[0]
    keep = np.linalg.norm(directions - absent, axis=1) > 1e-9
    tables = tables_of(far_field(directions[keep], np.full(71, REFERENCE_PRESSURE_PA)))
    assert np.isnan(tables["vertical"].column("level_-030_db")).all()
    assert np.isnan(tables["vertical"].column("phase_-030_deg")).all()
    cta = tables["cta2034a"]
    needs_it = {
        "floor_bounce_db",
        "early_reflections_db",
        "vertical_reflections_db",
        "sound_power_db",
        "early_reflections_di_db",
        "sound_power_di_db",
        "in_room_estimate_db",
    }
    assert {name for name in cta.header if np.isnan(cta.column(name)).any()} == needs_it
    assert cta.facts["missing_directions"] == 1
    assert "1 of the 70" in str(cta.facts["missing_directions_note"])


def test_silence_is_minus_infinity_and_has_no_phase() -> None:
    tables = tables_of(far_field(polar_directions(), np.zeros(72)))
    assert (tables["horizontal"].column("level_+030_db") == -np.inf).all()
    assert np.isnan(tables["horizontal"].column("phase_+030_deg")).all()
    cta = tables["cta2034a"]
    assert (cta.column("sound_power_db") == -np.inf).all()
    assert np.isnan(cta.column("sound_power_di_db")).all()
    assert np.isnan(tables["directivity"].column("horizontal_coverage_deg")).all()


def test_phase_is_wrapped() -> None:
    turned = REFERENCE_PRESSURE_PA * np.exp(1j * np.radians(np.array([179.0, 181.0])))
    record = monopole(pressure_pa=np.broadcast_to(turned[:, np.newaxis, np.newaxis], (2, 1, 72)))
    table = tables_of(record)["vertical"]
    np.testing.assert_allclose(table.column("phase_+040_deg"), [179.0, -179.0], rtol=1e-12)
    half_turn = tables_of(monopole(pressure_pa=np.full((2, 1, 72), complex(-1.0, -0.0))))["vertical"]
    np.testing.assert_array_equal(half_turn.column("phase_+000_deg"), 180.0)


def test_reference_distance_scales_levels_and_not_the_directivity_index() -> None:
    density, speed, distance = 1.2, 343.2, 2.0
    mean_square = (REFERENCE_PRESSURE_PA / distance) ** 2
    record = monopole(
        pressure_pa=np.full((2, 1, 72), REFERENCE_PRESSURE_PA / distance + 0j),
        sound_power_w=np.full((2, 1), 4 * np.pi * distance**2 * mean_square / (density * speed)),
        air_density_kg_per_m3=density,
        sound_speed_m_per_s=speed,
        reference_distance_m=distance,
    )
    tables = tables_of(record)
    np.testing.assert_allclose(tables["cta2034a"].column("on_axis_db"), -20 * np.log10(2), rtol=1e-12)
    # A monopole radiates evenly; compared as a ratio, the logarithm being zero.
    index = tables["directivity"].column("directivity_index_db")
    np.testing.assert_allclose(10 ** (index / 10), 1.0, rtol=1e-12)
    assert tables["horizontal"].facts["reference_distance_m"] == 2.0
    at_distance = tables_of(replace(record, distance_m=3.0))["horizontal"]
    assert at_distance.facts["reference_distance_m"] == 3.0
    assert str(at_distance.facts["quantity"]).startswith("pressure at")


def test_imported_magnitudes_have_no_phase() -> None:
    table = tables_of(monopole(phase_known=False))["horizontal"]
    assert np.isnan(table.column("phase_+000_deg")).all()
    np.testing.assert_allclose(10 ** (table.column("level_+000_db") / 20), 1.0, rtol=1e-12)


def test_two_polars_alone_give_no_directivity_index() -> None:
    table = tables_of(monopole())["directivity"]
    assert np.isnan(table.column("directivity_index_db")).all()
    # The empty cap between the two planes and the front: to (1, 1, 1), 35.3 degrees and more.
    assert "empty" in str(table.facts["directivity_index"])
    assert float(table.facts["largest_gap_deg"]) > 35.0


def test_facts_say_what_a_reader_needs() -> None:
    tables = tables_of(monopole(), drive_voltage_v=2.83, session_sha256="ab" * 32)
    for table in tables.values():
        assert {
            "content",
            "quantity",
            "reference_distance_m",
            "level_reference",
            "time_sign",
            "axes",
            "channel",
            "drive_voltage_v",
            "session_sha256",
        } <= set(table.facts)
    assert "180 and +-90" in str(tables["cta2034a"].facts["rear_wall_bounce"])
    assert "positive to the loudspeaker's left" in str(tables["horizontal"].facts["angles"])
    assert "positive up" in str(tables["vertical"].facts["angles"])
