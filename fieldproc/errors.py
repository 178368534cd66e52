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


def printable(text: str) -> str:
    """Control characters and bidirectional marks escaped: a name from a file must not drive the terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


class FieldprocError(Exception):
    """Anything this package refuses on purpose; ``exit_code`` says how the command ends."""

    exit_code = ExitCode.BUG

    def __reduce__(self) -> tuple[object, ...]:
        # subclasses take other arguments than their message
        return _revived, (type(self), self.args, self.__dict__)


def _revived(kind: type[FieldprocError], args: tuple[object, ...], state: dict[str, object]) -> FieldprocError:
    """An error from another process."""
    error = kind.__new__(kind, *args)
    error.__dict__.update(state)
    return error


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
        # a name may hold line ends, which must not pass for those between problems
        super().__init__("\n".join(f"{printable(path)}: {problem}" for problem in self.problems))


class NumericalError(FieldprocError):
    """The numbers refuse: not enough points for what was asked, no usable band, and the like."""

    exit_code = ExitCode.REFUSED

    def __init__(self, stage: str, measure: str, value: str, limit: str, change: str) -> None:
        self.stage = stage
        super().__init__(f"{stage}: {measure} is {value}, limit {limit}; {change}")


class OutputError(FieldprocError):
    """A result could not be written."""

    exit_code = ExitCode.NOT_WRITTEN


class LockedError(FieldprocError):
    """Another run works in the output folder."""

    exit_code = ExitCode.LOCKED


class LimitError(FieldprocError):
    """Memory or time ran out, or a process was killed."""

    exit_code = ExitCode.LIMIT


class ClusterError(FieldprocError):
    """Machines that worked for this one are gone."""

    exit_code = ExitCode.LIMIT


class StoppedError(FieldprocError):
    """Ended on purpose, by whoever began it."""

    exit_code = ExitCode.INTERRUPTED


class BugError(FieldprocError):
    """Something that this package did not foresee."""

    exit_code = ExitCode.BUG

    @classmethod
    def of(cls, error: BaseException, trace: str) -> BugError:
        """As a user is told of it: where it was, and what to do."""
        return cls(f"{trace}a bug of ours ({type(error).__name__}); the lines above say where, please report them")
