"""One run at a time in an output folder. The kernel holds the lock, and frees it even after ``kill -9``."""

from __future__ import annotations

import errno
import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fieldproc.errors import LockedError, OutputError
from fieldproc.results import require_folder

LOCK = ".fieldproc.lock"
_WITHOUT = (errno.ENOLCK, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS)


@contextmanager
def locked(output: Path, *, lock: bool = True) -> Iterator[None]:
    """Hold ``output``, made if it is not there. ``LockedError`` if another run does, ``OutputError`` if it can't be.

    Where there is nothing but the lock in the end, that is taken away again, and so is the folder, if it was made for
    this. With ``lock`` false nothing is held: for file systems without locks, where the user sees to it.
    """
    made = not output.exists()
    descriptor = _lock(output) if lock else None
    try:
        yield
    finally:
        if descriptor is not None:
            _remove_if_alone(output, made=made)
            os.close(descriptor)


def _lock(output: Path) -> int:
    """An open file that the lock lives as long as."""
    require_folder(output / LOCK)
    while True:
        try:
            output.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(output / LOCK, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_NONBLOCK, 0o666)
        except OSError as error:
            reason = error.strerror or error
            raise OutputError(f"{output}: cannot be written ({reason}); choose another output folder") from error
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(descriptor)
            raise _refused(output, error) from error
        if _still_there(output / LOCK, descriptor):
            return descriptor
        # whoever held it took the empty folder away meanwhile
        os.close(descriptor)


def _still_there(path: Path, descriptor: int) -> bool:
    try:
        return os.path.samestat(path.stat(), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _remove_if_alone(output: Path, *, made: bool) -> None:
    with suppress(OSError):
        if [path.name for path in output.iterdir()] == [LOCK]:
            (output / LOCK).unlink()
            if made:
                output.rmdir()


def _refused(output: Path, error: OSError) -> LockedError | OutputError:
    if error.errno in (errno.EWOULDBLOCK, errno.EACCES):
        return LockedError(f"{output}: another run is at work there; wait for it or choose another folder")
    if error.errno in _WITHOUT:
        return OutputError(
            f"{output}: its file system has no locks; see that no other run writes there and give --no-lock"
        )
    return OutputError(f"{output}: cannot be locked ({error.strerror}); choose another output folder")
