"""One text file for each direction, read back by numpy with its defaults."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from results.balloons import CHANNEL, FACTS, FREQUENCY_HZ, HOSTILE, balloon

from fieldproc.conventions import directions_from_angles, level_db, phase_deg, polar_directions
from fieldproc.records import FarField
from fieldproc.results import text_files
from fieldproc.results.plain import LONGEST

NAMES = [
    "az+000_el+000.txt",
    "az+030_el+000.txt",
    "az+180_el+030.txt",
    "az-130_el-060.txt",
    "az+000_el+090.txt",
    "az+000_el-090.txt",
    "az+012.5_el+007.25.txt",
]


def test_every_direction_reads_back_exactly() -> None:
    far_field = balloon()
    files = text_files(far_field, FACTS, CHANNEL)
    assert list(files) == NAMES
    levels, phases = level_db(far_field.pressure_pa[:, CHANNEL]), phase_deg(far_field.pressure_pa[:, CHANNEL])
    phases[1, 3] = np.nan  # silence
    for direction, data in enumerate(files.values()):
        expected = np.column_stack([FREQUENCY_HZ, levels[:, direction], phases[:, direction]])
        assert np.array_equal(np.loadtxt(io.BytesIO(data)), expected, equal_nan=True)
    assert np.isneginf(np.loadtxt(io.BytesIO(files["az-130_el-060.txt"]))[1, 1])


def test_the_seventy_standard_directions() -> None:
    directions = polar_directions()
    pressure_pa = np.arange(1.0, 73.0).reshape(1, 1, 72) * (1 + 0j)
    far_field = FarField(FREQUENCY_HZ[:1], directions, pressure_pa, np.ones((1, 1)), np.inf, ("a",))
    files = text_files(far_field, {}, 0)
    assert len(files) == 70
    assert all(re.fullmatch(r"az[+-]\d{3}_el[+-]\d{3}\.txt", name) for name in files)
    # vertical 150 degrees is behind and 30 degrees up, vertical -90 straight down
    for name, index in (("az+180_el+030.txt", 36 + 32), ("az+000_el-090.txt", 36 + 8), ("az-170_el+000.txt", 0)):
        assert np.loadtxt(io.BytesIO(files[name]), ndmin=2)[0, 1] == level_db(pressure_pa)[0, 0, index]


def test_names_of_angles_that_are_not_whole() -> None:
    directions = directions_from_angles(np.array([-179.999, 0.001, 29.996]), np.array([0.0, -0.001, 7.1]))
    far_field = FarField(FREQUENCY_HZ[:1], directions, np.ones((1, 1, 3), complex), np.ones((1, 1)), np.inf, ("a",))
    assert list(text_files(far_field, {}, 0)) == ["az+180_el+000.txt", "az+000_el+000.txt", "az+030_el+007.1.txt"]


def test_magnitudes_have_no_phase() -> None:
    data = text_files(balloon(phase_known=False), FACTS, 0)[NAMES[0]]
    assert np.isnan(np.loadtxt(io.BytesIO(data))[:, 2]).all()


def test_the_head_names_facts_angles_and_columns() -> None:
    lines = text_files(balloon(), FACTS, CHANNEL)["az+012.5_el+007.25.txt"].decode("ascii").splitlines()
    assert lines[: len(FACTS)] == [
        "# title: Kuchenregal No 2",
        "# session: shelf",
        "# drive_voltage_v: 2.83",
        "# calibrated: 1",
        "# note: ",
    ]
    assert lines[len(FACTS) : -5] == [
        "# azimuth_deg: 12.5",
        "# elevation_deg: 7.25",
        "# frequency_hz level_db phase_deg",
    ]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_texts_stay_on_their_line(name: str) -> None:
    data = text_files(balloon(), {"title": HOSTILE[name], HOSTILE[name]: "x"}, 0)[NAMES[1]]
    lines = data.decode("ascii").splitlines()
    assert [line.startswith("#") for line in lines] == [True] * 5 + [False] * 5
    assert all(line.isprintable() and len(line) <= LONGEST + 10 for line in lines)
    plain = text_files(balloon(), {}, 0)[NAMES[1]]
    assert np.array_equal(np.loadtxt(io.BytesIO(data)), np.loadtxt(io.BytesIO(plain)), equal_nan=True)
