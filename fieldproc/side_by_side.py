"""Independent work on all cores, the matrix library held to one thread, or handed to a crew of other machines."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol, TypeVar

from threadpoolctl import threadpool_limits

GIB = 2**30
# All that runs at a time stays below this together; what the work shares comes on top. It also says which fits are
# tried at all (``expand.cost``), so it must be the same on every machine.
MEMORY_BYTES = 6 * GIB

Result = TypeVar("Result")


class Crew(Protocol):
    """Whoever does heavy work in place of the cores of this machine."""

    def side_by_side(self, work: Callable[[int], Result], count: int, bytes_each: int) -> Iterator[Result]:
        """What :func:`side_by_side` returns, bit for bit; nothing more begins once the iterator is closed."""
        ...


_crew: ContextVar[Crew | None] = ContextVar("crew", default=None)
# Between how many processes like this one the machine is divided.
_processes = 1


@contextmanager
def working_with(crew: Crew | None) -> Iterator[None]:
    """Within, heavy work is the crew's, if there is one."""
    before = _crew.set(crew)
    try:
        yield
    finally:
        _crew.reset(before)


def divide_machine(processes: int) -> None:
    """Leave room for others: so many processes divide cores and memory. Meant to be said once, before any work."""
    global _processes
    _processes = processes


def hold_matrix_library() -> None:
    """One thread for the matrix libraries of numpy and scipy, for the rest of this process.

    Sums of several threads round differently, so results would depend on the number of cores.
    """
    # a library that is loaded later would begin with a thread per core, and scipy brings its own
    import scipy.linalg  # noqa: F401

    threadpool_limits(limits=1, user_api="blas")


def side_by_side(
    work: Callable[[int], Result], count: int, bytes_each: int = 0, *, heavy: bool = False
) -> Iterator[Result]:
    """Results of ``work(0)`` to ``work(count - 1)`` in order, computed on all cores this process may use.

    Faster than one piece of work on all cores, and the results do not depend on the number of cores. As many run at
    a time as memory holds, at ``bytes_each``. What is ``heavy``, seconds in all and worth sending over a network with
    everything it needs, goes to the crew where there is one.
    """
    crew = _crew.get()
    with threadpool_limits(limits=1, user_api="blas"):
        if heavy and crew is not None:
            yield from crew.side_by_side(work, count, bytes_each)
            return
        pool = ThreadPoolExecutor(max_workers=at_a_time(bytes_each, cores()))
        try:
            yield from pool.map(work, range(count))
        finally:
            # after an interruption, what has not begun must not begin
            pool.shutdown(cancel_futures=True)


def cores() -> int:
    """Number of cores this process may use, its share of the machine."""
    return max(1, len(os.sched_getaffinity(0)) // _processes)


def at_a_time(bytes_each: int, cores: int) -> int:
    """How many pieces of work may run side by side."""
    return max(1, min(cores, MEMORY_BYTES // _processes // max(bytes_each, 1)))
