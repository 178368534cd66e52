"""Work in a child process, which can be ended from outside: by the clock, by memory, by a signal.

Files come from anybody, and the library that parses them can crash, loop without end or ask for all memory there
is. So whatever reads one runs in a process of its own. The child tells its parent how far it is; the parent ends it
when it falls silent, and the child ends itself when its parent is gone. Children are forked from a server that has
everything loaded (``multiprocessing``'s), so one costs a few hundredths of a second and shares memory with others.
"""

from __future__ import annotations

import contextlib
import fcntl
import math
import multiprocessing
import os
import pickle
import resource
import signal
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing import connection, forkserver, resource_tracker
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any, TypeVar

from fieldproc.errors import BugError, FieldprocError, LimitError, Problem, SessionError, StoppedError

Result = TypeVar("Result")

METHOD = "forkserver"
GIB = 2**30
# Reading takes seconds; a slow network drive gives 5 MB/s.
READING_S, SLOWEST_BYTES_PER_S = 60.0, 5e6
# What the arrays of an honest file take while they are read: a copy in double precision and one in native order.
READING_BYTES, TIMES_SIZE, EXPANSION = GIB, 4, 32
# The signal of a group reaches the children before the parent has told us to stop.
_GRACE_S = 0.3
# Loading everything takes seconds, from a slow network drive perhaps minutes.
_STARTED_S = 300.0
# Exit code of a child whose server is gone.
_UNKNOWN = 255


@dataclass(frozen=True, slots=True)
class Limits:
    """A child that says nothing for ``silence_s`` is ended; beyond ``memory_bytes`` (data, not shared code) its work
    gets a ``MemoryError``."""

    silence_s: float = 1800.0
    memory_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class _Reading:
    """The child begins to read a file (ends with ``path`` None), which may take so long."""

    path: str | None
    silence_s: float = math.inf


@dataclass(frozen=True, slots=True)
class _Returned:
    value: Any


@dataclass(frozen=True, slots=True)
class _Raised:
    error: FieldprocError


# What ``multiprocessing`` knows of its children is not made for threads: whoever starts one asks all others how they
# ended, each of which answers once.
_books = threading.Lock()


@dataclass(slots=True)
class Nursery:
    """All children of a command, to be ended together, from any thread."""

    stopped: bool = False
    _living: set[BaseProcess] = field(default_factory=set)

    def end_all(self) -> None:
        """No child lives after this, and none begins."""
        self.stopped = True
        with _books:
            for process in self._living:
                process.kill()

    def _start(self, process: BaseProcess) -> None:
        with _books:
            if self.stopped:
                raise StoppedError("stopped before it began")
            # libraries that find no memory may load for ever
            watchdog = threading.Timer(_STARTED_S, _end_server)
            watchdog.daemon = True
            watchdog.start()
            try:
                process.start()
            except (EOFError, OSError) as error:
                raise LimitError(f"no process could be started ({error!r}); free memory, or lower --jobs") from error
            finally:
                watchdog.cancel()
            self._living.add(process)

    def _end(self, process: BaseProcess) -> None:
        with _books:
            # where the server was killed, it can't say whether its children live
            if process.exitcode == _UNKNOWN:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(process.ident or 0, signal.SIGKILL)
            process.kill()
        connection.wait([process.sentinel])
        with _books:
            process.join()
            self._living.discard(process)
            process.close()


def _end_server() -> None:
    server = forkserver._forkserver._forkserver_pid  # type: ignore[attr-defined]
    if server is not None:
        os.kill(server, signal.SIGKILL)


class _Here:
    """What a child knows of itself: how to speak to its parent."""

    sender: Any = None
    lock = threading.Lock()


def prepare(modules: Sequence[str]) -> None:
    """Start the server that children are forked from, with ``modules`` loaded, if it does not run yet."""
    if METHOD != "forkserver":
        return
    if modules:
        multiprocessing.get_context("forkserver").set_forkserver_preload(["fieldproc.mortal", *modules])
    # it would let interrupts through again, which reach the whole group: the parent says what becomes of the children
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def inside() -> bool:
    """Is this process a child of ours?"""
    return _Here.sender is not None


def tell(message: object) -> None:
    """From a child to the ``hear`` of its parent; nothing elsewhere."""
    if _Here.sender is not None:
        with _Here.lock:
            _Here.sender.send(message)


def call(
    work: Callable[..., Result],
    *arguments: object,
    limits: Limits | None = None,
    hear: Callable[[Any], None] = lambda _message: None,
    nursery: Nursery | None = None,
) -> Result:
    """``work(*arguments)`` in a child: its result, or the ``FieldprocError`` that it raised.

    ``hear`` gets everything that the child tells, in the calling thread. Raises ``LimitError`` when the child was
    silent for too long, killed, or out of memory, ``SessionError`` when it died of a file it was reading,
    ``BugError`` for any other end, ``StoppedError`` when the nursery ended it. Work and arguments travel by pickle.
    """
    nursery = Nursery() if nursery is None else nursery
    limits = Limits() if limits is None else limits
    context = multiprocessing.get_context(METHOD)
    prepare(())
    receiver, sender = context.Pipe(duplex=False)
    process = context.Process(target=_live, args=(sender, limits, work, arguments), daemon=True)  # type: ignore[attr-defined]
    with receiver:
        try:
            nursery._start(process)
        finally:
            sender.close()
        try:
            result: Result = _follow(process, receiver, limits, hear, nursery)
        finally:
            nursery._end(process)
        return result


