"""What the page's script is given: levels, bands and weights, decoded here in another language."""

from __future__ import annotations

import base64
import json
import math
import re
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fieldproc.cli import main
from fieldproc.conventions import angles_from_directions
from fieldproc.page import grid
from fieldproc.page.in_room import in_room_weights
from fieldproc.pipeline import answer_directions
from fieldproc.results import read_field, read_table
from fieldproc.settings import TableSettings


@pytest.fixture(scope="module")
def data(result: Path) -> dict[str, Any]:
    page = (result / "report.html").read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json"[^>]*>(.*?)</script>', page)
    assert found
    document: dict[str, Any] = json.loads(found[1])
    return document


def decoded(text: str, size: int, frequencies: int) -> np.ndarray:
    """Codes (frequency, node): sums of differences, low bytes of all first."""
    planes = np.frombuffer(zlib.decompress(base64.b64decode(text)), np.uint8).reshape(size, frequencies, -1)
    codes = np.cumsum(sum(plane.astype(np.int64) * 256**place for place, plane in enumerate(planes)), axis=1)
    codes %= 256**size
    return np.where(codes >= 2**15, codes - 2**16, codes) if size == 2 else codes


def levels_of(data: dict[str, Any]) -> np.ndarray:
    return decoded(data["levels"], 2, len(data["frequency_hz"])) * data["coding"]["level_step_db"]


def shares_of(data: dict[str, Any]) -> np.ndarray:
    coding = data["coding"]
    codes = decoded(data["shares"], 1, len(data["frequency_hz"])).astype(float)
    assert (codes <= coding["widest_code"]).all()
    ratio = coding["most_share"] / coding["least_share"]
    return np.where(codes == 0, 0.0, coding["least_share"] * ratio ** ((codes - 1) / (coding["widest_code"] - 1)))


def node(azimuth_deg: int, elevation_deg: int) -> int:
    """The place in the grid, by search."""
    azimuth, elevation = grid.grid_angles_deg()
    wrapped = (azimuth_deg + 179) % 360 - 179
    pole = abs(elevation_deg) == 90
    return int(np.flatnonzero((elevation == elevation_deg) & (pole | (azimuth == wrapped)))[0])


def test_nodes_are_all_directions_once() -> None:
    azimuth, elevation = grid.grid_angles_deg()
    assert len(azimuth) == 72 * 35 + 2
    found = angles_from_directions(grid.grid_directions())
    inner = np.abs(elevation) < 90
    np.testing.assert_allclose(found[0][inner], azimuth[inner], atol=1e-9)
    np.testing.assert_allclose(found[1], elevation, atol=1e-9)
    assert len(np.unique(np.column_stack([azimuth, elevation]), axis=0)) == len(azimuth)


@pytest.mark.parametrize(("azimuth", "elevation"), [(0, 0), (-175, 5), (180, -85), (35, 90), (-40, 25), (0, -90)])
def test_levels_and_bands_are_those_of_at(data: dict[str, Any], result: Path, azimuth: int, elevation: int) -> None:
    asked = answer_directions(result / "field.h5", np.array([float(azimuth)]), np.array([float(elevation)]), None)
    at = node(azimuth, elevation)
    level = levels_of(data)[:, at]
    # half a step of 0.01 dB
    np.testing.assert_allclose(level, asked.column("level_db"), rtol=0, atol=0.005 + 1e-9)
    found = shares_of(data)[:, at]
    expected = 10 ** ((asked.column("level_high_db") - asked.column("level_db")) / 20) - 1
    # half a step of the codes is 2.8 %
    np.testing.assert_allclose(found, expected, rtol=0.03)
    below = 1 - 10 ** ((asked.column("level_low_db") - asked.column("level_db")) / 20)
    np.testing.assert_allclose(found, below, rtol=0.03)


def test_what_is_not_known_is_not_coded_as_a_level() -> None:
    assert decoded(grid._packed(np.array([[grid.NO_LEVEL, 5, -3], [32767, grid.NO_LEVEL, 0]]), 2), 2, 2).tolist() == [
        [grid.NO_LEVEL, 5, -3],
        [32767, grid.NO_LEVEL, 0],
    ]


def test_far_field_from_elsewhere_needs_the_whole_grid(result: Path) -> None:
    expansion, axis, _ = read_field(result / "field.h5")
    own = grid.Sphere.of_expansion(expansion, axis)
    order = np.random.default_rng(1).permutation(len(own.far_field.directions))
    # twice as far away, half as loud
    elsewhere = replace(own.far_field, bands=None, reference_distance_m=2.0)
    elsewhere = replace(elsewhere, pressure_pa=elsewhere.pressure_pa / 2).picked("direction", order)
    found = grid.Sphere.of_far_field(elsewhere)
    assert found is not None
    assert grid.packed_levels(found.far_field, 0) == grid.packed_levels(own.far_field, 0)
    assert grid.packed_shares(found.far_field, 0) is None
    assert grid.Sphere.of_far_field(elsewhere.picked("direction", np.arange(2521))) is None
    assert grid.Sphere.of_far_field(replace(elsewhere, distance_m=2.0)) is None


def in_room(data: dict[str, Any], axis_azimuth: int) -> np.ndarray:
    power = 10 ** (levels_of(data) / 10)
    total = np.zeros(len(power))
    for azimuth, elevation, weight in data["in_room_weights"]:
        total += weight * power[:, node(axis_azimuth + azimuth, elevation)]
    return 10 * np.log10(total)


def test_weights_are_those_of_the_standards_own_curves(data: dict[str, Any], result: Path) -> None:
    weights = in_room_weights(TableSettings())
    # a source that is equally loud everywhere is as loud in the estimate
    assert sum(weight for *_, weight in weights) == pytest.approx(1.0, abs=1e-12)
    assert len(weights) == 70
    table = read_table(result / "tables/cta2034a.csv")
    np.testing.assert_allclose(in_room(data, 0), table.column("in_room_estimate_db"), rtol=0, atol=0.005)


@pytest.mark.parametrize("axis_deg", [-20, 35])
def test_estimate_about_a_turned_axis_is_that_of_tables(
    data: dict[str, Any], result: Path, tmp_path: Path, axis_deg: int
) -> None:
    turned = f"{math.cos(math.radians(axis_deg))!r},{math.sin(math.radians(axis_deg))!r},0"
    arguments = ["-o", str(tmp_path), "--tables-only", f"--axis-direction={turned}"]
    assert main(["tables", str(result), *arguments]) == 0
    expected = read_table(tmp_path / "pair.tables/tables/cta2034a.csv").column("in_room_estimate_db")
    # averages of levels that are rounded to half a step of 0.01 dB
    np.testing.assert_allclose(in_room(data, axis_deg), expected, rtol=0, atol=0.005)
    # the other side would be told apart
    assert np.abs(in_room(data, -axis_deg) - expected).max() > 0.05
