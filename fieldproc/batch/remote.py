"""Whole sessions on a cluster: its workers compute, this machine keeps the books and writes.

A worker runs the same command as a person would, in a process of its own and with its output in a folder that is gone
afterwards; what is in that folder comes back. The input is read where the worker is, so it must be there under the
same path.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fieldproc.batch.job import Command, Job, Report, report_of
from fieldproc.batch.records import STATUS
from fieldproc.batch.resume import file_sha256, outcome_of
from fieldproc.batch.run import Hear
from fieldproc.errors import BugError, ExitCode, Problem, SessionError
from fieldproc.results import MARKER, write_folder
from fieldproc.settings import dump_settings

if TYPE_CHECKING:
    from fieldproc.cluster import Cluster


@dataclass(frozen=True, slots=True)
class _Order:
    """What a worker is asked to do."""

    path: str
    command: Command
    settings: str
    options: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Delivery:
    """What a worker gives back: files of the result folder by their path there; none where it came to nothing."""

    code: int
    message: str
    files: dict[str, bytes]


class Remote:
    """The workers of a cluster do the work; see :class:`fieldproc.batch.run.Doing`."""

    def __init__(self, cluster: Cluster, patience_min: float, memory_gib: float | None) -> None:
        self._cluster = cluster
        self._limits = ["--patience", str(patience_min)]
        if memory_gib is not None:
            self._limits += ["--memory", str(memory_gib)]

    def __call__(self, job: Job, _hear: Hear) -> Report:
        from fieldproc.cluster import map_sessions

        options = self._limits + (["--strict"] if job.strict else [])
        if job.command == "run" and not job.figures:
            options.append("--tables-only")
        order = _Order(str(job.path.absolute()), job.command, dump_settings(job.settings), tuple(options))
        ((_, delivery),) = map_sessions(self._cluster, _carry_out, [order])
        if isinstance(delivery, Exception):
            raise delivery
        if not delivery.files:
            # the worker knows the file by its whole path
            message = delivery.message.replace(str(job.path.absolute()), str(job.path))
            return Report(job, ExitCode(delivery.code), message)
        return _received(job, delivery)

    def stop(self) -> None:
        """What has not begun will not begin; what runs on a worker ends there, to no effect."""
        self._cluster.close()


def _received(job: Job, delivery: _Delivery) -> Report:
    summary = json.loads(delivery.files[MARKER])
    made_from, here = summary["provenance"]["input_sha256"], file_sha256(job.path)
    if made_from != here:
        found, required = f"another file there ({made_from[:12]})", f"the file that is here ({here[:12]})"
        problem = Problem("path on the worker", found, required, "give the workers the same file under the same path")
        raise SessionError(str(job.path), [problem])
    write_folder(job.folder, delivery.files)
    return report_of(job, outcome_of(summary))


def _carry_out(order: _Order) -> _Delivery:
    """On the worker."""
    with tempfile.TemporaryDirectory(prefix="fieldproc-") as scratch:
        settings, output = Path(scratch) / "settings.toml", Path(scratch) / "out"
        settings.write_text(order.settings, encoding="utf-8")
        arguments = [order.command, order.path, "-o", str(output), "-s", str(settings), *order.options]
        # a module that ends with us: our end of its input closes, even if this process is killed
        with subprocess.Popen(
            [sys.executable, "-m", "fieldproc.cli.attended", scratch, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        ) as process:
            assert process.stderr is not None
            said = process.stderr.read()
            process.wait()
        return _delivery(process.returncode, output, said.decode(errors="replace"))


def _delivery(code: int, output: Path, said: str) -> _Delivery:
    try:
        status: dict[str, Any] = json.loads((output / STATUS).read_bytes())
        (session,) = status["sessions"]
        folder = output / session["folder"]
        paths = [path for path in folder.rglob("*") if path.is_file()] if session["state"] == "done" else []
        files = {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(paths)}
        return _Delivery(session["exit_code"], session["message"], files)
    except (OSError, ValueError, KeyError):
        # before there was a status: an input that is not there, or settings refused
        last = said.strip().splitlines()[-1:] or [f"the command ended with {code}"]
        text = last[0].removeprefix("fieldproc: ")
        if code not in set(ExitCode):
            raise BugError(f"on a worker: {text}") from None
        return _Delivery(code, text, {})
