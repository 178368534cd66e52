"""A batch gives the same bytes whatever is done at a time, and whenever."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from batch.small import files_below, write_scan, write_settings

from fieldproc.cli import main

NAMES = ("one", "two", "three", "four")


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Small scans of other noise each."""
    folder = tmp_path_factory.mktemp("scans")
    for seed, name in enumerate(NAMES):
        write_scan(folder / f"{name}.h5", seed)
    return folder


def run(scans: Path, output: Path, settings: Path, *more: str) -> dict[str, bytes]:
    assert main(["run", str(scans), "-o", str(output), "-s", str(settings), *more]) == 0
    return files_below(output)


def test_any_number_of_jobs_and_any_run(scans: Path, tmp_path: Path) -> None:
    settings = write_settings(tmp_path)
    first = run(scans, tmp_path / "first", settings, "--tables-only")
    for count, jobs in enumerate(("1", "2", "4")):
        # everything in the folder, its status.json included
        assert run(scans, tmp_path / str(count), settings, "--tables-only", "--jobs", jobs) == first
    status = json.loads(first["status.json"])
    assert [session["folder"] for session in status["sessions"]] == sorted(NAMES)
    # in another order of inputs
    turned = [str(scans / f"{name}.h5") for name in NAMES]
    assert main(["run", *turned, "-o", str(tmp_path / "turned"), "-s", str(settings), "--tables-only"]) == 0
    found = files_below(tmp_path / "turned")
    assert {name for name in first if found[name] != first[name]} == {"status.json"}


def test_figures_exports_and_bands_from_the_settings_as_used(tmp_path: Path) -> None:
    (tmp_path / "scans").mkdir()
    for seed, name in enumerate(("pair", "small")):
        write_scan(tmp_path / f"scans/{name}.h5", seed)
    stated = tmp_path / "stated.toml"
    stated.write_text("[uncertainty]\ndraws = 8\n", encoding="utf-8")
    one = run(tmp_path / "scans", tmp_path / "one", stated)
    two = run(tmp_path / "scans", tmp_path / "two", tmp_path / "one/pair/settings.toml", "--jobs", "2")
    assert {name for name in one if one[name] != two[name]} == set()
    assert {"pair/report.html", "pair/exports/directivity.sofa"} <= set(one)


def test_events_tell_the_time_that_is_asked_for(
    scans: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = write_settings(tmp_path)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")
    events = tmp_path / "events.jsonl"
    run(scans, tmp_path / "out", settings, "--tables-only", "--events", str(events))
    lines = [json.loads(line) for line in events.read_text().splitlines()]
    assert {line["time"] for line in lines} == {"1970-01-02T00:00:00.000+00:00"}
    assert [line["event"] for line in lines[:2]] == ["batch began", "planned"]
    assert lines[-1] == {
        "time": "1970-01-02T00:00:00.000+00:00",
        "event": "batch ended",
        "exit_code": 0,
        "counts": {"done": 4},
    }
    ended = [line for line in lines if line["event"] == "session ended"]
    assert {line["message"] for line in ended} == {"good from 70 to 125 Hz"}
    # appended to, with the reasons of the second run
    run(scans, tmp_path / "out", settings, "--tables-only", "--events", str(events))
    again = [json.loads(line) for line in events.read_text().splitlines()][len(lines) :]
    assert [line["action"] for line in again if line["event"] == "planned"] == ["keep"] * 4
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "today")
    capsys.readouterr()
    assert main(["run", str(scans), "-o", str(tmp_path / "out"), "--events", str(events)]) == 2
    assert "SOURCE_DATE_EPOCH is 'today'" in capsys.readouterr().err
