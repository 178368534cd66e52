"""What a batch leaves beside the results: its state for other programs, and what happened when."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fieldproc.batch.course import Closed, Course, Ended, Event, Planned, Progressed, Started
from fieldproc.batch.job import Job, Progress
from fieldproc.errors import ExitCode, OutputError
from fieldproc.results import write_file

STATUS = "status.json"
# Progress comes with every frequency; a reader looks once in a while.
_STATUS_EVERY_S, _PROGRESS_EVERY_S = 2.0, 1.0


class StatusFile:
    """``status.json``, replaced as a whole. When the batch has ended it holds nothing that differs between runs."""

    def __init__(self, path: Path) -> None:
        self._path, self._written_s = path, -_STATUS_EVERY_S

    def __call__(self, course: Course, event: Event) -> None:
        """Written when something happened, and every now and then while work goes on."""
        match event:
            case Closed(code):
                self._write(course, code)
            case Progressed() if time.monotonic() - self._written_s < _STATUS_EVERY_S:
                pass
            case Ended(report) if report.kept:
                # of five hundred that were done before, the next to start will tell
                pass
            case _:
                self._write(course, None)

    def _write(self, course: Course, code: ExitCode | None) -> None:
        self._written_s = time.monotonic()
        text = json.dumps(course.document(code), indent=2, sort_keys=True)
        write_file(self._path, f"{text}\n".encode())


class EventFile:
    """JSON lines, one per event, appended by this process alone. A reader ignores a torn last line.

    ``now`` gives seconds since 1970.
    """

    def __init__(self, path: Path, now: Callable[[], float]) -> None:
        self._path, self._now = path, now
        self._progress_s: dict[Path, float] = {}
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_NOFOLLOW | os.O_NONBLOCK
        try:
            self._descriptor = os.open(path, flags, 0o666)
        except OSError as error:
            raise self._refused(error) from error

    def __call__(self, course: Course, event: Event) -> None:
        """One line or a few."""
        match event:
            case Planned():
                self._tell("batch began", command=course.command, sessions=len(course.decisions))
                for one in course.decisions:
                    self._tell("planned", input=str(one.job.path), action=one.action, reason=one.reason)
            case Started(job):
                self._tell("session began", input=str(job.path))
            case Progressed(job, progress):
                self._progressed(job, progress)
            case Ended(report):
                for notice in report.notices:
                    self._tell("notice", input=str(report.job.path), text=notice)
                ended = {"exit_code": int(report.code), "kept": report.kept, "message": report.message}
                self._tell("session ended", input=str(report.job.path), seconds=round(report.seconds, 3), **ended)
            case Closed(code):
                self._tell("batch ended", exit_code=int(code), counts=course.counts())
                os.close(self._descriptor)

    def _progressed(self, job: Job, progress: Progress) -> None:
        """Once a second, and at the end."""
        moment = time.monotonic()
        last = progress.done == progress.total
        if last or moment - self._progress_s.get(job.path, -_PROGRESS_EVERY_S) >= _PROGRESS_EVERY_S:
            self._progress_s[job.path] = moment
            self._tell("progress", input=str(job.path), done=progress.done, total=progress.total)

    def _tell(self, what: str, **facts: Any) -> None:
        moment = datetime.fromtimestamp(self._now(), UTC).isoformat(timespec="milliseconds")
        # ASCII: no control character, whatever a name holds, and so one line
        line = json.dumps({"time": moment, "event": what, **facts})
        try:
            os.write(self._descriptor, f"{line}\n".encode())
        except OSError as error:
            raise self._refused(error) from error

    def _refused(self, error: OSError) -> OutputError:
        return OutputError(f"{self._path}: cannot be written ({error.strerror}); choose another file for --events")
