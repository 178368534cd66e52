"""The command: exit codes, what it prints and where, and what it leaves on the disk."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from fieldproc import __version__
from fieldproc.cli import SCENES, main
from fieldproc.pipeline import Outcome, process_session
from fieldproc.records import KnownSource, Session
from fieldproc.results import field_bytes, read_field
from fieldproc.session import write_session
from fieldproc.simulate import NAMED_SCENES, Scene, simulate

BROKEN = sorted((Path(__file__).parents[1] / "fixtures" / "broken").glob("*.h5"))
# Eight frequencies that 120 points can carry with both wave sets.
FREQUENCY_HZ = (55.0, 70.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0)
PLACE_M = (0.012, -0.02, 0.015)


def session_of(frequency_hz: tuple[float, ...] = FREQUENCY_HZ, seed: int = 1) -> Session:
    """A known point source in a small reflective room, 120 points on two spheres, noise 70 dB down."""
    scene = {
        "title": "Point source on two spheres",
        "source": {
            "kind": "monopoles",
            "monopoles": [{"position_m": PLACE_M}],
            "spectrum": "constant volume velocity",
        },
        "room": {"kind": "shoebox", "order": 1},
        "scan": {"kind": "sphere", "points": 120, "radius_m": 0.3, "gap_m": 0.06, "grid": "spiral"},
        "recording": {"kind": "transfer function", "frequency_hz": frequency_hz},
        "noise": {"level_db": -70.0},
    }
    return simulate(Scene.model_validate(scene), seed)


@pytest.fixture(scope="module")
def scan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("scans") / "box.h5"
    write_session(session_of(), path)
    return path


# Settings of runs that are about neither: exports and bands of uncertainty take more than half of the time.
NO_EXPORTS = "[exports]\nformats = []\n"
PLAIN = NO_EXPORTS + "[uncertainty]\nenabled = false\n"


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Arguments of a run without figures, exports and bands of uncertainty."""
    return ["--tables-only", *with_settings(tmp_path_factory.mktemp("plain"), PLAIN)]


