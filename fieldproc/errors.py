"""The two families of refusal, and the exit codes they end in.

*The file is wrong*: ``SessionError`` lists every problem at once (object, found, required, fix).
*The numbers refuse*: ``NumericalError`` names the stage, the measure, its value and its limit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of the command, from the file contracts."""

    DONE = 0
    MISSED_TOLERANCE = 1
    USAGE = 2
    BATCH_FAILED = 3
    REFUSED = 4
    NOT_WRITTEN = 5
    LOCKED = 6
    LIMIT = 7
    BUG = 70
    INTERRUPTED = 130
    TERMINATED = 143


class FieldprocError(Exception):
    """Anything this package refuses on purpose; ``exit_code`` says how the command ends."""

    exit_code = ExitCode.BUG


class UsageError(FieldprocError):
    """The command line, the settings, or an input that is not there."""

    exit_code = ExitCode.USAGE


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a file: where, what was found, what is required, how to mend it."""

    where: str
    found: str
    required: str
    fix: str

    def __str__(self) -> str:
        return f"{self.where}: found {self.found}; required {self.required}; fix: {self.fix}"


class SessionError(FieldprocError):
    """The file is wrong. Carries every problem found, not only the first."""

    exit_code = ExitCode.REFUSED

    def __init__(self, path: str, problems: Sequence[Problem]) -> None:
        self.path = path
        self.problems = tuple(problems)
        super().__init__("\n".join(f"{path}: {problem}" for problem in self.problems))


class NumericalError(FieldprocError):
    """The numbers refuse: not enough points for what was asked, no usable band, and the like."""

    exit_code = ExitCode.REFUSED

    def __init__(self, stage: str, measure: str, value: str, limit: str, change: str) -> None:
        self.stage = stage
        super().__init__(f"{stage}: {measure} is {value}, limit {limit}; {change}")


class OutputError(FieldprocError):
    """A result could not be written."""

    exit_code = ExitCode.NOT_WRITTEN
