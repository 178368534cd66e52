"""Where a batch stands: what has happened to each input, how far it is, and how long the rest may take."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fieldproc.batch.job import Job, Progress, Report
from fieldproc.batch.resume import Decision
from fieldproc.errors import ExitCode


@dataclass(frozen=True, slots=True)
class Planned:
    """What is to be done is known; nothing has begun."""


@dataclass(frozen=True, slots=True)
class Started:
    """A session begins."""

    job: Job


@dataclass(frozen=True, slots=True)
class Progressed:
    """A session is so far."""

    job: Job
    progress: Progress


@dataclass(frozen=True, slots=True)
class Ended:
    """A session has ended, one way or another."""

    report: Report


@dataclass(frozen=True, slots=True)
class Closed:
    """The batch has ended; what has no report will not be tried any more."""

    code: ExitCode


Event = Planned | Started | Progressed | Ended | Closed

# Reading comes before the first frequency, tables and pages after the last; a share in between is a guess.
_COMPUTING = 0.9


@dataclass(slots=True)
class Standing:
    """One input in a batch. ``state``: waiting, running, done, kept, failed, interrupted, or not tried."""

    decision: Decision
    size_bytes: int
    state: str = "waiting"
    share: float = 0.0
    report: Report | None = None

    @property
    def job(self) -> Job:
        """What is or was to be done."""
        return self.decision.job

    def document(self, *, final: bool) -> dict[str, Any]:
        """As ``status.json`` tells it. A final one holds nothing that differs from run to run."""
        told: dict[str, Any] = {"input": str(self.job.path), "folder": self.job.folder.name}
        if self.report is not None:
            state = "done" if self.state == "kept" else self.state
            return {**told, "state": state, "exit_code": int(self.report.code), "message": self.report.message}
        return {**told, "state": self.state} | ({} if final else {"share": round(self.share, 3)})


@dataclass(slots=True)
class Course:
    """A batch from its plan to its end."""

    command: str
    decisions: Sequence[Decision]
    clock: Callable[[], float] = time.monotonic
    standings: dict[Path, Standing] = field(init=False)
    began_s: float = field(init=False)

    def __post_init__(self) -> None:
        self.began_s = self.clock()
        self.standings = {one.job.path: Standing(one, one.size_bytes) for one in self.decisions}

    def hear(self, event: Event) -> None:
        """Take note of what happened."""
        match event:
            case Started(job):
                self.standings[job.path].state = "running"
            case Progressed(job, progress):
                self.standings[job.path].share = _COMPUTING * progress.done / max(progress.total, 1)
            case Ended(report):
                standing = self.standings[report.job.path]
                standing.report, standing.share = report, 1.0
                standing.state = "kept" if report.kept else "done" if report.done else "failed"
            case Closed():
                for standing in self.standings.values():
                    if standing.report is None:
                        standing.state = "interrupted" if standing.state == "running" else "not tried"

    def reports(self) -> list[Report]:
        """Of all inputs that have ended, in the order of the inputs."""
        return [standing.report for standing in self.standings.values() if standing.report is not None]

    def counts(self) -> dict[str, int]:
        """How many inputs are in each state."""
        states = [standing.state for standing in self.standings.values()]
        return {state: states.count(state) for state in dict.fromkeys(states)}

    def left_s(self) -> float | None:
        """Seconds that the rest may take, by the size of the inputs; None before anything is known."""
        worked = [one for one in self.standings.values() if one.state in ("waiting", "running", "done", "failed")]
        whole = sum(one.size_bytes for one in worked)
        through = sum(one.size_bytes * one.share for one in worked)
        if not through:
            return None
        return (self.clock() - self.began_s) * (whole - through) / through

    def document(self, code: ExitCode | None) -> dict[str, Any]:
        """``status.json``; ``code`` once the batch has ended."""
        final = code is not None
        sessions = [standing.document(final=final) for standing in self.standings.values()]
        states = [session["state"] for session in sessions]
        told = {
            "command": self.command,
            "state": "running" if code is None else _ENDS.get(code, "finished"),
            "sessions": sessions,
            "counts": {state: states.count(state) for state in sorted(set(states))},
        }
        if code is not None:
            return {**told, "exit_code": int(code)}
        left_s = self.left_s()
        return {**told, "seconds_left": None if left_s is None else round(left_s)}


_ENDS = {ExitCode.INTERRUPTED: "interrupted", ExitCode.TERMINATED: "terminated"}


def common_code(codes: Sequence[ExitCode]) -> ExitCode:
    """A single input returns its own code; in a batch an unwritable or locked output wins over "some failed"."""
    if not codes:
        return ExitCode.DONE
    if len(codes) == 1:
        return codes[0]
    for winner in (ExitCode.NOT_WRITTEN, ExitCode.LOCKED):
        if winner in codes:
            return winner
    if any(code not in (ExitCode.DONE, ExitCode.MISSED_TOLERANCE) for code in codes):
        return ExitCode.BATCH_FAILED
    return max(codes)
