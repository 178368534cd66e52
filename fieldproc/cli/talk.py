"""What the command prints, and how."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from fieldproc.errors import ExitCode

Progress = Callable[[int, int], None]


def say(text: str) -> None:
    """A result, on standard output."""
    print(printable(text))


def note(path: Path, notices: Sequence[str]) -> None:
    """What a reader must know of a file, on standard error."""
    for notice in notices:
        print(printable(f"{path}: note: {notice}"), file=sys.stderr)


def complain(text: str) -> None:
    """What went wrong, on standard error, every line of it marked as ours."""
    print("\n".join(f"fieldproc: {printable(line)}" for line in text.splitlines()), file=sys.stderr)


def printable(text: str) -> str:
    """Control characters and bidirectional marks escaped: a name from a file must not drive the terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


@contextmanager
def shown_progress(name: str, what: str = "frequencies") -> Iterator[Progress]:
    """A bar with the time left when a person watches, a plain line every tenth of the work when not."""
    if sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import Progress as Bar

        with Bar(console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(printable(name), total=None)
            yield lambda done, total: bar.update(task, completed=done, total=total)
        return

    def plain(done: int, total: int) -> None:
        if done == total or (10 * done) // total > (10 * (done - 1)) // total:
            print(f"{printable(name)}: {done} of {total} {what}", file=sys.stderr, flush=True)

    yield plain


def done(lines: Sequence[str], folder: Path | None) -> ExitCode:
    """Told in full, and where the files are."""
    for line in lines:
        say(line)
    if folder is not None:
        say(f"-> {folder}")
    return ExitCode.DONE
