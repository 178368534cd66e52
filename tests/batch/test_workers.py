"""Workers that crash, hang or are killed: only their own session fails, and the batch goes on."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from batch import deeds
from batch.commands import command, faults_of, leftovers, quick_settings, write_scans
from batch.processes import alive, none_left, parent_of, wait_until, workers_of
from batch.small import files_below

from fieldproc import child
from fieldproc.cli import main
from fieldproc.outcome import Outcome
from fieldproc.pipeline import process_session
from fieldproc.results import write_folder
from fieldproc.settings import load_settings

# How a worker misbehaves, and how its session ends.
DEEDS: dict[str, tuple[Callable[[], object], int]] = {
    "SIGKILL": (lambda: deeds.end_by(signal.SIGKILL), 7),
    "SIGSEGV": (lambda: deeds.end_by(signal.SIGSEGV), 70),
    "SIGABRT": (lambda: deeds.end_by(signal.SIGABRT), 70),
    "hangs": (lambda: time.sleep(60), 7),
    "leaves": (lambda: deeds.leave(3), 70),
}
STEPS = 4
# Minutes of --patience: longer than an honest worker here is silent, by far.
PATIENCE_MIN = 0.03


@pytest.fixture(scope="module")
def scans(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return write_scans(tmp_path_factory.mktemp("workers"), 3)


@pytest.fixture(scope="module")
def settings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return quick_settings(tmp_path_factory.mktemp("settings"), "[exports]\nformats = []\n")


@pytest.fixture(scope="module")
def outcomes(scans: list[Path], settings: Path) -> dict[Path, Outcome]:
    """What becomes of each scan; computed once, for these tests are about the batch."""
    return {
        path: process_session(path, load_settings(settings), lambda _done, _total: None, figures=False)
        for path in scans
    }


class Worker:
    """Does what it knows, but for one scan: there it misbehaves at one step, of which the last is in writing."""

    def __init__(self, outcomes: dict[Path, Outcome], victim: Path, deed: Callable[[], object], step: int) -> None:
        self._outcomes, self._victim, self._deed, self._step = outcomes, victim, deed, step

    def process_session(
        self, path: Path, _settings: object, progress: Callable[[int, int], None], **_options: Any
    ) -> Outcome:
        for step in range(STEPS):
            if path == self._victim and step == self._step:
                self._deed()
            progress(step + 1, STEPS)
        return self._outcomes[path]

    def write_folder(self, final: Path, files: dict[str, bytes]) -> None:
        if final.name == self._victim.stem and self._step == STEPS:
            write_folder(final, Stumbling(files, self._deed))
        else:
            write_folder(final, files)


class Stumbling(dict[str, bytes]):
    """Files of which the second is not written any more."""

    def __init__(self, files: dict[str, bytes], deed: Callable[[], object]) -> None:
        super().__init__(files)
        self._deed = deed

    def items(self) -> Any:
        for number, item in enumerate(super().items()):
            if number == 1:
                self._deed()
            yield item


def test_twenty_workers_misbehave(
    scans: list[Path],
    settings: Path,
    outcomes: dict[Path, Outcome],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    # workers of this process's own, which know of all patches
    monkeypatch.setattr(child, "METHOD", "fork")
    generator = np.random.default_rng(8)
    for number in range(20):
        deed, code = list(DEEDS.values())[number % len(DEEDS)]
        victim = scans[generator.integers(len(scans))]
        # at any step, but every deed once in writing, and with one and with two sessions at a time
        worker = Worker(outcomes, victim, deed, step=generator.integers(STEPS + 1) if number < 15 else STEPS)
        monkeypatch.setattr("fieldproc.pipeline.process_session", worker.process_session)
        monkeypatch.setattr("fieldproc.batch.job.write_folder", worker.write_folder)
        output = tmp_path / str(number)
        order = ["run", *map(str, scans), "-o", str(output), "-s", str(settings), "--tables-only"]
        began_s = time.monotonic()
        assert main([*order, "--jobs", str(1 + number % 2), "--patience", str(PATIENCE_MIN)]) == 3
        assert time.monotonic() - began_s < 20.0
        require_only_one_failed(output, scans, victim, code, outcomes)
        said = capfd.readouterr()
        # which files it was: in the table at the end, and in one complaint
        rows = {line.split()[0]: line.split()[1:3] for line in said.out.splitlines() if line.startswith("scan-")}
        assert rows == {path.stem: ["failed", str(code)] if path == victim else ["done", "0"] for path in scans}
        assert [str(victim) in line for line in said.err.splitlines() if line.startswith("fieldproc: ")] == [True]
    # the next run makes up for it, and for nothing else
    monkeypatch.setattr("fieldproc.pipeline.process_session", process_session)
    monkeypatch.setattr("fieldproc.batch.job.write_folder", write_folder)
    assert main(order) == 0
    states = [line.split()[1] for line in capfd.readouterr().out.splitlines() if line.startswith("scan-")]
    assert states == ["done" if path == victim else "kept" for path in scans]


def require_only_one_failed(
    output: Path,
    scans: list[Path],
    victim: Path,
    code: int,
    outcomes: dict[Path, Outcome],
    *,
    told_late: bool = False,
) -> None:
    for path in scans:
        # a victim may have been done with writing, and not have told
        if path != victim or (told_late and (output / path.stem).exists()):
            assert files_below(output / path.stem) == outcomes[path].files
        else:
            assert not (output / path.stem).exists()
    assert leftovers(output) == []
    status = json.loads((output / "status.json").read_bytes())
    codes = {session["input"]: (session["state"], session["exit_code"]) for session in status["sessions"]}
    assert codes == {str(path): ("failed", code) if path == victim else ("done", 0) for path in scans}
    assert (status["state"], status["exit_code"]) == ("finished", 3)
    assert status["counts"] == {"done": len(scans) - 1, "failed": 1}


# --- killed from outside, in the real command --------------------------------------------------------


def stopped_worker(leader: int) -> int:
    """A process at work for a command, held so that it can't end meanwhile."""
    stopped: list[int] = []

    def stop_one() -> bool:
        for process in workers_of(leader):
            with contextlib.suppress(ProcessLookupError):
                os.kill(process, signal.SIGSTOP)
            if alive(process):
                stopped.append(process)
                break
        return bool(stopped)

    assert wait_until(stop_one, 60.0)
    return stopped[0]


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSEGV], ids=lambda number: number.name)
def test_a_worker_killed_from_outside(
    number: int, scans: list[Path], settings: Path, outcomes: dict[Path, Outcome], tmp_path: Path
) -> None:
    output = tmp_path / "out"
    order = ["run", *map(str, scans), "-o", str(output), "-s", str(settings), "--jobs", "2", "--tables-only"]
    for _ in range(5):
        with command([*order, "--again"], tmp_path / "log.txt") as process:
            worker = stopped_worker(process.pid)
            os.kill(worker, number)
            os.kill(worker, signal.SIGCONT)
            code = process.wait(60)
            assert none_left(process.pid, 2.0)
        # a worker that had just handed over its results costs nobody anything
        assert code in (0, 3)
        if code == 3:
            break
        shutil.rmtree(output)
    status = json.loads((output / "status.json").read_bytes())
    (victim,) = [Path(session["input"]) for session in status["sessions"] if session["state"] == "failed"]
    # a crash before the file is read is a bug, one while it is read is the file's
    (code,) = {session["exit_code"] for session in status["sessions"]} - {0}
    assert code in ({7} if number == signal.SIGKILL else {4, 70})
    require_only_one_failed(output, scans, victim, code, outcomes, told_late=True)


def test_the_server_killed_from_outside(
    scans: list[Path], settings: Path, outcomes: dict[Path, Outcome], tmp_path: Path
) -> None:
    """Sessions at work go on, the next have a new server; one that was just beginning may be lost, and says so."""
    output = tmp_path / "out"
    order = ["run", *map(str, scans), "-o", str(output), "-s", str(settings), "--tables-only"]
    with command(order, tmp_path / "log.txt") as process:
        worker = stopped_worker(process.pid)
        server = parent_of(worker)
        assert server is not None
        os.kill(server, signal.SIGKILL)
        os.kill(worker, signal.SIGCONT)
        assert process.wait(60) in (0, 3)
        assert none_left(process.pid, 2.0)
    status = json.loads((output / "status.json").read_bytes())
    lost = [session for session in status["sessions"] if session["exit_code"]]
    assert {session["exit_code"] for session in lost} <= {7}
    assert len(lost) <= 1
    assert faults_of(output) == []
    done = [path for path in scans if (output / path.stem).exists()]
    assert len(done) == len(scans) - len(lost)
    assert all(files_below(output / path.stem) == outcomes[path].files for path in done)