@pytest.fixture(scope="module")
def result(scan: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The result folder of one run, without exports."""
    output = tmp_path_factory.mktemp("results")
    settings = with_settings(tmp_path_factory.mktemp("settings"), NO_EXPORTS)
    assert main(["run", str(scan), "-o", str(output), "--tables-only", *settings]) == 0
    return output / "box"


def files_below(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def results_in(output: Path) -> list[str]:
    """Names of the result folders, and of anything else that a batch does not keep for itself."""
    own = {".fieldproc.lock", "status.json"}
    return sorted({path.name for path in output.iterdir()} - own) if output.exists() else []


def lines_before_table(text: str) -> list[str]:
    """What a batch prints as its sessions end, without the table at its end."""
    return text.partition("\n\n")[0].splitlines()


def columns_of(text: str) -> dict[str, np.ndarray]:
    header, *rows = csv.reader(io.StringIO(text))
    return dict(zip(header, np.array(rows, dtype=float).T, strict=True))


def with_settings(folder: Path, text: str) -> list[str]:
    path = folder / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return ["-s", str(path)]


def messages(capsys: pytest.CaptureFixture[str]) -> list[str]:
    """Lines on standard error that are not progress."""
    return [line for line in capsys.readouterr().err.splitlines() if line.startswith("fieldproc: ")]


# --- run ---------------------------------------------------------------------------------------------


def test_run_writes_the_result_folder(scan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", str(scan), "-o", str(tmp_path / "out"), "--tables-only"]) == 0
    printed = capsys.readouterr()
    assert printed.out == f"{scan}: good from 55 to 315 Hz -> {tmp_path / 'out' / 'box'}\n"
    assert "box.h5: 8 of 8 frequencies" in printed.err.splitlines()
    # what a reader must know is said, not only written
    assert f"{scan}: note: sound speed from the stated temperature (ISO 9613-1)" in printed.err.splitlines()
    tables = ("cta2034a", "horizontal", "vertical", "directivity", "quality", "points", "rescan", "trust")
    tables += ("cta2034a_smoothed", "bands_3", "time", "impulse", "acoustic_center", "separation")
    exported = {name for name in files_below(tmp_path / "out") if name.startswith("box/exports/")}
    # the 70 standard directions, and a table of the impulse responses with its sidecar
    assert len(exported) == 3 + 70 + 70 + 2
    assert set(files_below(tmp_path / "out")) - exported == {
        ".fieldproc.lock",
        "status.json",
        # too few frequencies for a trend: no tables of findings
        "box/findings.json",
        "box/summary.json",
        "box/settings.toml",
        "box/field.h5",
        *(f"box/tables/{name}.csv" for name in tables),
        *(f"box/tables/{name}.csv-metadata.json" for name in tables),
    }
    summary = json.loads((tmp_path / "out/box/summary.json").read_text())
    assert {"verdict", "bands", "dropped_points", "scalars", "provenance"} <= set(summary)


def test_figures_unless_left_out(scan: Path, tmp_path: Path) -> None:
    settings = with_settings(tmp_path, PLAIN)
    assert main(["run", str(scan), "-o", str(tmp_path / "drawn"), *settings]) == 0
    drawn = {name for name in files_below(tmp_path / "drawn/box") if name.startswith("figures/")}
    assert {Path(name).suffix for name in drawn} == {".png", ".svg"}
    off = with_settings(tmp_path, PLAIN + "[report]\nfigures = false\n")
    assert main(["run", str(scan), "-o", str(tmp_path / "plain"), *off]) == 0
    assert not (tmp_path / "plain/box/figures").exists()


def test_rerun_from_the_written_settings_gives_the_same_bytes(scan: Path, result: Path, tmp_path: Path) -> None:
    first = with_settings(
        tmp_path,
        "[orders]\noutgoing = [[0, 2], [150.5, 3]]\n[axis]\nup = [0.1, 0, 1]\n[tables]\nrear_wall = 'all'\n",
    )
    assert main(["run", str(scan), "-o", str(tmp_path / "one"), "--tables-only", *first]) == 0
    again = ["-s", str(tmp_path / "one/box/settings.toml")]
    assert main(["run", str(scan), "-o", str(tmp_path / "two"), "--tables-only", *again]) == 0
    assert files_below(tmp_path / "two") == files_below(tmp_path / "one")
    # the settings do reach the results
    table = "tables/cta2034a.csv"
    assert (tmp_path / "one/box" / table).read_bytes() != (result / table).read_bytes()


def test_a_second_run_replaces_the_first(scan: Path, plain: list[str], tmp_path: Path) -> None:
    for _ in range(2):
        assert main(["run", str(scan), "-o", str(tmp_path), *plain]) == 0
    assert results_in(tmp_path) == ["box"]


def test_files_of_others_in_a_result_folder_are_kept(
    scan: Path, plain: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["run", str(scan), "-o", str(tmp_path), *plain]
    assert main(arguments) == 0
    (tmp_path / "box/tables/my notes.txt").write_text("mine")
    before = files_below(tmp_path / "box")
    capsys.readouterr()
    assert main([*arguments, "--again"]) == 5
    assert "holds 1 files that are not ours, tables/my notes.txt first" in messages(capsys)[0]
    assert files_below(tmp_path / "box") == before


def test_strict_ends_in_1_when_a_band_is_not_to_be_used(
    plain: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "high.h5"
    write_session(session_of((100.0, 5000.0)), path)
    arguments = ["run", str(path), "-o", str(tmp_path / "out"), *plain]
    assert main(arguments) == 0
    assert messages(capsys) == []
    assert main([*arguments, "--strict"]) == 1
    (line,) = messages(capsys)
    # nothing was computed again, and the verdict is the same
    told = "kept: good from 100 to 100 Hz; some bands are not to be used"
    assert line == f"fieldproc: {path}: {told} -> {tmp_path / 'out/high'}"
    # done all the same
    assert (tmp_path / "out/high/summary.json").is_file()


def test_strict_is_content_with_a_good_scan(scan: Path, plain: list[str], tmp_path: Path) -> None:
    assert main(["run", str(scan), "-o", str(tmp_path), *plain, "--strict"]) == 0


# --- inputs ------------------------------------------------------------------------------------------


def test_a_folder_stands_for_its_scans(
    scan: Path, plain: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("b.h5", "a.hdf5"):
        (tmp_path / "scans").mkdir(exist_ok=True)
        (tmp_path / "scans" / name).write_bytes(scan.read_bytes())
    (tmp_path / "scans" / "notes.txt").write_text("not a scan")
    # what some systems put beside every file
    (tmp_path / "scans" / "._b.h5").write_text("not a scan")
    assert main(["run", str(tmp_path / "scans"), "-o", str(tmp_path / "out"), *plain]) == 0
    assert results_in(tmp_path / "out") == ["a", "b"]
    assert [Path(line.partition(":")[0]).name for line in lines_before_table(capsys.readouterr().out)] == [
        "a.hdf5",
        "b.h5",
    ]


@pytest.mark.parametrize("command", ["run", "validate"])
def test_inputs_that_are_not_there(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, str(tmp_path / "none.h5"), "-o", str(tmp_path / "out")]) == 2
    (line,) = messages(capsys)
    assert str(tmp_path / "none.h5") in line
    (tmp_path / "empty").mkdir()
    assert main([command, str(tmp_path / "empty"), "-o", str(tmp_path / "out")]) == 2
    assert "no scan files" in messages(capsys)[0]
    assert results_in(tmp_path / "out") == []


def test_inputs_that_share_a_result_folder(scan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = [tmp_path / name for name in ("two way.h5", "two_way.h5")]
    for path in paths:
        path.write_bytes(scan.read_bytes())
    assert main(["run", *map(str, paths), "-o", str(tmp_path / "out")]) == 2
    (line,) = messages(capsys)
    assert "would both write" in line
    assert main(["run", str(scan), str(scan), "-o", str(tmp_path / "out")]) == 2
    assert results_in(tmp_path / "out") == []


def test_a_batch_tries_every_session(
    scan: Path, plain: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other.h5"
    other.write_bytes(scan.read_bytes())
    inputs = [str(scan), str(BROKEN[0]), str(tmp_path / "none.h5"), str(other)]
    assert main(["run", *inputs, "-o", str(tmp_path / "out"), *plain]) == 3
    printed = capsys.readouterr()
    assert [line.partition(":")[0] for line in lines_before_table(printed.out)] == [str(scan), str(other)]
    complaints = [line for line in printed.err.splitlines() if line.startswith("fieldproc: ")]
    # what is not there is known before anything starts
    assert [name in line for name, line in zip(inputs[2:0:-1], complaints, strict=True)] == [True, True]
    assert results_in(tmp_path / "out") == ["box", "other"]


# --- refusals ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", BROKEN, ids=lambda path: path.stem)
def test_a_broken_file_is_one_line_and_nothing_written(
    path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", str(path), "-o", str(tmp_path / "out")]) == 4
    printed = capsys.readouterr()
    assert printed.out == ""
    (line,) = printed.err.splitlines()
    assert line.startswith(f"fieldproc: {path}: ")
    assert "; required " in line
    assert "; fix: " in line
    assert results_in(tmp_path / "out") == []


def test_the_gallery_of_broken_files_is_there() -> None:
    assert len(BROKEN) >= 24


@pytest.mark.parametrize("command", ["check", "run"])
def test_every_problem_of_a_file_is_printed(
    command: str, scan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "worse.h5"
    path.write_bytes(scan.read_bytes())
    with h5py.File(path, "r+") as file:
        file["/positions"].attrs["units"] = "inch"
        del file["/transfer_function"].attrs["units"]
        file["/drive/voltage_v"][...] = -1.0
    output = [] if command == "check" else ["-o", str(tmp_path / "out")]
    assert main([command, str(path), *output]) == 4
    lines = messages(capsys)
    for place in ("/positions@units", "/transfer_function@units", "/drive/voltage_v"):
        assert any(line.startswith(f"fieldproc: {path}: {place}: found ") for line in lines), place
    assert results_in(tmp_path / "out") == []


def test_check_says_what_is_faultless(scan: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(scan)]) == 0
    assert capsys.readouterr().out == f"{scan}: no faults found\n"
    assert main(["check", str(scan), *map(str, BROKEN[:3])]) == 4
    printed = capsys.readouterr()
    assert printed.out == f"{scan}: no faults found\n"
    assert len(printed.err.splitlines()) == 3


def test_orders_beyond_the_points_are_refused(scan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = with_settings(tmp_path, "[orders]\noutgoing = 11\n")
    assert main(["run", str(scan), "-o", str(tmp_path / "out"), *settings]) == 4
    (line,) = messages(capsys)
    assert "the 120 points of this scan" in line
    assert results_in(tmp_path / "out") == []


def test_bad_settings_are_usage(scan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = with_settings(tmp_path, "[orders]\noutgiong = 11\n[tables]\nrear = 'all'\n")
    assert main(["run", str(scan), "-o", str(tmp_path / "out"), *settings]) == 2
    first, second = messages(capsys)
    assert first.endswith("unknown setting orders.outgiong; did you mean outgoing?")
    assert "tables.rear" in second
    assert results_in(tmp_path / "out") == []


def test_an_output_that_cannot_be_written(
    scan: Path, plain: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")
    assert main(["run", str(scan), "-o", str(tmp_path / "file"), *plain]) == 5
    assert "is a file, not a folder" in messages(capsys)[0]
    # a folder that is no result of ours stays as it is, and in a batch it wins over a broken input
    (tmp_path / "out/box").mkdir(parents=True)
    (tmp_path / "out/box/precious.txt").write_text("mine")
    inputs = [str(BROKEN[0]), str(scan)]
    assert main(["run", *inputs, "-o", str(tmp_path / "out"), *plain]) == 5
    assert results_in(tmp_path / "out") == ["box"]
    assert files_below(tmp_path / "out/box") == {"precious.txt": b"mine"}


# --- validate ----------------------------------------------------------------------------------------


def test_validate_passes_a_true_statement(scan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["validate", str(scan), "-o", str(tmp_path)]) == 0
    assert "mm from its stated place" in capsys.readouterr().out
    assert results_in(tmp_path) == ["box.validate"]
    summary = json.loads((tmp_path / "box.validate/summary.json").read_text())
    # noise 70 dB down over 120 points
    assert summary["scalars"]["place_error"]["value"] < 2e-4
    assert (tmp_path / "box.validate/tables/validation.csv").is_file()


def test_validate_misses_a_false_statement(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = session_of()
    assert session.known_source is not None
    wrong = KnownSource(
        np.array(PLACE_M) + np.array([0.0, 0.005, 0.0]), session.known_source.volume_velocity_m3_per_s_per_v
    )
    path = tmp_path / "moved.h5"
    write_session(replace(session, known_source=wrong), path)
    assert main(["validate", str(path), "-o", str(tmp_path / "out")]) == 1
    (line,) = messages(capsys)
    assert "missed: place: found " in line
    assert (tmp_path / "out/moved.validate/summary.json").is_file()


def test_validate_needs_a_known_source(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "unknown.h5"
    write_session(replace(session_of(), known_source=None), path)
    assert main(["validate", str(path), "-o", str(tmp_path / "out")]) == 4
    assert "/known_source/position_m" in messages(capsys)[0]


# --- at ----------------------------------------------------------------------------------------------


AT_HEADER = (
    "channel,azimuth_deg,elevation_deg,distance_m,frequency_hz,level_db,phase_deg,level_low_db,level_high_db,"
    "verdict_code"
)


@pytest.mark.parametrize("angle", ["+030", "-090"])
def test_at_answers_one_direction(angle: str, result: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["at", str(result), "--azimuth", angle, "--elevation", "0"]) == 0
    text = capsys.readouterr().out
    assert text.partition("\n")[0] == AT_HEADER
    found = columns_of(text)
    assert found["frequency_hz"].tolist() == list(FREQUENCY_HZ)
    assert np.isinf(found["distance_m"]).all()
    table = columns_of((result / "tables/horizontal.csv").read_text())
    # the table holds the same numbers, rounded as it prints them
    np.testing.assert_allclose(found["level_db"], table[f"level_{angle}_db"], rtol=0, atol=1e-4)
    np.testing.assert_allclose(found["phase_deg"], table[f"phase_{angle}_deg"], rtol=0, atol=1e-3)
    # 24 vectors drawn and some causes: the table takes differences, and "at" the slope itself
    for end in ("low", "high"):
        np.testing.assert_allclose(found[f"level_{end}_db"], table[f"level_{angle}_{end}_db"], rtol=0, atol=1e-3)
    assert (found["level_low_db"] < found["level_db"]).all()
    assert (found["level_db"] < found["level_high_db"]).all()


def test_at_answers_a_file_of_directions(result: Path, tmp_path: Path) -> None:
    directions = tmp_path / "directions.csv"
    directions.write_text("azimuth_deg,elevation_deg\n0,0\n-90,0\n0,90\n", encoding="utf-8")
    answer = tmp_path / "below" / "answer.csv"
    assert main(["at", str(result), "--directions", str(directions), "-o", str(answer)]) == 0
    found = columns_of(answer.read_text())
    assert found["azimuth_deg"][::8].tolist() == [0.0, -90.0, 0.0]
    assert found["elevation_deg"][::8].tolist() == [0.0, 0.0, 90.0]
    assert found["frequency_hz"].tolist() == list(FREQUENCY_HZ) * 3


def notes_of(document: dict[str, Any]) -> dict[str, Any]:
    """The facts of a sidecar."""
    return {note["schema:name"]: note["schema:value"] for note in document["notes"]}


def test_at_says_what_its_bands_are(result: Path, tmp_path: Path) -> None:
    arguments = ["at", str(result), "--azimuth", "0", "--elevation", "0", "--distance", "0.5"]
    assert main([*arguments, "-o", str(tmp_path / "answer.csv")]) == 0
    document = json.loads((tmp_path / "answer.csv-metadata.json").read_text())
    units = {column["name"]: column.get("schema:unitText") for column in document["tableSchema"]["columns"]}
    assert {units[name] for name in ("level_db", "level_low_db", "level_high_db")} == {"dB"}
    assert notes_of(document)["coverage_factor"] == 2.0
    assert "2 standard uncertainties" in str(notes_of(document)["bands"])
    found = columns_of((tmp_path / "answer.csv").read_text())
    assert (found["level_low_db"] < found["level_db"]).all()
    assert (found["level_db"] < found["level_high_db"]).all()


def test_at_does_not_know_errors_that_were_not_asked_for(result: Path, tmp_path: Path) -> None:
    expansion, axis, facts = read_field(result / "field.h5")
    assert expansion.deviations is not None
    (tmp_path / "field.h5").write_bytes(field_bytes(replace(expansion, deviations=None), axis, facts))
    for distance in ([], ["--distance", "0.5"]):
        arguments = ["at", str(tmp_path), "--azimuth", "0", "--elevation", "0", *distance]
        assert main([*arguments, "-o", str(tmp_path / "answer.csv")]) == 0
        text = (tmp_path / "answer.csv").read_text()
        assert text.partition("\n")[0] == AT_HEADER
        found = columns_of(text)
        assert np.isnan(found["level_low_db"]).all()
        assert np.isnan(found["level_high_db"]).all()
        assert np.isfinite(found["level_db"]).all()
        document = json.loads((tmp_path / "answer.csv-metadata.json").read_text())
        assert "coverage_factor" not in notes_of(document)


def test_at_a_frequency_without_a_fit_nothing_is_known_and_the_others_are(result: Path, tmp_path: Path) -> None:
    expansion, axis, facts = read_field(result / "field.h5")
    assert expansion.deviations is not None
    condition = expansion.quality.condition.copy()
    condition[3] = np.nan
    rows = tuple(row if at != 3 else row[:, :0, :0] for at, row in enumerate(expansion.deviations.outgoing))
    unsolved = replace(
        expansion,
        quality=replace(expansion.quality, condition=condition),
        deviations=replace(expansion.deviations, outgoing=rows),
    )
    (tmp_path / "field.h5").write_bytes(field_bytes(unsolved, axis, facts))
    for distance in ([], ["--distance", "0.5"]):
        arguments = ["at", str(tmp_path), "--azimuth", "0", "--elevation", "0", *distance]
        assert main([*arguments, "-o", str(tmp_path / "answer.csv")]) == 0
        found = columns_of((tmp_path / "answer.csv").read_text())
        for name in ("level_db", "level_low_db", "level_high_db"):
            assert np.flatnonzero(np.isnan(found[name])).tolist() == [3]


def test_at_a_distance_is_the_true_pressure(result: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["at", str(result), "--azimuth", "0", "--elevation", "0"]
    assert main([*arguments, "--distance", "0.5"]) == 0
    near = columns_of(capsys.readouterr().out)
    assert main(arguments) == 0
    far = columns_of(capsys.readouterr().out)
    assert near["distance_m"].tolist() == [0.5] * 8
    # a point source at PLACE_M, seen from 0.5 m in front of the origin; noise 70 dB down
    distance_m = np.linalg.norm(np.array([0.5, 0.0, 0.0]) - PLACE_M)
    np.testing.assert_allclose(near["level_db"] - far["level_db"], -20 * np.log10(distance_m), rtol=0, atol=0.02)
    # exp(-ikr) is kept: the phase differs by k (distance - lead of the place)
    turn = near["phase_deg"] - far["phase_deg"] + 360.0 * np.array(FREQUENCY_HZ) / 343.2 * (distance_m + PLACE_M[0])
    np.testing.assert_allclose((turn + 180.0) % 360.0 - 180.0, 0.0, atol=0.5)


@pytest.mark.parametrize("distance", ["0.02", "0", "-1", "nan", "inf"])
def test_at_a_distance_that_is_none(result: Path, distance: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["at", str(result), "--azimuth", "0", "--elevation", "0", f"--distance={distance}"]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "distance" in printed.err


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("azimuth,elevation\n0,0\n", "first line must be azimuth_deg,elevation_deg"),
        ("", "first line must be azimuth_deg,elevation_deg"),
        ("azimuth_deg,elevation_deg\n", "no directions"),
        ("azimuth_deg,elevation_deg\n0,0\n0;10\n", "line 3 "),
        ("azimuth_deg,elevation_deg\n0,0,1\n", "line 2 "),
        ("azimuth_deg,elevation_deg\n0,91\n", "line 2: .* elevation from -90 to 90"),
        ("azimuth_deg,elevation_deg\nnan,0\n", "line 2: azimuth must be finite"),
        ("azimuth_deg,elevation_deg\n\x00,0\n", "line 2|not a CSV"),
    ],
)
def test_a_bad_directions_file(
    result: Path, tmp_path: Path, text: str, complaint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    directions = tmp_path / "directions.csv"
    directions.write_text(text, encoding="utf-8")
    assert main(["at", str(result), "--directions", str(directions), "-o", str(tmp_path / "answer.csv")]) == 2
    (line,) = messages(capsys)
    assert re.search(complaint, line)
    assert not (tmp_path / "answer.csv").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["--azimuth", "0"],
        ["--azimuth", "0", "--elevation", "0", "--directions", "some.csv"],
        ["--azimuth", "nan", "--elevation", "0"],
        ["--directions", "none.csv"],
    ],
)
def test_at_needs_directions(result: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["at", str(result), *arguments]) == 2
    assert len(messages(capsys)) == 1


def test_at_needs_a_field_file(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    direction = ["--azimuth", "0", "--elevation", "0"]
    assert main(["at", str(tmp_path), *direction]) == 2
    assert "holds no field.h5" in messages(capsys)[0]
    data = bytearray((result / "field.h5").read_bytes())
    (tmp_path / "field.h5").write_bytes(data[: len(data) // 2])
    assert main(["at", str(tmp_path), *direction]) == 4


# --- simulate, and the command itself ----------------------------------------------------------------

TINY_SCENE = """
title = "Tiny"
[source]
kind = "monopoles"
monopoles = [{ position_m = [0.01, 0.0, 0.0] }]
[scan]
kind = "sphere"
points = 20
grid = "spiral"
[recording]
kind = "transfer function"
frequency_hz = [100.0]
"""


def test_help_names_the_scenes_there_are() -> None:
    assert tuple(NAMED_SCENES) == SCENES


def test_simulate_writes_a_sound_session(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scene = tmp_path / "tiny.toml"
    scene.write_text(TINY_SCENE, encoding="utf-8")
    paths = [tmp_path / "one.h5", tmp_path / "two.h5"]
    for path in paths:
        assert main(["simulate", str(scene), "-o", str(path), "--seed", "7"]) == 0
    assert capsys.readouterr().out.splitlines()[0] == f"{paths[0]}: Tiny, 20 points"
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert main(["check", str(paths[0])]) == 0


@pytest.mark.parametrize(
    ("scene", "seed"),
    [
        ("no-such-scene", "1"),
        (TINY_SCENE.replace("points = 20", "poinst = 20"), "1"),
        # points outside the room, and points that two spheres cannot share
        (TINY_SCENE + '[room]\nkind = "shoebox"\nsize_m = [0.5, 0.5, 0.5]\ncorner_m = [-0.25, -0.25, -0.25]\n', "1"),
        (TINY_SCENE.replace("points = 20", "points = 21"), "1"),
        (TINY_SCENE, "-1"),
    ],
)
def test_simulate_refuses_a_scene_that_cannot_be(
    scene: str, seed: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if "\n" in scene:
        (tmp_path / "scene.toml").write_text(scene, encoding="utf-8")
        scene = str(tmp_path / "scene.toml")
    assert main(["simulate", scene, "-o", str(tmp_path / "out.h5"), f"--seed={seed}"]) == 2
    assert len(messages(capsys)) == 1
    assert not (tmp_path / "out.h5").exists()


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match=r"^0$"):
        main(["--version"])
    assert capsys.readouterr().out == f"fieldproc {__version__}\n"
    for command in ([], ["check"], ["run"], ["validate"], ["at"], ["simulate"]):
        with pytest.raises(SystemExit, match=r"^0$"):
            main([*command, "--help"])
        assert "usage: fieldproc" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [[], ["walk"], ["run", "scan.h5"], ["run", "a.h5", "-o", "x", "--strictly"]])
def test_a_wrong_command_line_is_usage(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match=r"^2$"):
        main(arguments)
    assert "usage: fieldproc" in capsys.readouterr().err


# Escape sequence, direction mark, and a name that is no UTF-8.
HOSTILE_NAMES = [b"red\x1b[31m.h5", "left\u202e.h5".encode(), b"odd\xff.h5", b"two\nlines.h5"]


@pytest.mark.parametrize("name", HOSTILE_NAMES, ids=["escape", "direction", "bytes", "line"])
@pytest.mark.parametrize("sound", [True, False])
def test_names_never_drive_the_terminal(
    name: bytes, sound: bool, scan: Path, plain: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / os.fsdecode(name)
    path.write_bytes(scan.read_bytes() if sound else b"no scan")
    for arguments in (["check", str(path)], ["run", str(path), "-o", str(tmp_path / "out"), *plain]):
        assert main(arguments) == (0 if sound else 4)
        printed = capsys.readouterr()
        assert all(character.isprintable() or character == "\n" for character in printed.out + printed.err)
        if not sound:
            # no line that could pass for another
            assert len(printed.err.splitlines()) == 1


@pytest.fixture
def _bug_in_first(monkeypatch: pytest.MonkeyPatch) -> None:
    """Processing fails, as it never should, for inputs named ``first``."""

    def process(path: Path, *arguments: Any, **options: Any) -> Outcome:
        if path.stem == "first":
            raise ZeroDivisionError
        return process_session(path, *arguments, **options)

    monkeypatch.setattr("fieldproc.pipeline.process_session", process)
    # children of this process rather than of a server, which would know nothing of the patch
    monkeypatch.setattr("fieldproc.child.METHOD", "fork")


@pytest.mark.usefixtures("_bug_in_first")
def test_a_bug_ends_in_70(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "first.h5").touch()
    assert main(["run", str(tmp_path / "first.h5"), "-o", str(tmp_path)]) == 70
    printed = capsys.readouterr().err
    assert "Traceback" in printed
    assert "a bug of ours (ZeroDivisionError)" in printed.splitlines()[-1]


@pytest.mark.usefixtures("_bug_in_first")
def test_a_bug_in_one_session_costs_only_that_session(
    scan: Path, plain: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "first.h5").touch()
    assert main(["run", str(tmp_path / "first.h5"), str(scan), "-o", str(tmp_path), *plain]) == 3
    assert "Traceback" in capsys.readouterr().err
    assert (tmp_path / "box/summary.json").is_file()


def test_the_installed_command(scan: Path, tmp_path: Path) -> None:
    def fieldproc(*arguments: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "fieldproc", *arguments], capture_output=True, text=True, check=False
        )

    run = fieldproc("check", str(scan), str(BROKEN[0]))
    assert (run.returncode, run.stdout) == (4, f"{scan}: no faults found\n")
    assert run.stderr.startswith(f"fieldproc: {BROKEN[0]}: ")
    usage = fieldproc("run", str(tmp_path / "none.h5"), "-o", str(tmp_path / "out"))
    assert usage.returncode == 2
    assert "Traceback" not in usage.stderr


def test_a_name_in_the_file_does_not_decide_what_is_calibrated(scan: Path, plain: list[str], tmp_path: Path) -> None:
    path = tmp_path / "extra.h5"
    path.write_bytes(scan.read_bytes())
    with h5py.File(path, "r+") as file:
        # an unknown object, named in a notice
        file["relative"] = 1.0
    assert main(["run", str(path), "-o", str(tmp_path / "out"), *plain]) == 0
    facts = json.loads((tmp_path / "out/extra/summary.json").read_text())["facts"]
    assert facts["calibrated"] == 1
