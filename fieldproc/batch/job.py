"""One input from file to result folder, inside a child process."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from fieldproc import child
from fieldproc.errors import ExitCode, FieldprocError, LimitError, printable
from fieldproc.outcome import Outcome
from fieldproc.results import write_folder
from fieldproc.settings import Settings
from fieldproc.side_by_side import divide_machine, hold_matrix_library, working_with

Command = Literal["run", "validate"]


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be done with one input. ``figures``: draw them, if the settings want any.

    ``processes``: so many like this one divide the machine; ``scheduler``: of the cluster that solves frequencies.
    """

    path: Path
    folder: Path
    command: Command
    settings: Settings
    figures: bool = True
    strict: bool = False
    processes: int = 1
    scheduler: str | None = None


@dataclass(frozen=True, slots=True)
class Report:
    """How one input ended. ``kept``: its results were there already; ``seconds``: what it took.

    ``message`` names the file only where it came to nothing.
    """

    job: Job
    code: ExitCode
    message: str
    notices: tuple[str, ...] = ()
    kept: bool = False
    seconds: float = 0.0

    @property
    def done(self) -> bool:
        """Do the results stand, trusted or not?"""
        return self.code in (ExitCode.DONE, ExitCode.MISSED_TOLERANCE)

    def after(self, seconds: float) -> Report:
        """The same, with what it took."""
        return replace(self, seconds=seconds)

    @classmethod
    def of_error(cls, job: Job, error: FieldprocError) -> Report:
        """Of an input that came to nothing."""
        # a batch reports more than one: each says of which file it speaks
        text, name = str(error), printable(str(job.path))
        text = text.replace(str(job.path), name)
        return cls(job, error.exit_code, text if name in text else f"{name}: {text}")


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a session is."""

    done: int
    total: int


def work(job: Job) -> Report:
    """Process and write one input, in a process of its own. Raises ``FieldprocError``."""
    hold_matrix_library()
    divide_machine(job.processes)
    try:
        with _crew(job.scheduler) as notices:
            outcome = _process(job)
        write_folder(job.folder, outcome.files)
    except MemoryError:
        raise LimitError(f"{job.path}: out of memory; lower the orders or --jobs, or free memory") from None
    report = report_of(job, outcome)
    return replace(report, notices=report.notices + notices)


def _process(job: Job) -> Outcome:
    from fieldproc.pipeline import process_session, validate_session

    def progress(done: int, total: int) -> None:
        child.tell(Progress(done, total))

    if job.command == "run":
        return process_session(job.path, job.settings, progress, figures=job.figures)
    return validate_session(job.path, job.settings, progress)


@contextmanager
def _crew(scheduler: str | None) -> Iterator[tuple[str, ...]]:
    """Heavy work goes to the cluster of this scheduler, if there is one; what is to be told of it."""
    if scheduler is None:
        yield ()
        return
    from fieldproc.cluster import connect

    cluster = connect(scheduler)
    try:
        with working_with(cluster):
            yield cluster.notices
    finally:
        cluster.close()


def report_of(job: Job, outcome: Outcome) -> Report:
    """How an input ended whose results stand."""
    code, message = ExitCode.DONE, outcome.message
    if outcome.failures:
        code, message = ExitCode.MISSED_TOLERANCE, f"{message}; missed: {'; '.join(outcome.failures)}"
    elif job.strict and outcome.untrusted:
        code, message = ExitCode.MISSED_TOLERANCE, f"{message}; some bands are not to be used"
    return Report(job, code, message, outcome.notices)
