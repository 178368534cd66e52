"""Tables that say how far to believe the others."""

from __future__ import annotations

import numpy as np

from fieldproc.records import DroppedPoint, Expansion, ImpulseResponses, Quality, Session, Spectra
from fieldproc.tables import points_table, quality_table


def test_quality_columns_of_the_channel() -> None:
    per_channel = np.array([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]])
    quality = Quality(
        residual_db=-per_channel,
        leave_one_out_db=-10 * per_channel,
        room_to_direct_db=-100 * per_channel,
        random_error_db=-1000 * per_channel,
        level_uncertainty_db=per_channel,
        verdict=np.array([[0, 2], [1, 1], [2, 0]]),
        condition=np.array([10.0, 20.0, np.inf]),
        noise_gain_db=np.array([-1.0, 0.0, 1.0]),
        truncation_db=np.array([-60.0, -50.0, -40.0]),
        regularisation=1e-3 * per_channel,
        scattering_db=-30.0 * per_channel,
        overlap_difference_db=-40.0 * per_channel,
        gated_share=np.array([0.0, 0.5, 1.0]),
        point_residual_db=np.zeros((2, 7)),
    )
    expansion = Expansion(
        frequency_hz=np.array([20.0, 200.0, 2000.0]),
        outgoing=np.zeros((3, 2, 441), dtype=np.complex128),
        regular=np.zeros((3, 2, 16), dtype=np.complex128),
        outgoing_order=np.array([1, 5, 20]),
        regular_order=np.array([1, 3, -1]),
        origin_m=np.zeros((3, 3)),
        acoustic_center_m=np.array([[0.0, 0.0, 0.0], [0.1, 0.2, 0.3], [0.0, 0.0, 0.0]]),
        sound_speed_m_per_s=343.2,
        air_density_kg_per_m3=1.204,
        source_radius_m=0.2,
        channel_names=("woofer", "tweeter"),
        quality=quality,
    )
    table = quality_table(expansion, 1, facts={"session_sha256": "00"})
    assert table.header == (
        "frequency_hz",
        "outgoing_order",
        "regular_order",
        "residual_db",
        "leave_one_out_db",
        "condition",
        "noise_gain_db",
        "room_to_direct_db",
        "verdict_code",
        "truncation_db",
        "regularisation",
        "random_error_db",
        "level_uncertainty_db",
        "acoustic_center_x_m",
        "acoustic_center_y_m",
        "acoustic_center_z_m",
        "scattering_db",
        "overlap_difference_db",
        "gated_share",
    )
    np.testing.assert_array_equal(
        table.values[1], [200, 5, 3, -4, -40, 20, 0, -400, 1, -50, 4e-3, -4000, 4, 0.1, 0.2, 0.3, -120, -160, 0.5]
    )
    np.testing.assert_array_equal(table.column("verdict_code"), [2, 1, 0])
    assert table.facts["verdict_codes"] == "0 good; 1 caution; 2 do not use"
    assert table.facts["session_sha256"] == "00"


def test_every_point_of_the_file_has_a_row_and_a_reason() -> None:
    # Points 1 and 3 are repeats of one place (one zero of it negative); 2 and 5 were dropped.
    positions = np.array(
        [[0.3, 0, 0], [0, 0.4, 0], [0, 0, 0.3], [0, 0.4, -0.0], [0, 0, -0.3], [0.5, 0, 0]], dtype=float
    )
    session = Session(
        name="demo",
        title="demo",
        device="demo",
        attributes={},
        positions_m=positions,
        response=ImpulseResponses(np.zeros((2, 6, 4)), 48000.0),
        unit="Pa/V",
        channel_names=("woofer", "tweeter"),
        valid=np.ones(6, dtype=bool),
        surface=np.array([0, 1, 0, 1, 0, 1]),
    )
    spectra = Spectra(
        frequency_hz=np.array([100.0]),
        pressure_pa=np.zeros((1, 2, 3), dtype=complex),
        usable=np.array([True]),
        positions_m=positions[[0, 1, 4]],
        sound_speed_m_per_s=np.full(3, 343.2),
        surface=np.array([0, 1, 0]),
        file_point=np.array([0, 1, 4]),
        repeats=np.array([1, 2, 1]),
        channel_names=("woofer", "tweeter"),
        air_density_kg_per_m3=1.2,
        dropped=(DroppedPoint(5, "silent"), DroppedPoint(2, "clipped")),
    )
    residual = np.array([[-1.0, -2.0, -3.0], [-40.0, -30.0, -20.0]])
    table = points_table(session, spectra, residual, 1, facts={})
    assert table.header == ("point", "x_m", "y_m", "z_m", "surface", "residual_db", "kept", "reason_code")
    np.testing.assert_array_equal(table.column("point"), np.arange(6))
    np.testing.assert_array_equal(table.column("y_m"), positions[:, 1])
    np.testing.assert_array_equal(table.column("residual_db"), [-40, -30, np.nan, -30, -20, np.nan])
    np.testing.assert_array_equal(table.column("kept"), [1, 1, 0, 1, 1, 0])
    np.testing.assert_array_equal(table.column("reason_code"), [0, 0, 2, 1, 0, 3])
    assert (table.facts["reason_2"], table.facts["reason_3"]) == ("clipped", "silent")
