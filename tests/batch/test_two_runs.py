"""Two runs in one folder: one works, the other says at once that it does not."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pytest
from batch.commands import command, quick_settings, write_scans
from batch.small import files_below

from fieldproc.batch import locked
from fieldproc.cli import main


@pytest.fixture(scope="module")
def order(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    folder = tmp_path_factory.mktemp("two-runs")
    scans = write_scans(folder, 2)
    return ["run", *map(str, scans), "-s", str(quick_settings(folder)), "--tables-only"]


def test_the_second_run_is_refused_at_once(
    order: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    output = tmp_path / "out"
    with locked(output):
        for _ in range(50):
            before = files_below(output)
            began_s = time.monotonic()
            assert main([*order, "-o", str(output)]) == 6
            assert time.monotonic() - began_s < 1.0
            (line,) = capsys.readouterr().err.splitlines()
            assert line == f"fieldproc: {output}: another run is at work there; wait for it or choose another folder"
            assert files_below(output) == before
    # and what is free again is taken
    with locked(output):
        pass


def test_no_lock_is_for_those_who_know(order: list[str], tmp_path: Path) -> None:
    output = tmp_path / "out"
    with locked(output):
        assert main([*order[:2], *order[3:], "-o", str(output), "--no-lock"]) == 0
    assert (output / "scan-0" / "summary.json").is_file()


def test_a_lock_is_one_folder_s(order: list[str], tmp_path: Path) -> None:
    with locked(tmp_path / "other"):
        assert main([*order[:2], *order[3:], "-o", str(tmp_path / "out")]) == 0


def test_two_commands_started_together(order: list[str], tmp_path: Path) -> None:
    """Whoever comes first works, whatever the other does; the results are those of one."""
    output, whole = tmp_path / "out", None
    for _ in range(3):
        log = tmp_path / "log.txt"
        both = [command([*order, "-o", str(output)], log) for _ in range(2)]
        codes = sorted(process.wait(120) for process in both)
        # on a machine so slow that the first is done before the second looks, that finds nothing to do
        assert codes in ([0, 6], [0, 0])
        said = log.read_text()
        assert said.count("another run is at work") == codes.count(6)
        assert "Traceback" not in said
        whole = files_below(output) if whole is None else whole
        assert files_below(output) == whole
        log.unlink()
        shutil.rmtree(output)
