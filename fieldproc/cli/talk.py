"""What the command prints, and how. In a child process nothing is printed: the parent is told, and prints."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from fieldproc import child
from fieldproc.errors import ExitCode, OutputError, printable

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Said:
    """Text on its way to a stream of the terminal."""

    text: str
    stream: Literal["out", "err"] = "out"

    def show(self) -> None:
        """On the stream it is for. ``OutputError`` where results can't be printed."""
        if self.stream == "err":
            print(self.text, file=sys.stderr, end="", flush=True)
            return
        with _results_printed():
            sys.stdout.write(self.text)


def flush() -> None:
    """Whatever was printed is where it should be. ``OutputError`` if it can't be."""
    with _results_printed():
        sys.stdout.flush()


@contextmanager
def _results_printed() -> Iterator[None]:
    if sys.stdout is None:
        raise OutputError("standard output: is closed; open it, or ask for a file")
    try:
        yield
    except BrokenPipeError:
        raise
    except OSError as error:
        # what is left of it must not be tried again when the interpreter ends
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise OutputError(f"standard output: cannot be written ({error.strerror}); free the space") from error


@dataclass(frozen=True, slots=True)
class Advanced:
    """So much of some work is done."""

    name: str
    what: str
    done: int
    total: int


def put(text: str) -> None:
    """Text as it is, on standard output."""
    _pass(Said(text))


def say(text: str) -> None:
    """A result, on standard output."""
    put(f"{printable(text)}\n")


def note(path: Path, notices: Sequence[str]) -> None:
    """What a reader must know of a file, on standard error."""
    for notice in notices:
        remark(f"{path}: note: {notice}")


def remark(text: str) -> None:
    """Something beside the results, on standard error."""
    _pass(Said(f"{printable(text)}\n", "err"))


def complain(text: str) -> None:
    """What went wrong, on standard error, every line of it marked as ours."""
    _pass(Said("".join(f"fieldproc: {printable(line)}\n" for line in text.splitlines()), "err"))


def _pass(said: Said) -> None:
    if child.inside():
        child.tell(said)
    else:
        said.show()


@contextmanager
def shown_progress(name: str, what: str = "frequencies") -> Iterator[Progress]:
    """Progress of one piece of work, shown by :class:`Bars` of the parent."""
    if child.inside():
        yield lambda done, total: child.tell(Advanced(name, what, done, total))
        return
    with bars() as shown:
        yield lambda done, total: shown.advance(Advanced(name, what, done, total))


class PlainBars:
    """For logs: a line every tenth of the work."""

    def advance(self, step: Advanced) -> None:
        """Told only when another tenth is done."""
        if step.done == step.total or (10 * step.done) // step.total > (10 * (step.done - 1)) // step.total:
            remark(f"{step.name}: {step.done} of {step.total} {step.what}")

    def remove(self, name: str) -> None:
        """Nothing stands that would have to go."""


class RichBars:
    """For a person who watches: bars with the time left."""

    def __init__(self, display: Any) -> None:
        self._display, self._tasks = display, {}  # type: ignore[var-annotated]

    def advance(self, step: Advanced) -> None:
        """A bar of its own for every name."""
        if step.name not in self._tasks:
            self._tasks[step.name] = self._display.add_task(printable(step.name), total=None)
        self._display.update(self._tasks[step.name], completed=step.done, total=step.total)

    def remove(self, name: str) -> None:
        """The bar of what has ended."""
        if name in self._tasks:
            self._display.remove_task(self._tasks.pop(name))


@contextmanager
def bars() -> Iterator[PlainBars | RichBars]:
    """Bars when a person watches, lines when not."""
    if not sys.stderr.isatty():
        yield PlainBars()
        return
    from rich.console import Console
    from rich.progress import Progress as Display

    # what is printed while bars stand goes above them, unless it goes elsewhere
    with Display(console=Console(stderr=True), transient=True, redirect_stdout=sys.stdout.isatty()) as display:
        yield RichBars(display)


def done(lines: Sequence[str], folder: Path | None) -> ExitCode:
    """Told in full, and where the files are."""
    for line in lines:
        say(line)
    if folder is not None:
        say(f"-> {folder}")
    return ExitCode.DONE
