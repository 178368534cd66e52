"""Killed with all that belongs to them, at any moment: no run leaves anything invalid, and the next one is whole."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from batch.commands import Zygote, faults_of, leftovers, quick_settings, write_scans, zygote
from batch.processes import none_left, wait_until
from batch.small import files_below

from fieldproc.results import write_folder

# Beyond what was measured of a run, for a machine that has become slower.
LONGER = 1.2
# The folder of a session is written in about as much.
WRITING_S = 0.03


def arguments(scans: Sequence[Path], output: Path, settings: Path, *more: str) -> list[str]:
    return ["run", *map(str, scans), "-o", str(output), "-s", str(settings), "--jobs", "2", *more]


def killed(commands: Zygote, order: list[str], output: Path, log: Path, moment_s: float, *, writing: bool) -> bool:
    """Kill a command with its children, so long after its start or after it begins to write.

    Did that leave something half-written?
    """
    leader = commands.start(order, log)
    if writing:
        wait_until(lambda: any(output.glob(".*.fieldproc-tmp")), 10.0)
    time.sleep(moment_s)
    os.killpg(leader, signal.SIGKILL)
    commands.wait()
    assert none_left(leader, within_s=2.0)
    return bool(output.exists() and leftovers(output))


def run_kills(folder: Path, times: int, more_settings: str, figures: bool) -> int:
    """Kills at random moments, half of them while it writes; every second run replaces older results.

    How many left something half-written?
    """
    scans, settings, log = write_scans(folder, 2), quick_settings(folder, more_settings), folder / "log.txt"
    options = [] if figures else ["--tables-only"]
    output, whole = folder / "out", folder / "whole"
    generator, half_written = np.random.default_rng(5), 0
    with zygote(settings, int(figures), *scans) as commands:
        order = arguments(scans, output, settings, *options)
        assert commands.run(order, log) == 0
        began_s = time.monotonic()
        assert commands.run([*order, "--again"], log) == 0
        whole_s = LONGER * (time.monotonic() - began_s)
        output.rename(whole)
        expected = files_below(whole)
        for number in range(times):
            if number % 2:
                shutil.copytree(whole, output)
            writing = number % 4 > 1
            moment_s = generator.uniform(0.0, WRITING_S if writing else whole_s)
            half_written += killed(commands, [*order, "--again"], output, log, moment_s, writing=writing)
            if output.exists():
                assert faults_of(output) == []
            assert commands.run(order, log) == 0
            assert files_below(output) == expected
            assert leftovers(output) == []
            shutil.rmtree(output)
    assert "Traceback" not in log.read_text()
    return half_written


def test_killed_at_any_moment(tmp_path: Path) -> None:
    """The test has teeth only if some were killed while they wrote."""
    assert run_kills(tmp_path, 40, "", figures=False) >= 8


@pytest.mark.soak
@pytest.mark.parametrize(
    ("more_settings", "figures"),
    [("[exports]\nformats = []\n", False), ("", False), ("[exports]\nformats = []\n", True)],
    ids=["tables", "exports", "figures"],
)
def test_killed_two_hundred_times(more_settings: str, figures: bool, tmp_path: Path) -> None:
    assert run_kills(tmp_path, 200, more_settings, figures) >= 40


@pytest.mark.parametrize("harm", ["torn", "missing", "foreign", "no summary"])
def test_what_is_looked_for_would_be_found(harm: str, tmp_path: Path) -> None:
    output = tmp_path / "out"
    write_folder(output / "scan", {"a.txt": b"a", "summary.json": summary_of({"a.txt": b"a"})})
    assert faults_of(output) == []
    match harm:
        case "torn":
            (output / "scan/a.txt").write_bytes(b"")
        case "missing":
            (output / "scan/a.txt").unlink()
        case "foreign":
            (output / "scan/b.txt").touch()
        case "no summary":
            (output / "scan/summary.json").unlink()
    assert len(faults_of(output)) == 1


def summary_of(files: dict[str, bytes]) -> bytes:
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    return json.dumps({"provenance": {"outputs_sha256": digests}}).encode()
