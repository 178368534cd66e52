"""Independent work on all cores, the matrix library held to one thread."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

from threadpoolctl import threadpool_limits

GIB = 2**30
# All that runs at a time stays below this together; what the work shares comes on top.
MEMORY_BYTES = 6 * GIB

Result = TypeVar("Result")


def side_by_side(work: Callable[[int], Result], count: int, bytes_each: int = 0) -> Iterator[Result]:
    """Results of ``work(0)`` to ``work(count - 1)`` in order, computed on all cores this process may use.

    Faster than one piece of work on all cores, and the results do not depend on the number of cores. As many run at
    a time as memory holds, at ``bytes_each``.
    """
    pool = ThreadPoolExecutor(max_workers=at_a_time(bytes_each, cores()))
    try:
        with threadpool_limits(limits=1, user_api="blas"):
            yield from pool.map(work, range(count))
    finally:
        # after an interruption, what has not begun must not begin
        pool.shutdown(cancel_futures=True)


def cores() -> int:
    """Number of cores this process may use."""
    return len(os.sched_getaffinity(0))


def at_a_time(bytes_each: int, cores: int) -> int:
    """How many pieces of work may run side by side."""
    return max(1, min(cores, MEMORY_BYTES // max(bytes_each, 1)))
