"""What the reader makes of sound files, and that it tells all faults of a file at once."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from fieldproc.errors import SessionError, UsageError
from fieldproc.records import ImpulseResponses, TransferFunctions
from fieldproc.session import check, open_input, read_session

WriteScan = Callable[..., Path]
POINTS = 5


def test_plain_script_file_reads_with_defaults(write_scan: WriteScan) -> None:
    path = write_scan()

    session = read_session(path)

    with h5py.File(path) as file:
        assert isinstance(session.response, ImpulseResponses)
        assert np.array_equal(session.response.values, file["impulse_response"][()])
        assert session.response.values.dtype == np.float32
        assert np.array_equal(session.positions_m, file["positions"][()])
    assert (session.name, session.title, session.device) == ("scan", "practice scan", "two-way box")
    assert (session.response.sampling_rate_hz, session.response.start_s) == (48000.0, 0.0)
    assert session.channel_names == ("full range",)
    assert session.valid.all()
    assert (session.surface == -1).all()
    assert session.drive.voltage_v == 2.83
    assert session.integrity == "no integrity check"
    assert session.notices == ()
    assert session.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("cm", 0.01), ("mm", 0.001)])
def test_positions_become_metres(write_scan: WriteScan, unit: str, metres: float) -> None:
    stored = np.arange(15.0).reshape(POINTS, 3)

    session = read_session(write_scan({"/positions": stored, "/positions@units": unit}))

    # Two roundings of 1e-16 each: one of the product, one of the division.
    np.testing.assert_allclose(session.positions_m, stored * metres, rtol=4e-16)


def test_transfer_function_comes_frequency_first(write_scan: WriteScan) -> None:
    values = (np.arange(2 * POINTS * 3) * (1 + 0.5j)).reshape(2, POINTS, 3).astype(np.complex64)

    session = read_session(
        write_scan(
            {
                "/impulse_response": None,
                "/transfer_function": values,
                "/transfer_function@units": "Pa/V",
                "/frequency": [100.0, 200.0, 400.0],
            }
        )
    )

    assert isinstance(session.response, TransferFunctions)
    assert session.response.values.shape == (3, 2, POINTS)
    assert session.response.values[2, 1, 4] == values[1, 4, 2]
    assert session.response.frequency_hz.tolist() == [100.0, 200.0, 400.0]
    assert session.channel_names == ("channel 0", "channel 1")


def test_scalars_spread_over_points_and_facts_arrive(write_scan: WriteScan) -> None:
    session = read_session(
        write_scan(
            {
                "/@operator": "night shift",
                "/air/temperature_c": 22,
                "/air/sound_speed_m_per_s": np.linspace(343.0, 344.0, POINTS),
                "/room/first_reflection_s": 0.004,
                "/loudspeaker/cabinet_size_m": [0.3, 0.2, 0.4],
                "/loudspeaker/cabinet_center_m": [-0.15, 0.0, 0.0],
                "/loudspeaker/axis_origin_m": [0.0, 0.0, 0.1],
                "/known_source/position_m": [0.0, 0.1, 0.0],
                "/sigma/latency_s": 1e-6,
                "/valid": [1, 1, 0, 1, 1],
                "/surface": [0, 0, 0, 1, 1],
                "/channel": ["woofer"],
            }
        )
    )

    assert session.air.temperature_c is not None
    assert session.air.temperature_c.tolist() == [22.0] * POINTS
    assert session.air.sound_speed_m_per_s is not None
    assert session.air.sound_speed_m_per_s[-1] == 344.0
    assert session.room.first_reflection_s is not None
    assert session.room.first_reflection_s.shape == (POINTS,)
    assert session.cabinet is not None
    assert session.cabinet.size_m.tolist() == [0.3, 0.2, 0.4]
    assert session.axis.origin_m[2] == 0.1
    assert session.known_source is not None
    assert session.known_source.volume_velocity_m3_per_s_per_v is None
    assert session.sigma.latency_s == 1e-6
    assert session.valid.tolist() == [True, True, False, True, True]
    assert session.surface.tolist() == [0, 0, 0, 1, 1]
    assert session.channel_names == ("woofer",)
    assert session.attributes == {"operator": "night shift"}


@pytest.mark.parametrize(
    ("unit", "path", "value"),
    [("V/V", "/microphone/sensitivity_v_per_pa", 0.0125), ("Pa/FS", "/drive/level_dbfs", -20.0)],
)
def test_other_units_need_their_scale(write_scan: WriteScan, unit: str, path: str, value: float) -> None:
    session = read_session(write_scan({"/impulse_response@units": unit, path: value}))

    assert session.unit == unit
    assert value in (session.microphone.sensitivity_v_per_pa, session.drive.level_dbfs)


def test_dead_points_are_no_file_errors(write_scan: WriteScan) -> None:
    values = np.ones((1, POINTS, 16))
    values[0, 1] = np.nan
    values[0, 2] = 0.0

    assert check(write_scan({"/impulse_response": values})) == []


def test_unknown_objects_are_named_once_and_left_alone(write_scan: WriteScan) -> None:
    session = read_session(
        write_scan(
            {
                "/extra": 1.0,
                "/air/colour\x1b": 2.0,
                "/companion/anything": 3.0,
                "/positions@unit": "m",
                "/loudspeaker/cabinet_size_m": [1.0, 1.0, 1.0],
            }
        )
    )

    assert session.notices == (
        r"unknown objects left alone: /extra, /air/colour\x1b, /positions@unit",
        "/loudspeaker/cabinet_size_m is not used without /loudspeaker/cabinet_center_m",
    )


def test_all_faults_at_once(write_scan: WriteScan) -> None:
    path = write_scan(
        {
            "/@schema_version": "2.0",
            "/@title": None,
            "/positions@units": None,
            "/impulse_response@sampling_rate_hz": -1.0,
            "/valid": np.ones(POINTS + 1, dtype=bool),
            "/air/temperature_c": np.nan,
            "/drive/voltage_v": "loud",
        }
    )

    problems = check(path)

    assert sorted(problem.where for problem in problems) == [
        "/@schema_version",
        "/@title",
        "/air/temperature_c",
        "/drive/voltage_v",
        "/impulse_response@sampling_rate_hz",
        "/positions@units",
        "/valid",
    ]
    with pytest.raises(SessionError, match="fix: ") as refusal:
        read_session(path)
    assert str(refusal.value).count(str(path)) == len(problems)


def test_the_one_who_disagrees_with_the_others_is_named(write_scan: WriteScan) -> None:
    problems = check(write_scan({"/positions": np.ones((4, 3)), "/valid": np.ones(POINTS, dtype=bool)}))

    assert [str(problem) for problem in problems] == [
        "/positions: found point=4; required point=5, as in /impulse_response; fix: give one value per point in both"
    ]


def test_dimension_scales_and_compression_are_welcome(write_scan: WriteScan) -> None:
    path = write_scan({"/impulse_response": None, "/transfer_function@units": "Pa/V"})
    with h5py.File(path, "a") as file:
        file["frequency"] = [100.0, 200.0]
        file["frequency"].make_scale("frequency")
        values = file.create_dataset(
            "transfer_function", data=np.ones((1, POINTS, 2), complex), compression="gzip", fletcher32=True
        )
        values.attrs["units"] = "Pa/V"
        values.dims[2].attach_scale(file["frequency"])

    assert read_session(path).notices == ()


def test_big_endian_files_read_alike(write_scan: WriteScan) -> None:
    values = np.random.default_rng(2).normal(size=(1, POINTS, 16))

    session = read_session(write_scan({"/impulse_response": values.astype(">f8")}))

    assert np.array_equal(session.response.values, values)
    assert session.response.values.dtype == np.dtype("=f8")


def test_absent_file_is_a_usage_error(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"absent\.h5: cannot be opened"):
        open_input(tmp_path / "absent.h5")


def test_pipes_and_folders_are_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.h5")

    for path in (tmp_path / "pipe.h5", tmp_path):
        with pytest.raises(SessionError, match="no regular file"):
            open_input(path)


def test_texts_that_share_memory_are_capped(write_scan: WriteScan) -> None:
    names: Any = np.full(600, "x" * 60000, dtype=object)

    problems = check(write_scan({"/channel": names}))

    assert [problem.where for problem in problems] == ["/channel"]
    assert re.search("too much text", problems[0].found)


def test_no_other_file_is_opened(write_scan: WriteScan) -> None:
    canary = write_scan(name="canary.h5")
    path = write_scan({"/positions": None})
    with h5py.File(path, "a") as file:
        file["positions"] = h5py.ExternalLink(canary.name, "/positions")
    os.utime(canary, ns=(1, 1))

    assert [problem.where for problem in check(path)] == ["/positions"]
    assert canary.stat().st_atime_ns == 1
