"""A file system that fails at a chosen call, in this process; used where every call must be tried in turn."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest

# All that the writers and the standard library's removal of folders ask of the system.
CALLS = ("open", "write", "fsync", "close", "mkdir", "rename", "replace", "unlink", "rmdir")
CALLS += ("lstat", "stat", "scandir", "listdir")


class Killed(BaseException):
    """Raised at one call and at all after it, it leaves what a kill at that moment would: nothing can clean up."""


class Faults:
    """Lets calls pass until the ``fail_at``-th, which raises ``error``; the later ones too if it is ``lasting``.

    Of the closing of descriptors only that of written files counts: no other has anything left to fail with.
    """

    def __init__(self, fail_at: int, error: BaseException, lasting: bool) -> None:
        self.fail_at, self.error, self.lasting = fail_at, error, lasting
        self.count = 0
        self.written: set[int] = set()

    @property
    def met(self) -> bool:
        return self.count >= self.fail_at

    def wrapped(self, name: str) -> Callable[..., object]:
        real: Callable[..., Any] = getattr(os, name)

        def call(*arguments: Any, **options: Any) -> object:
            if name == "close":
                if arguments[0] not in self.written:
                    return real(*arguments)
                self.written.remove(arguments[0])
            self.count += 1
            if self.count == self.fail_at or (self.lasting and self.met):
                if name == "close":
                    # the descriptor is gone, whatever close says
                    real(*arguments)
                if name == "write":
                    # a full disk takes a part
                    real(arguments[0], arguments[1][: len(arguments[1]) // 2])
                raise self.error
            result = real(*arguments, **options)
            if name == "open" and arguments[1] & os.O_WRONLY:
                self.written.add(result)
            return result

        return call


@contextmanager
def failing(fail_at: int, error: BaseException, lasting: bool) -> Iterator[Faults]:
    """The ``fail_at``-th call, counted over all of :data:`CALLS`, raises ``error``."""
    faults = Faults(fail_at, error, lasting)
    with pytest.MonkeyPatch.context() as patch:
        for name, call in [(name, faults.wrapped(name)) for name in CALLS]:
            patch.setattr(os, name, call)
        yield faults
