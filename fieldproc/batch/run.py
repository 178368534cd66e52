"""Many inputs, several at a time, each in a child process: every one is tried, and one failure costs only itself."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from pathlib import Path
from typing import Protocol

from fieldproc import child
from fieldproc.batch.course import Closed, Course, Ended, Event, Planned, Progressed, Started, common_code
from fieldproc.batch.job import Job, Progress, Report, report_of, work
from fieldproc.batch.resume import Decision
from fieldproc.errors import ExitCode, FieldprocError, LimitError
from fieldproc.results import sweep

Hear = Callable[[Progress], None]
# How often the calling thread looks up from its waiting.
_LOOK_S = 0.2


# Told of every event, one at a time, from whatever thread it comes.
Watcher = Callable[[Course, Event], None]


class Local:
    """Children of this process do the work."""

    def __init__(self, limits: child.Limits) -> None:
        self._limits, self._nursery = limits, child.Nursery()

    def __call__(self, job: Job, hear: Hear) -> Report:
        return child.call(work, job, limits=self._limits, hear=hear, nursery=self._nursery)

    def stop(self) -> None:
        """Nothing goes on after this."""
        self._nursery.end_all()


class Doing(Protocol):
    """Where the work is done."""

    def __call__(self, job: Job, hear: Hear, /) -> Report:
        """One input from file to result folder. Raises ``FieldprocError``."""

    def stop(self) -> None:
        """Nothing goes on after this."""


def run_batch(
    command: str,
    decisions: Sequence[Decision],
    output: Path,
    at_a_time: int,
    doing: Doing,
    watchers: Sequence[Watcher],
) -> ExitCode:
    """Do what was decided; the caller holds the lock of ``output``. Returns the exit code of all.

    An interruption (any ``BaseException`` in the calling thread) ends all work at once, sweeps up what it left, and
    goes on to the caller.
    """
    course, one_at_a_time = Course(command, decisions), threading.RLock()

    def tell(event: Event) -> None:
        with one_at_a_time:
            course.hear(event)
            for watcher in watchers:
                watcher(course, event)

    tell(Planned())
    for decision in decisions:
        if decision.action != "run":
            tell(Ended(_without_work(decision)))
    pool = ThreadPoolExecutor(max_workers=at_a_time)
    try:
        waiting = [pool.submit(_one, one.job, doing, tell) for one in decisions if one.action == "run"]
        for report in _as_they_end(waiting):
            tell(Ended(report))
    except BaseException as error:
        doing.stop()
        pool.shutdown(cancel_futures=True)
        sweep(output)
        tell(Closed(getattr(error, "exit_code", ExitCode.INTERRUPTED)))
        raise
    pool.shutdown()
    # a child that was killed while it wrote leaves a folder under a name of its own
    sweep(output)
    code = common_code([report.code for report in course.reports()])
    tell(Closed(code))
    return code


def _as_they_end(waiting: Sequence[Future[Report]]) -> Iterator[Report]:
    """What the work came to, in the order of its ends.

    A wait without end may miss a signal: one that comes after the interpreter's last look and before the wait (while
    other threads want the interpreter, milliseconds) wakes nobody.
    """
    left = set(waiting)
    while left:
        ended, left = wait(left, timeout=_LOOK_S, return_when=FIRST_COMPLETED)
        for future in ended:
            yield future.result()


def _without_work(decision: Decision) -> Report:
    """Of an input whose results stand, or that can't be tried."""
    job = decision.job
    if decision.error is not None:
        return Report.of_error(job, decision.error)
    assert decision.outcome is not None
    kept = report_of(job, decision.outcome)
    return Report(job, kept.code, kept.message, kept.notices, kept=True)


def _one(job: Job, doing: Doing, tell: Callable[[Event], None]) -> Report:
    """In a thread of the pool, which waits for a child."""
    tell(Started(job))
    began_s = time.monotonic()
    try:
        report = doing(job, lambda progress: tell(Progressed(job, progress)))
    except FieldprocError as error:
        report = Report.of_error(job, error)
    except MemoryError:
        report = Report.of_error(job, LimitError("out of memory; free some, or lower --jobs"))
    return report.after(time.monotonic() - began_s)