def _follow(
    process: BaseProcess, receiver: Any, limits: Limits, hear: Callable[[Any], None], nursery: Nursery
) -> Any:
    """What the child tells, until it has a result or ends without one."""
    reading = _Reading(None)
    while True:
        patience_s = min(limits.silence_s, reading.silence_s)
        if not receiver.poll(patience_s):
            raise LimitError(f"{_doing(reading)} no sign of life for {_duration(patience_s)}; ended")
        try:
            message = receiver.recv()
        except (EOFError, OSError, pickle.UnpicklingError):
            raise _end_of(process, reading, limits, nursery) from None
        if isinstance(message, _Returned):
            return message.value
        if isinstance(message, _Raised):
            raise message.error
        if isinstance(message, _Reading):
            reading = message
        else:
            hear(message)


def _end_of(process: BaseProcess, reading: _Reading, limits: Limits, nursery: Nursery) -> FieldprocError:
    """Why a child ended without a result."""
    connection.wait([process.sentinel], timeout=10)
    with _books:
        # its descriptors close a moment before it ends
        process.join(timeout=1)
        code = process.exitcode
    if code in (-signal.SIGTERM, -signal.SIGKILL, -signal.SIGHUP):
        time.sleep(_GRACE_S)
    if nursery.stopped:
        return StoppedError("stopped")
    if code == 1 and limits.memory_bytes is not None:
        # matrix libraries leave like this
        return LimitError(f"{_doing(reading)} the process gave up, as where memory is short; raise --memory")
    if code is None or code >= 0:
        return BugError(f"{_doing(reading)} the process ended without a word (exit code {code})")
    name = signal.Signals(-code).name
    if code in (-signal.SIGKILL, -signal.SIGTERM):
        return LimitError(f"{_doing(reading)} the process was killed ({name}); if nobody did, memory ran out")
    if code == -signal.SIGALRM:
        return LimitError(f"{_doing(reading)} not done in the time that any honest file takes; ended")
    if reading.path is not None:
        found = f"bytes that crash the reader ({name})"
        return SessionError(reading.path, [Problem("/", found, "an undamaged file", "copy or export it again")])
    return BugError(f"the process ended with {name}")


def _doing(reading: _Reading) -> str:
    return "while computing:" if reading.path is None else f"{reading.path}: while reading it:"


def _duration(seconds: float) -> str:
    return f"{seconds / 60:g} min" if seconds >= 60 else f"{seconds:g} s"


def _live(sender: Any, limits: Limits, work: Callable[..., Any], arguments: tuple[object, ...]) -> None:
    """The life of a child."""
    _Here.sender = sender
    _end_with_parent()
    if limits.memory_bytes is not None:
        _allow_more(limits.memory_bytes)
    # where memory is short, the kernel should take this process, not the parent that keeps the books
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500")
    last: _Returned | _Raised
    try:
        last = _Returned(work(*arguments))
    except FieldprocError as error:
        last = _Raised(error)
    except BaseException as error:
        last = _Raised(_own(error))
    with contextlib.suppress(BrokenPipeError):
        try:
            tell(last)
        except Exception as error:
            # it does not travel
            tell(_Raised(_own(error)))


def _own(error: BaseException) -> FieldprocError:
    """What was raised, in our words."""
    if isinstance(error, MemoryError) or "can't start new thread" in str(error):
        return LimitError("out of memory; lower the orders or free memory")
    return BugError.of(error, traceback.format_exc())


def _end_with_parent() -> None:
    """Nobody's work goes on: not even after a parent that was killed without a chance to say so."""
    parent = multiprocessing.parent_process()
    assert parent is not None
    # by the kernel, when the parent's end of a pipe closes: a thread would wait for whoever holds the interpreter
    fcntl.fcntl(parent.sentinel, fcntl.F_SETOWN, os.getpid())
    fcntl.fcntl(parent.sentinel, fcntl.F_SETSIG, signal.SIGKILL)
    fcntl.fcntl(parent.sentinel, fcntl.F_SETFL, os.O_ASYNC)
    if not parent.is_alive():
        os.kill(os.getpid(), signal.SIGKILL)


@contextlib.contextmanager
def reading(path: Path) -> Iterator[None]:
    """Limits of time and memory around the reading of one file. In a process that is no child of ours: none."""
    if not inside():
        yield
        return
    try:
        size = os.stat(path).st_size
    except OSError:
        # told by whoever opens it
        size = 0
    allowed_s = READING_S + size / SLOWEST_BYTES_PER_S
    tell(_Reading(str(path), allowed_s))
    # the kernel ends a loop that no parent is left to end
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, 1.5 * allowed_s)
    allowed_bytes = READING_BYTES + TIMES_SIZE * EXPANSION * size
    before = resource.getrlimit(resource.RLIMIT_DATA)
    allowed_bytes = _allow_more(allowed_bytes)
    try:
        yield
    except MemoryError:
        raise LimitError(f"{path}: reading it takes more than {allowed_bytes / GIB:.2g} GiB") from None
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, before)
        signal.setitimer(signal.ITIMER_REAL, 0)
        tell(_Reading(None))


def _allow_more(allowed_bytes: int) -> int:
    """So much data more than this process has now, or what is left of a limit that stands; returns how much."""
    limits, now_bytes = resource.getrlimit(resource.RLIMIT_DATA), _data_bytes()
    ceilings = [limit for limit in limits if limit != resource.RLIM_INFINITY]
    soft = min([now_bytes + allowed_bytes, *ceilings])
    resource.setrlimit(resource.RLIMIT_DATA, (soft, limits[1]))
    return max(soft - now_bytes, 0)


def _data_bytes() -> int:
    """Private writable memory of this process."""
    try:
        status = Path("/proc/self/status").read_text(encoding="utf-8")
    except OSError:
        return 0
    return 1024 * int(status.partition("VmData:")[2].split()[0])
