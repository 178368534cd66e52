"""Long batches: nothing grows, two at a time are worth it, and too little memory is a refusal."""

from __future__ import annotations

import contextlib
import json
import re
import resource
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from batch.commands import command, faults_of, quick_settings, write_scans
from batch.processes import descriptors, peak_bytes, resident_bytes, wait_until, workers_of
from batch.small import write_scan

from fieldproc.side_by_side import cores

MIB = 2**20
QUIET = "[exports]\nformats = []\n"


def many_scans(folder: Path, count: int) -> list[Path]:
    """One scan under many names."""
    folder.mkdir()
    first = write_scan(folder / "scan-000.h5")
    others = [folder / f"scan-{number:03d}.h5" for number in range(1, count)]
    for path in others:
        shutil.copyfile(first, path)
    return [first, *others]


def growth(folder: Path, count: int, settled: int) -> tuple[int, int]:
    """Of the command's own process between so many ended sessions and the last of ``count``: bytes, descriptors."""
    scans, events = many_scans(folder / "scans", count), folder / "events.jsonl"
    order = ["run", str(folder / "scans"), "-o", str(folder / "out"), "-s", str(quick_settings(folder, QUIET))]
    measured: list[tuple[int, int]] = []
    with command([*order, "--jobs", "2", "--tables-only", "--events", str(events)], folder / "log.txt") as process:

        def measure(ended: int) -> None:
            def is_there() -> bool:
                return events.exists() and events.read_text().count('"session ended"') >= ended

            assert wait_until(is_there, 1200.0)
            measured.append((resident_bytes(process.pid), descriptors(process.pid)))

        measure(settled)
        # one that still runs, so that there is something to measure
        measure(len(scans) - 1)
        assert process.wait(60) == 0
    status = json.loads((folder / "out/status.json").read_bytes())
    assert status["counts"] == {"done": count}
    assert faults_of(folder / "out") == []
    (first_bytes, first_files), (last_bytes, last_files) = measured
    return last_bytes - first_bytes, last_files - first_files


@pytest.mark.soak
def test_forty_sessions_leave_nothing_behind(tmp_path: Path) -> None:
    """A twentieth of the soak below, with a tenth of its allowance: memory grows in steps. Measured: 0.5 MiB."""
    grown_bytes, grown_files = growth(tmp_path, 40, settled=15)
    assert grown_bytes < 2 * MIB
    # as many as two sessions at work have, give or take one that is just beginning or ending
    assert abs(grown_files) <= 6


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_five_hundred_sessions_leave_nothing_behind(tmp_path: Path) -> None:
    grown_bytes, grown_files = growth(tmp_path, 500, settled=20)
    assert grown_bytes < 20 * MIB
    assert abs(grown_files) <= 6


@pytest.mark.soak
def test_two_at_a_time_are_worth_it(tmp_path: Path) -> None:
    """On an otherwise idle machine of two cores or more; the best of three, for it may not be."""
    scans = write_scans(tmp_path, 12)
    settings = tmp_path / "settings.toml"
    settings.write_text("", encoding="utf-8")

    def seconds(jobs: int) -> float:
        order = ["run", *map(str, scans), "-o", str(tmp_path / "out"), "-s", str(settings), "--jobs", str(jobs)]
        began_s = time.monotonic()
        with command([*order, "--again", "--tables-only"], tmp_path / "log.txt") as process:
            assert process.wait() == 0
        return time.monotonic() - began_s

    gains = [seconds(1) / seconds(2) for _ in range(3)]
    assert max(gains) >= 1.7, gains


# Address space of the command and of each of its children, from what does not even load to what is enough.
LEVELS_MIB = (150, 250, 350, 450, 500, 550, 700, 900, 1600, 2400)


@pytest.mark.soak
@pytest.mark.parametrize("level", LEVELS_MIB)
def test_too_little_address_space_is_a_refusal(level: int, tmp_path: Path) -> None:
    (scan,) = write_scans(tmp_path, 1)
    order = ["run", str(scan), "-o", str(tmp_path / "out"), "-s", str(quick_settings(tmp_path)), "--tables-only"]

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (level * MIB, level * MIB))

    done = subprocess.run(
        [sys.executable, "-m", "fieldproc", *order], capture_output=True, text=True, check=False, preexec_fn=limit
    )
    assert done.returncode in (0, 7), done.stderr
    assert "Traceback" not in done.stderr
    if done.returncode == 0:
        assert faults_of(tmp_path / "out") == []


@pytest.mark.soak
@pytest.mark.parametrize("level_gib", [0.001, 0.003, 0.01, 0.02, 0.03, 0.05, 0.1, 0.2, 0.5, 1.0])
def test_too_little_memory_for_a_session_is_a_refusal(level_gib: float, tmp_path: Path) -> None:
    (scan,) = write_scans(tmp_path, 1)
    order = ["run", str(scan), "-o", str(tmp_path / "out"), "-s", str(quick_settings(tmp_path)), "--tables-only"]
    with command([*order, "--memory", str(level_gib)], tmp_path / "log.txt") as process:
        code = process.wait()
    said = (tmp_path / "log.txt").read_text()
    assert code in (0, 7), said
    assert "Traceback" not in said
    assert level_gib < 1.0 or code == 0


@pytest.mark.soak
def test_fits_take_no_more_than_announced(tmp_path: Path) -> None:
    """Beyond what a worker has in memory before it reads anything, and with a quarter for all that is no fit."""
    write_scan(tmp_path / "large.h5", points=2400, frequency_hz=(1500.0, 1800.0, 2000.0, 2200.0))
    settings = tmp_path / "settings.toml"
    settings.write_text(f"{QUIET}[orders]\noutgoing = 20\nregular = 20\n[uncertainty]\nenabled = false\n")
    order = ["run", str(tmp_path / "large.h5"), "-o", str(tmp_path / "out"), "-s", str(settings), "--tables-only"]
    first: dict[int, int] = {}
    peak: dict[int, int] = {}
    with command(order, tmp_path / "log.txt") as process:
        while process.poll() is None:
            for worker in workers_of(process.pid):
                with contextlib.suppress(OSError, IndexError):
                    peak[worker] = peak_bytes(worker)
                    first.setdefault(worker, peak[worker])
            time.sleep(0.01)
    assert process.returncode == 0
    announced = re.search(r"at most ([0-9.]+) GiB for each core at work", (tmp_path / "log.txt").read_text())
    assert announced is not None
    allowed_bytes = float(announced[1]) * 2**30 * cores()
    (worker,) = peak
    # there was something to measure, and no more than was said
    assert 0.1 * allowed_bytes < peak[worker] - first[worker] < 1.25 * allowed_bytes
