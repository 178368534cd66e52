"""Where a command writes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def held(folder: Path | None) -> Iterator[None]:
    """The place of a result, which nobody else writes beside meanwhile. Refused before the work, not after it.

    Raises ``OutputError`` where it can't be written, ``LockedError`` while another command writes there.
    """
    from fieldproc.batch import locked
    from fieldproc.results import require_place

    if folder is None:
        yield
        return
    require_place(folder)
    with locked(folder.parent):
        yield
