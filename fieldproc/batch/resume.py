"""Is an input's result already there? Done means: same input, settings, code, and outputs as they were written."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fieldproc.batch.job import Job
from fieldproc.errors import FieldprocError, UsageError
from fieldproc.outcome import Outcome
from fieldproc.records import Verdict
from fieldproc.results import MARKER, provenance, require_place, summary_sha256
from fieldproc.settings import Settings, load_settings

# Sections that the results of a command do not depend on.
_OF_RESULTS = ("tables", "scalars", "exports", "report", "findings", "equalizer", "seat", "placement", "amplifier")
_NO_MATTER = {"run": ("validation",), "validate": _OF_RESULTS}
# Results of one processor are good on another, though their last bits may differ.
_VERSIONS_NO_MATTER = ("blas",)
# A summary has a few kB; what is larger is none of ours.
_MAX_SUMMARY_BYTES = 20_000_000


@dataclass(frozen=True, slots=True)
class Decision:
    """What a batch does with an input, and why: "run", "keep", or "refuse".

    ``outcome`` is what kept results came to, without their files; ``error`` is why an input can't be tried.
    """

    job: Job
    action: str
    reason: str
    size_bytes: int = 0
    outcome: Outcome | None = None
    error: FieldprocError | None = None


def decide(job: Job, *, again: bool = False) -> Decision:
    """Compare what is wanted with what the result folder says it was made from."""
    try:
        input_sha256 = file_sha256(job.path)
        size_bytes = job.path.stat().st_size
        reason = "asked for"
        if not again:
            try:
                outcome = _what_was_done(job, input_sha256)
            except _NotDone as missing:
                reason = str(missing)
            else:
                return Decision(job, "keep", _KEPT, size_bytes, outcome)
        require_place(job.folder)
    except FieldprocError as error:
        return Decision(job, "refuse", str(error), error=error)
    except OSError as error:
        gone = UsageError(f"{job.path}: cannot be read ({error.strerror}); give an existing file")
        return Decision(job, "refuse", str(gone), error=gone)
    return Decision(job, "run", reason, size_bytes)


_KEPT = "done before: same input, settings and code, results as they were written"


class _NotDone(Exception):
    """Why results have to be made again."""


def _what_was_done(job: Job, input_sha256: str) -> Outcome:
    if not job.folder.is_dir():
        raise _NotDone("new")
    summary = _summary(job.folder)
    made = summary["provenance"]
    if made["input_sha256"] != input_sha256:
        raise _NotDone("input changed")
    _require_same_code(made)
    _require_same_settings(job)
    _require_outputs(job.folder, made["outputs_sha256"])
    wanted = job.command == "run" and job.figures and job.settings.report.figures
    if wanted and "report.html" not in made["outputs_sha256"]:
        raise _NotDone("figures were left out")
    return outcome_of(summary)


def outcome_of(summary: dict[str, Any]) -> Outcome:
    """What a run came to, by its summary, without its files."""
    failures = tuple(summary["failures"])
    notices = tuple(notice for notice in summary["notices"] if notice not in failures)
    untrusted = any(band["verdict"] == Verdict.DO_NOT_USE.words for band in summary["bands"])
    return Outcome({}, summary["message"], notices, failures, untrusted)


def _summary(folder: Path) -> dict[str, Any]:
    """The summary of a result folder, as it was written."""
    path = folder / MARKER
    try:
        if path.stat().st_size > _MAX_SUMMARY_BYTES:
            raise _NotDone(f"{MARKER} is too large")
        summary = json.loads(path.read_bytes())
        if summary["provenance"]["summary_sha256"] != summary_sha256(summary):
            raise _NotDone(f"{MARKER} altered")
    except FileNotFoundError:
        raise _NotDone(f"{MARKER} is missing") from None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise _NotDone(f"{MARKER} cannot be read") from None
    found: dict[str, Any] = summary
    return found


def _require_same_code(made: dict[str, Any]) -> None:
    now = provenance("", {})
    for name, version in now["versions"].items():
        then = made["versions"].get(name)
        if name not in _VERSIONS_NO_MATTER and then != version:
            raise _NotDone(f"code changed: {name} {then} then, {version} now")
    if made["code_sha256"] != now["code_sha256"]:
        raise _NotDone("code changed: fieldproc itself")


def _require_same_settings(job: Job) -> None:
    try:
        then = _flat(load_settings(job.folder / "settings.toml"))
    except FieldprocError:
        raise _NotDone("settings.toml cannot be read") from None
    now = _flat(job.settings)
    ignored = _NO_MATTER[job.command] if job.figures else (*_NO_MATTER[job.command], "report")
    for name in now:
        if name.partition(".")[0] not in ignored and now[name] != then[name]:
            raise _NotDone(f"setting {name} changed from {_told(then[name])} to {_told(now[name])}")


def _flat(settings: Settings) -> dict[str, Any]:
    return {
        f"{section}.{key}": value
        for section, values in settings.model_dump().items()
        for key, value in values.items()
    }


def _told(value: Any) -> str:
    text = json.dumps(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _require_outputs(folder: Path, outputs_sha256: dict[str, str]) -> None:
    for name, sha256 in outputs_sha256.items():
        try:
            found = file_sha256(folder / name)
        except UsageError:
            raise _NotDone(f"{name} is missing or cannot be read") from None
        if found != sha256:
            raise _NotDone(f"{name} altered")


def file_sha256(path: Path) -> str:
    """SHA-256 of a regular file. ``UsageError`` for anything else, without waiting for a pipe's writer."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        with open(descriptor, "rb") as stream:
            if not stat.S_ISREG(os.fstat(descriptor).st_mode):
                raise UsageError(f"{path}: is no regular file; give the path of the file itself")
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise UsageError(f"{path}: cannot be opened ({error.strerror}); give an existing file") from error
