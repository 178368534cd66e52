"""``fieldproc plan``: a result folder and a page, the same every time; refusals with their exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fieldproc.cli import main
from fieldproc.errors import ExitCode

SETTINGS = """
title = "Small box"
[loudspeaker]
size_m = [0.15, 0.12, 0.2]
[room]
down_m = 1.0
[band]
lowest_hz = 150.0
highest_hz = 600.0
[scan]
points = 120
azimuths = 10
gap_m = 0.1
"""


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    path = tmp_path / "box.toml"
    path.write_text(SETTINGS)
    return path


def test_a_proposal_is_written_told_and_judged(
    settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folders = []
    for name in ("one", "two"):
        assert main(["plan", "-s", str(settings), "-o", str(tmp_path / name)]) == ExitCode.DONE
        folders.append(tmp_path / name / "box.plan")
    files = sorted(path.name for path in folders[0].iterdir())
    assert files == [
        "plan.h5", "plan.txt", "positions.csv", "prediction.csv", "prediction.csv-metadata.json", "summary.json",
    ]  # fmt: skip
    for name in files:
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes()
    told = capsys.readouterr().out
    assert (folders[0] / "plan.txt").read_text() in told
    summary = json.loads((folders[0] / "summary.json").read_text())
    rows = len((folders[0] / "positions.csv").read_text().splitlines()) - 1
    assert summary["scalars"]["visits"]["value"] == rows
    assert summary["scalars"]["points"]["value"] == rows - 10

    band = tmp_path / "band.toml"
    band.write_text("[band]\nlowest_hz = 200.0\nhighest_hz = 500.0\n")
    assert main(["plan", "--judge", str(folders[0] / "plan.h5"), "-s", str(band)]) == ExitCode.DONE
    judged = capsys.readouterr().out
    # the band of the judgement is its own, but not what the grid carries
    assert f"plan: {rows - 10} points, {rows} visits" in judged
    (carried,) = (line for line in judged.splitlines() if line.startswith("carried"))
    assert "degree" in carried

    assert main(["run", str(folders[0] / "plan.h5"), "-o", str(tmp_path / "out")]) == ExitCode.REFUSED
    assert 'found "pressure-scan plan, no responses yet"' in capsys.readouterr().err


def test_what_is_missing_is_asked_for(settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plan", "-s", str(settings)]) == ExitCode.USAGE
    assert main(["plan", "-o", str(tmp_path / "out")]) == ExitCode.USAGE
    assert "give --settings and --output for a proposal" in capsys.readouterr().err
    assert main(["plan", "--judge", str(tmp_path / "none.h5")]) == ExitCode.USAGE
    assert not (tmp_path / "out").exists()


def test_a_refused_proposal_leaves_nothing(
    settings: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings.write_text(SETTINGS.replace("down_m = 1.0", "down_m = 0.2"))
    assert main(["plan", "-s", str(settings), "-o", str(tmp_path / "out")]) == ExitCode.REFUSED
    assert "room.down_m is 0.2 m" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
