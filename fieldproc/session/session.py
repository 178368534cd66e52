"""The way in: whatever scan or directivity file is given, told apart by its content."""

from __future__ import annotations

from pathlib import Path

from fieldproc.child import reading
from fieldproc.errors import Problem, SessionError
from fieldproc.records import FarField, Session
from fieldproc.session.aes69 import is_aes69, read_aes69
from fieldproc.session.guard import open_source
from fieldproc.session.read import session_from_source


def open_input(path: Path) -> Session | FarField:
    """A scan session or an AES69 file as a ``Session``; an AES69 directivity as a ``FarField``.

    Raises ``UsageError`` if there is no such file, ``SessionError`` with every problem of the file.
    """
    with reading(path), open_source(path) as source:
        return read_aes69(source) if is_aes69(source) else session_from_source(source)


def check(path: Path) -> list[Problem]:
    """Everything wrong with the file, empty if nothing is. ``UsageError`` if there is no such file."""
    try:
        open_input(path)
    except SessionError as error:
        return list(error.problems)
    return []
