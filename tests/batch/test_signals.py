"""Told to end, by the keyboard or by another process, at any moment: soon, quietly, and the next run is whole."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from batch.commands import Zygote, command, faults_of, leftovers, quick_settings, write_scans, zygote
from batch.processes import none_left, wait_until
from batch.small import files_below

from fieldproc.batch import Decision, Job, Report, run_batch
from fieldproc.batch.run import Hear
from fieldproc.errors import StoppedError
from fieldproc.settings import Settings

CODES = {signal.SIGINT: 130, signal.SIGTERM: 143}
WORDS = {signal.SIGINT: "interrupted", signal.SIGTERM: "terminated"}
# What was asked for: nobody waits longer, and nobody stays longer behind.
ENDED_S, GONE_S = 5.0, 2.0
# After an event; most sessions take longer from one to the next.
JITTER_S = 0.15


@dataclass(frozen=True)
class Batch:
    """Three scans, what an undisturbed run leaves of them, and how many events it tells."""

    folder: Path
    order: list[str]
    commands: Zygote
    whole: dict[str, bytes]
    count: int

    @property
    def output(self) -> Path:
        return self.folder / "out"

    @property
    def log(self) -> Path:
        return self.folder / "log.txt"

    def wait_for_any_moment(self, generator: np.random.Generator) -> None:
        """Until some event has been told, and a little longer: on a slow machine it is the same part of the work."""
        told = generator.integers(self.count)
        wait_until(lambda: len(events_in(self.folder)) >= told, 60.0)
        time.sleep(generator.uniform(0.0, JITTER_S))


def events_in(folder: Path) -> list[str]:
    path = folder / "events.jsonl"
    return path.read_text().splitlines() if path.exists() else []


@pytest.fixture(scope="module")
def batch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Batch]:
    folder = tmp_path_factory.mktemp("signals")
    scans, settings = write_scans(folder, 3), quick_settings(folder)
    order = ["run", *map(str, scans), "-o", str(folder / "out"), "-s", str(settings), "--jobs", "2", "--tables-only"]
    order += ["--events", str(folder / "events.jsonl")]
    with zygote() as commands:
        assert commands.run(order, folder / "undisturbed.txt") == 0
        whole, count = files_below(folder / "out"), len(events_in(folder))
        clear(folder)
        yield Batch(folder, order, commands, whole, count)


def clear(folder: Path) -> None:
    shutil.rmtree(folder / "out")
    (folder / "events.jsonl").unlink()


def interrupt(batch: Batch, leader: int, number: int, wait: Callable[[], int], *, group: bool = False) -> bool:
    """Signal a command, wait for its end, and see that all is well. Had it ended before?"""
    batch.log.touch()
    began_s = time.monotonic()
    (os.killpg if group else os.kill)(leader, number)
    code = wait()
    assert time.monotonic() - began_s < ENDED_S
    assert none_left(leader, GONE_S)
    said = batch.log.read_text()
    assert "Traceback" not in said
    complaints = [line for line in said.splitlines() if line.startswith("fieldproc: ")]
    batch.log.unlink()
    # a command that is done takes a moment to leave, and has nothing to say
    ended_before = not complaints and code in (0, -number)
    if ended_before:
        assert files_below(batch.output) == batch.whole
    else:
        assert (code, complaints) == (CODES[signal.Signals(number)], [f"fieldproc: {WORDS[signal.Signals(number)]}"])
    if batch.output.exists():
        assert faults_of(batch.output) == []
        assert leftovers(batch.output) == []
    assert batch.commands.run(batch.order, batch.folder / "rerun.txt") == 0
    assert files_below(batch.output) == batch.whole
    clear(batch.folder)
    return ended_before


def run_interrupts(batch: Batch, number: int, times: int) -> None:
    """At random moments of a command that begins at once, to the parent alone: its children must be ended by it."""
    generator, too_late = np.random.default_rng(number), 0
    for _ in range(times):
        leader = batch.commands.start(batch.order, batch.log)
        wait_until_it_hears(leader)
        batch.wait_for_any_moment(generator)
        too_late += interrupt(batch, leader, number, batch.commands.wait)
    assert too_late < times / 2


def run_real_interrupts(batch: Batch, number: int, times: int) -> None:
    """The real command, from its beginning, and to the whole group, as from a keyboard."""
    generator = np.random.default_rng(number)
    for _ in range(times):
        with command(batch.order, batch.log) as process:
            wait_until_it_hears(process.pid)
            batch.wait_for_any_moment(generator)
            interrupt(batch, process.pid, number, process.wait, group=True)


def wait_until_it_hears(process: int) -> None:
    """Until it has installed what receives its signals. The interpreter by itself catches no SIGTERM."""

    def hears() -> bool:
        status = Path(f"/proc/{process}/status").read_text()
        caught = int(status.partition("SigCgt:")[2].split()[0], 16)
        return bool(caught >> (signal.SIGTERM - 1) & 1)

    assert wait_until(hears, 30.0)


@pytest.mark.parametrize("number", list(CODES), ids=lambda number: number.name)
def test_ended_at_any_moment(batch: Batch, number: int) -> None:
    run_interrupts(batch, number, 8)


@pytest.mark.parametrize("number", list(CODES), ids=lambda number: number.name)
def test_the_real_command_ended_at_any_moment(batch: Batch, number: int) -> None:
    run_real_interrupts(batch, number, 2)


@pytest.mark.soak
@pytest.mark.parametrize("number", list(CODES), ids=lambda number: number.name)
def test_ended_fifty_times(batch: Batch, number: int) -> None:
    run_interrupts(batch, number, 30)
    run_real_interrupts(batch, number, 20)


# Its work takes for ever, and so does its clearing up.
_STUCK = """
import sys, time
from fieldproc import child, pipeline
from fieldproc.batch import run
from fieldproc.cli import main

