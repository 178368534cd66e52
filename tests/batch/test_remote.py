"""Whole sessions on a Dask cluster: the bytes of a local run, whatever happens to workers."""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from pathlib import Path

import pytest
from batch.small import files_below, write_scan, write_settings
from dask_site import site

from fieldproc.cli import main
from fieldproc.errors import ExitCode

# In every run, and with -m soak.
FEW, SESSIONS = 6, 20


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("scans")
    for seed in range(SESSIONS):
        write_scan(folder / f"scan-{seed:02d}.h5", seed)
    return folder


def once(happened: list[bool], true: object, deed: object) -> threading.Thread:
    """Do something as soon as something is true."""
    assert callable(true)
    assert callable(deed)

    def wait() -> None:
        while not true():
            time.sleep(0.02)
        deed()
        happened.append(True)

    thread = threading.Thread(target=wait, daemon=True)
    thread.start()
    return thread


def finished(output: Path) -> int:
    return len(list(output.glob("*/summary.json")))


@pytest.mark.parametrize("count", [FEW, pytest.param(SESSIONS, marks=pytest.mark.soak)])
def test_a_worker_that_is_killed(count: int, scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    inputs = [str(path) for path in sorted(scans.iterdir())[:count]]
    settings = ["-s", str(write_settings(tmp_path)), "--tables-only"]
    assert main(["run", *inputs, "-o", str(tmp_path / "local"), *settings, "--jobs", "2"]) == 0
    killed: list[bool] = []
    with site(tmp_path, 2) as here:
        victim = here.workers[0].pid
        thread = once(
            killed, lambda: finished(tmp_path / "far") >= count // 2, lambda: os.kill(victim, signal.SIGKILL)
        )
        arguments = ["run", *inputs, "-o", str(tmp_path / "far"), *settings, "--scheduler", here.address]
        assert main(arguments) == 0
        thread.join()
    assert killed
    assert files_below(tmp_path / "far") == files_below(tmp_path / "local")
    assert f"{count} done" in capsys.readouterr().out


def test_a_bad_file_and_a_lost_scheduler(scans: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    inputs = tmp_path / "inputs"
    inputs.mkdir()
    for path in sorted(scans.iterdir())[:4]:
        (inputs / path.name).symlink_to(path)
    (inputs / "broken.h5").write_bytes(b"no scan")
    settings = ["-s", str(write_settings(tmp_path)), "--tables-only"]
    output = tmp_path / "out"
    lost: list[bool] = []
    with site(tmp_path, 1) as here:
        thread = once(lost, lambda: finished(output) >= 2, here.scheduler.kill)
        assert main(["run", str(inputs), "-o", str(output), *settings, "--scheduler", here.address]) == 3
        thread.join()
    sessions = {one["folder"]: one for one in json.loads((output / "status.json").read_text())["sessions"]}
    assert sessions["broken"]["exit_code"] == ExitCode.REFUSED
    assert "no HDF5 file" in sessions["broken"]["message"]
    codes = [sessions[f"scan-{seed:02d}"]["exit_code"] for seed in range(4)]
    # what was finished stays
    assert codes.count(0) == finished(output) >= 2
    assert set(codes) == {0, int(ExitCode.LIMIT)}
    assert "the cluster" in capsys.readouterr().err


def test_one_session_has_its_frequencies_solved_there(scans: Path, tmp_path: Path) -> None:
    settings = ["-s", str(write_settings(tmp_path)), "--tables-only"]
    scan = str(scans / "scan-00.h5")
    assert main(["run", scan, "-o", str(tmp_path / "local"), *settings]) == 0
    with site(tmp_path, 1) as here:
        assert main(["run", scan, "-o", str(tmp_path / "far"), *settings, "--scheduler", here.address]) == 0
    assert files_below(tmp_path / "far") == files_below(tmp_path / "local")
