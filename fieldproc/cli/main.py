"""Entry point: argv to exit code."""

from __future__ import annotations

import argparse
import os
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from fieldproc import child
from fieldproc.cli.parser import VECTOR_OPTIONS, command_parser
from fieldproc.cli.talk import Advanced, Said, bars, complain, flush
from fieldproc.errors import BugError, ExitCode, FieldprocError, UsageError, printable

Act = Callable[[argparse.Namespace], ExitCode]


class ToldToEnd(BaseException):
    """By a signal: from the keyboard, or by another process."""

    def __init__(self, number: int) -> None:
        self.exit_code = ExitCode.TERMINATED if number == signal.SIGTERM else ExitCode.INTERRUPTED


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point of the command; returns the exit code."""
    arguments = command_parser().parse_args(_joined(sys.argv[1:] if argv is None else argv))
    try:
        with _told_to_end():
            _require_working_folder()
            code: ExitCode = arguments.act(arguments) if arguments.here else _in_child(arguments)
            flush()
    except FieldprocError as error:
        complain(_on_one_line(str(error), arguments))
        return error.exit_code
    except ToldToEnd as told:
        complain(told.exit_code.name.lower())
        return told.exit_code
    except BrokenPipeError:
        # whoever read our output has gone; there is nobody left to tell
        sys.stderr.close()
        return ExitCode.NOT_WRITTEN
    except Exception as error:
        # the last is what the loader says of a library
        if isinstance(error, MemoryError) or "failed to map segment" in str(error):
            complain("out of memory; lower the orders or free memory")
            return ExitCode.LIMIT
        import traceback

        complain(str(BugError.of(error, traceback.format_exc())))
        return ExitCode.BUG
    return code


def _on_one_line(text: str, arguments: argparse.Namespace) -> str:
    """An error that names files, whose names may hold line ends."""
    for value in vars(arguments).values():
        for path in value if isinstance(value, list) else [value]:
            text = text.replace(str(path), printable(str(path))) if isinstance(path, Path) else text
    return text


def _require_working_folder() -> None:
    """Children begin in it, and relative paths are meaningless without."""
    try:
        os.getcwd()
    except OSError as error:
        raise UsageError(f"the working folder is not there ({error.strerror}); go to one that is") from error


def _in_child(arguments: argparse.Namespace) -> ExitCode:
    """Everything that reads a file runs in a process of its own; this one prints what it hears."""
    child.prepare(arguments.preload)
    nursery = child.Nursery()
    with bars() as shown:

        def hear(message: Said | Advanced) -> None:
            if isinstance(message, Said):
                message.show()
            else:
                shown.advance(message)

        try:
            return child.call(_act, arguments, hear=hear, nursery=nursery)
        except BaseException:
            nursery.end_all()
            raise


def _act(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.side_by_side import hold_matrix_library

    # as in a batch: the last bits must not depend on the number of threads
    hold_matrix_library()
    code: ExitCode = arguments.act(arguments)
    return code


@contextmanager
def _told_to_end() -> Iterator[None]:
    """Signals as an exception, so that everything is cleared up; a second one of either kind ends at once."""
    told: list[ToldToEnd] = []

    def second(number: int, _frame: FrameType | None) -> None:
        os._exit(128 + number)

    def first(number: int, _frame: FrameType | None) -> None:
        signal.signal(signal.SIGTERM, second)
        signal.signal(signal.SIGINT, second)
        told.append(ToldToEnd(number))
        raise told[0]

    kinds = (signal.SIGINT, signal.SIGTERM)
    try:
        before = [signal.signal(kind, first) for kind in kinds]
    except ValueError:
        # called from a thread: signals are its caller's affair
        yield
        return
    try:
        yield
    except Exception as error:
        # a library that it was raised in may make another error of it
        if told:
            raise told[0] from error
        raise
    finally:
        for kind, handler in zip(kinds, before, strict=True):
            signal.signal(kind, handler)


def _joined(words: Sequence[str]) -> list[str]:
    """Vectors that begin with a minus sign joined to their option, which would take them for another."""
    joined: list[str] = []
    for word in words:
        if joined and joined[-1] in VECTOR_OPTIONS and word.startswith("-"):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined
