"""Small matrices on one thread: a pool of threads that waits for a busy machine costs thirty times the work."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from threadpoolctl import threadpool_limits


@pytest.fixture(autouse=True, scope="session")
def _one_thread() -> Iterator[None]:
    with threadpool_limits(limits=1):
        yield
