"""What children do in these tests, well or badly. They are forked from a server, so it must be found by its name."""

from __future__ import annotations

import faulthandler
import os
import resource
import threading
import time
from pathlib import Path

import numpy as np

from fieldproc import child
from fieldproc.errors import FieldprocError


def doubled(number: int) -> int:
    child.tell(f"doubling {number}")
    child.tell("done")
    return 2 * number


def refuse(error: FieldprocError) -> None:
    raise error


def blunder() -> float:
    return 1 / 0


def end_by(number: int) -> None:
    """Ended by a signal, as crashes in libraries end."""
    faulthandler.disable()
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    os.kill(os.getpid(), number)
    time.sleep(60)


def leave(code: int) -> None:
    os._exit(code)


def sleep_long() -> None:
    child.tell(os.getpid())
    time.sleep(60)


def hold_interpreter() -> None:
    """Minutes in one call that lets nobody else at the interpreter: no thread, no handler of a signal."""
    child.tell(os.getpid())
    3 ** (10**9)


def murmur(times: int, pause_s: float) -> int:
    for number in range(times):
        time.sleep(pause_s)
        child.tell(number)
    return times


def murmur_from_threads(threads: int, times: int) -> None:
    """Long messages from several threads, which must not mix in the pipe."""

    def speak(name: int) -> None:
        for _ in range(times):
            child.tell([name] * 20_000)

    speakers = [threading.Thread(target=speak, args=(name,)) for name in range(threads)]
    for speaker in speakers:
        speaker.start()
    for speaker in speakers:
        speaker.join()


def allocate(size_bytes: int) -> int:
    return len(np.empty(size_bytes, dtype=np.uint8))


def want_of_threads() -> None:
    """As the interpreter says it."""
    raise RuntimeError("can't start new thread")


def while_reading(path: Path, deed: str, *arguments: object) -> None:
    """One of the above, while it reads a file."""
    with child.reading(path):
        globals()[deed](*arguments)


def after_reading(path: Path, deed: str, *arguments: object) -> object:
    with child.reading(path):
        pass
    return globals()[deed](*arguments)
