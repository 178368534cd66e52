"""Positions as CSV are what ``pack`` reads; the empty session is a session but for its responses, and says so."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import h5py
import numpy as np
import pytest
from scanplan.planned import grid_at, small_plan

from fieldproc.errors import NumericalError, SessionError
from fieldproc.pack.positions import read_positions
from fieldproc.records import FarField
from fieldproc.scanplan import plan_file
from fieldproc.scanplan.grid import Grid, in_time_order
from fieldproc.scanplan.plan_file import plan_bytes, positions_csv, read_grid
from fieldproc.session import check, read_session

FIXTURES = Path(__file__).parents[2] / "fixtures"


@cache
def planned() -> Grid:
    return small_plan()[1].grid


def written(folder: Path, grid: Grid) -> Path:
    path = folder / "plan.h5"
    path.write_bytes(plan_bytes(grid, "Small scan", "box"))
    return path


def test_positions_are_what_pack_reads(tmp_path: Path) -> None:
    grid = planned()
    path = tmp_path / "positions.csv"
    path.write_bytes(positions_csv(grid))
    for name in [line.split(",")[0] for line in path.read_text().splitlines()[1:]]:
        (tmp_path / name).touch()
    rows = read_positions(path, tmp_path)
    np.testing.assert_array_equal(rows.positions_m, grid.positions_m)
    np.testing.assert_array_equal(rows.surface, grid.surface)
    np.testing.assert_array_equal(rows.measured_at_s, grid.at_s)
    # recorded in this order, files also sort in it
    assert list(rows.files) == sorted(rows.files)


def test_a_plan_reads_back(tmp_path: Path) -> None:
    grid, found = planned(), read_grid(written(tmp_path, planned()))
    for name in ("positions_m", "surface", "at_s", "reflectors_m"):
        np.testing.assert_array_equal(getattr(found, name), getattr(grid, name))
    np.testing.assert_array_equal(found.cabinet.size_m, grid.cabinet.size_m)
    np.testing.assert_array_equal(found.axis.origin_m, grid.axis.origin_m)


def test_the_same_plan_has_the_same_bytes() -> None:
    assert plan_bytes(planned(), "a", "b") == plan_bytes(planned(), "a", "b")


def test_a_plan_is_no_scan_and_the_refusal_says_so(tmp_path: Path) -> None:
    path = written(tmp_path, planned())
    problems = check(path)
    assert [problem.where for problem in problems] == ["/@schema", "/impulse_response"]
    assert "plan, no responses yet" in problems[0].found
    assert problems[1].found == "no response"


def test_with_responses_a_plan_is_a_scan(tmp_path: Path) -> None:
    """What the file's own comment says is enough."""
    path, grid = written(tmp_path, planned()), planned()
    values = np.random.default_rng(1).standard_normal((1, len(grid.at_s), 32)).astype(np.float32)
    with h5py.File(path, "r+") as file:
        assert '"pressure-scan"' in file.attrs["comment"].decode()
        response = file.create_dataset("impulse_response", data=values)
        response.attrs["units"] = "Pa/V"
        response.attrs["sampling_rate_hz"] = 48000.0
        file.attrs["schema"] = "pressure-scan"
    session = read_session(path)
    np.testing.assert_array_equal(session.positions_m, grid.positions_m)
    np.testing.assert_array_equal(read_grid(path).positions_m, grid.positions_m)
    assert session.title == "Small scan"


def test_a_damaged_plan_is_refused_for_its_damage_alone(tmp_path: Path) -> None:
    path = written(tmp_path, planned())
    with h5py.File(path, "r+") as file:
        file["positions"][3, 0] = np.nan
    with pytest.raises(SessionError) as caught:
        read_grid(path)
    assert [problem.where for problem in caught.value.problems] == ["/positions"]


def test_what_is_neither_plan_nor_scan_is_refused_as_a_scan_would_be(tmp_path: Path) -> None:
    path = tmp_path / "odd.h5"
    with h5py.File(path, "w") as file:
        file.attrs["schema"] = [1.0, 2.0]
    with pytest.raises(SessionError, match="/positions"):
        read_grid(path)


def test_a_session_without_times_is_taken_in_the_order_of_its_file() -> None:
    grid = read_grid(FIXTURES / "point_source.h5")
    session = read_session(FIXTURES / "point_source.h5")
    assert session.measured_at_s is None
    np.testing.assert_array_equal(grid.positions_m, session.positions_m)
    np.testing.assert_array_equal(grid.at_s, np.arange(len(session.positions_m)))
    assert np.isfinite(grid.reflectors_m).all()


def test_a_far_field_has_no_grid(monkeypatch: pytest.MonkeyPatch) -> None:
    far_field = FarField(
        np.ones(1), np.eye(3), np.ones((1, 1, 3), dtype=np.complex128), np.full((1, 1), np.nan), np.inf, ("one",)
    )
    monkeypatch.setattr(plan_file, "open_input", lambda _: far_field)
    with pytest.raises(NumericalError, match="a far field"):
        read_grid(FIXTURES / "point_source.h5")


def test_times_that_are_all_alike_tell_no_order() -> None:
    grid = replace(grid_at(np.eye(3), np.zeros(3, dtype=np.int64)), at_s=np.full(3, 7.0))
    assert in_time_order(grid).at_s.tolist() == [0.0, 1.0, 2.0]
    backwards = in_time_order(replace(grid, at_s=np.array([30.0, 20.0, 10.0])))
    np.testing.assert_array_equal(backwards.positions_m, np.eye(3)[::-1])


def test_returns_count_once_and_at_their_mean_time() -> None:
    positions_m = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    grid = grid_at(positions_m, np.zeros(4, dtype=np.int64))
    assert grid.first_visits().tolist() == [0, 1, 3]
    assert grid.mean_time_s().tolist() == [1.0, 1.0, 3.0]
