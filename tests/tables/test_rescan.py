"""Which points are worth measuring again, why, and in which order they are visited."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scanned import make_spectra

from fieldproc.cli import main
from fieldproc.records import DroppedPoint, ImpulseResponses, Session, Spectra, Table
from fieldproc.session import write_session
from fieldproc.simulate import Scene, simulate
from fieldproc.tables import points_table, rescan_table
from fieldproc.tables.rescan import short_way

POINTS = 80


def spiral(count: int) -> np.ndarray:
    height = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    azimuth = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    across = np.sqrt(1.0 - height**2)
    return np.stack([across * np.cos(azimuth), across * np.sin(azimuth), height], axis=1)


def scan(positions_m: np.ndarray | None = None, **stated: Any) -> tuple[Session, Spectra]:
    """A session of all points, and spectra of those that took part (``stated``)."""
    positions_m = spiral(POINTS) if positions_m is None else positions_m
    count = len(positions_m)
    session = Session(
        name="demo",
        title="demo",
        device="demo",
        attributes={},
        positions_m=positions_m,
        response=ImpulseResponses(np.zeros((1, count, 4)), 48000.0),
        unit="Pa/V",
        channel_names=("full range",),
        valid=np.ones(count, dtype=np.bool_),
        surface=np.arange(count) % 2,
    )
    return session, make_spectra(positions_m, np.array([100.0, 200.0]), np.ones((2, count), dtype=complex), **stated)


def taking_part(spectra: Spectra, points: np.ndarray) -> Spectra:
    """Only these points, as where the others are dropped for good."""
    return make_spectra(
        spectra.positions_m[points],
        spectra.frequency_hz,
        spectra.pressure_pa[:, :, points],
        file_point=points,
        dropped=spectra.dropped,
    )


def even_residual(*spoiled: tuple[int, float], points: int = POINTS) -> np.ndarray:
    """-50 dB everywhere but for some (point, dB)."""
    residual_db = np.full((1, points), -50.0)
    for point, value in spoiled:
        residual_db[0, point] = value
    return residual_db


def reasons_of(table: Table) -> dict[int, str | float | int]:
    codes = zip(table.column("point"), table.column("reason_code"), strict=True)
    return {int(point): table.facts[f"reason_{code:.0f}"] for point, code in codes}


def test_a_good_scan_leaves_an_empty_list() -> None:
    session, spectra = scan()
    # that points right before a driver fit worse by 20 dB than those behind is no reason
    worse = -50.0 + 20.0 * np.maximum(spectra.positions_m[:, 0], 0.0)[None]
    table = rescan_table(session, spectra, worse, facts={"session_sha256": "00"})
    assert table.header == ("visit", "point", "x_m", "y_m", "z_m", "surface", "reason_code")
    assert table.values.shape == (0, 7)
    assert table.facts["session_sha256"] == "00"


def test_a_residual_far_above_its_surroundings() -> None:
    session, spectra = scan()
    table = rescan_table(session, spectra, even_residual((17, -35.9), (40, -36.1)), facts={})
    # 14 dB above, and just not
    assert reasons_of(table) == {17: "residual far above that of the points around it"}
    np.testing.assert_array_equal(table.values[0, 2:6], [*spectra.positions_m[17], 1])


def test_noise_counts_where_it_shows_in_the_residual() -> None:
    session, spectra = scan()
    noise_pa = np.full((2, 1, POINTS), 10 ** (-70 / 20))
    noise_pa[:, :, [3, 5]] = 10 ** (-55 / 20)
    spectra = replace(spectra, noise_pa=noise_pa)
    # 15 dB above the others: point 3 at -55 dB of a residual of -50 dB, point 5 of -45 dB
    table = rescan_table(session, spectra, even_residual((5, -45.0)), facts={})
    assert reasons_of(table) == {3: "noise far above that of the other points"}
    quieter = replace(spectra, noise_pa=noise_pa / 2)
    assert not rescan_table(session, quieter, even_residual(), facts={}).values.size


def test_dropped_places_are_listed_once_with_the_codes_of_the_points_table() -> None:
    positions_m = spiral(POINTS)
    # 1 repeats 0, 11 repeats 10: of the first place one record took part, of the second none
    positions_m[1], positions_m[11] = positions_m[0], positions_m[10]
    dropped = tuple(
        DroppedPoint(point, why)
        for point, why in ((1, "response is clipped"), (10, "response is silent"), (11, "response is clipped"))
    )
    session, spectra = scan(positions_m, dropped=dropped)
    spectra = taking_part(spectra, np.setdiff1d(np.arange(POINTS), [1, 10, 11]))
    residual_db = even_residual(points=POINTS - 3)
    table = rescan_table(session, spectra, residual_db, facts={})
    assert reasons_of(table) == {10: "response is silent"}
    of_points = points_table(session, spectra, residual_db, 0, facts={})
    assert table.column("reason_code")[0] == of_points.column("reason_code")[10]


def test_points_left_out_that_keep_their_rows_are_listed_for_that() -> None:
    session, spectra = scan(left_out=np.arange(POINTS) == 7, dropped=(DroppedPoint(7, "contradicts the others"),))
    # whatever stands in its row means nothing
    table = rescan_table(session, spectra, even_residual((7, 0.0)), facts={})
    assert reasons_of(table) == {7: "contradicts the others"}


def test_the_place_is_that_of_the_session() -> None:
    """Not where mending has put it: the robot goes where it was told to."""
    session, spectra = scan()
    moved = replace(spectra, positions_m=1.01 * spectra.positions_m)
    table = rescan_table(session, moved, even_residual((60, -20.0)), facts={})
    np.testing.assert_array_equal(table.values[0, 2:5], session.positions_m[60])


def test_rows_are_in_the_order_of_visits() -> None:
    session, spectra = scan()
    dropped = tuple(DroppedPoint(point, "silent") for point in range(0, POINTS, 8))
    kept = np.setdiff1d(np.arange(POINTS), [point.index for point in dropped])
    spectra = taking_part(replace(spectra, dropped=dropped), kept)
    table = rescan_table(session, spectra, even_residual(points=len(kept)), facts={})
    np.testing.assert_array_equal(table.column("visit"), np.arange(10))
    listed = table.column("point").astype(int)
    assert sorted(listed) == list(range(0, POINTS, 8))
    np.testing.assert_array_equal(listed, np.sort(listed)[short_way(session.positions_m[::8])])


def travel_m(positions_m: np.ndarray, order: Any) -> float:
    return float(np.linalg.norm(np.diff(positions_m[list(order)], axis=0), axis=1).sum())


def test_the_way_is_as_short_as_the_shortest_of_all() -> None:
    generator = np.random.default_rng(11)
    for _ in range(5):
        positions_m = generator.normal(size=(7, 3))
        shortest_m = min(travel_m(positions_m, order) for order in permutations(range(7)))
        # reversals alone may stop a little above it
        assert travel_m(positions_m, short_way(positions_m)) <= 1.1 * shortest_m


def test_points_of_a_circle_are_visited_around_it() -> None:
    azimuth = 2 * np.pi * np.random.default_rng(12).permutation(60) / 60
    positions_m = np.stack([np.cos(azimuth), np.sin(azimuth), np.zeros(60)], axis=1)
    # 59 chords; the nearest place alone may jump at its end
    np.testing.assert_allclose(travel_m(positions_m, short_way(positions_m)), 59 * 2 * np.sin(np.pi / 60), rtol=1e-9)


def test_many_points_go_to_the_nearest_next() -> None:
    positions_m = spiral(700)
    order = short_way(positions_m)
    assert sorted(order) == list(range(700))
    # points of the spiral lie 0.13 apart; in the order of the file the way is 700 times 1.4
    assert travel_m(positions_m, order) < 0.16 * 700
    assert short_way(positions_m[:0]).tolist() == []


def test_a_run_tells_of_what_it_lists(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene = {
        "title": "Point source",
        "source": {"kind": "monopoles", "monopoles": [{"position_m": (0.0, 0.0, 0.0)}]},
        "scan": {"kind": "sphere", "points": 120, "radius_m": 0.3, "gap_m": 0.06, "grid": "spiral"},
        "recording": {"kind": "transfer function", "frequency_hz": (100.0, 200.0)},
        "noise": {"level_db": -70.0},
    }
    session = simulate(Scene.model_validate(scene), 1)
    valid = np.arange(120) != 31
    settings = tmp_path / "settings.toml"
    settings.write_text("[exports]\nformats = []\n")
    for name, taken in (("whole", np.ones(120, dtype=np.bool_)), ("holed", valid)):
        write_session(replace(session, valid=taken), tmp_path / f"{name}.h5")
        arguments = ["run", str(tmp_path / f"{name}.h5"), "-o", str(tmp_path), "-s", str(settings)]
        assert main([*arguments, "--tables-only"]) == 0
    told = [line for line in capsys.readouterr().err.splitlines() if "measuring again" in line]
    assert told == [f"{tmp_path / 'holed.h5'}: note: 1 point is worth measuring again: tables/rescan.csv"]
    header, *rows = csv.reader((tmp_path / "holed/tables/rescan.csv").read_text().splitlines())
    (found,) = (dict(zip(header, map(float, row), strict=True)) for row in rows)
    assert (found["visit"], found["point"], found["reason_code"]) == (0, 31, 2)
    np.testing.assert_array_equal([found[f"{name}_m"] for name in "xyz"], session.positions_m[31])
    sidecar = json.loads((tmp_path / "holed/tables/rescan.csv-metadata.json").read_text())
    notes = {note["schema:name"]: note["schema:value"] for note in sidecar["notes"]}
    assert notes["reason_2"] == "left out by the session"
    empty = (tmp_path / "whole/tables/rescan.csv").read_text()
    assert empty == "visit,point,x_m,y_m,z_m,surface,reason_code\n"