def sweep(_output):
    print("sweeping", flush=True)
    time.sleep(60)

child.METHOD = "fork"
pipeline.process_session = lambda *_arguments, **_options: time.sleep(60)
run.sweep = sweep
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (signal.SIGINT, signal.SIGINT),
        (signal.SIGINT, signal.SIGTERM),
        (signal.SIGTERM, signal.SIGINT),
    ],
    ids=lambda number: number.name,
)
def test_a_second_signal_ends_at_once(batch: Batch, first: int, second: int, tmp_path: Path) -> None:
    output, events = tmp_path / "out", tmp_path / "events.jsonl"
    order = stuck_order(batch.order, output, events)
    with subprocess.Popen(
        order, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert wait_until(lambda: events.exists() and events.read_text().count("session began") == 2, 60.0)
        process.send_signal(first)
        # work is ended, which nobody would wait for
        assert process.stdout.readline() == "sweeping\n"
        assert process.poll() is None
        began_s = time.monotonic()
        process.send_signal(second)
        assert process.wait() == 128 + second
        assert time.monotonic() - began_s < 1.0
        assert none_left(process.pid, GONE_S)
        assert "Traceback" not in process.stderr.read()


def stuck_order(order: Sequence[str], output: Path, events: Path) -> list[str]:
    return [sys.executable, "-c", _STUCK, *order, "-o", str(output), "--events", str(events)]


class Interrupted:
    """Work that is interrupted where the interpreter listens only when its main thread wakes up by itself: a signal
    that another thread receives, or one that comes just before the main thread begins to wait."""

    def __init__(self) -> None:
        self.stopped = threading.Event()

    def __call__(self, _job: Job, _hear: Hear) -> Report:
        time.sleep(0.1)
        signal.pthread_kill(threading.get_ident(), signal.SIGINT)
        self.stopped.wait(2 * ENDED_S)
        raise StoppedError("stopped")

    def stop(self) -> None:
        self.stopped.set()


def test_a_signal_is_heard_while_nothing_ends(tmp_path: Path) -> None:
    # whoever began these tests may have let signals from the keyboard be ignored
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    job = Job(tmp_path / "a.h5", tmp_path / "out/a", "run", Settings())
    began_s = time.monotonic()
    try:
        with pytest.raises(KeyboardInterrupt):
            run_batch("run", [Decision(job, "run", "new")], tmp_path / "out", 1, Interrupted(), [])
    finally:
        signal.signal(signal.SIGINT, before)
    assert time.monotonic() - began_s < ENDED_S
