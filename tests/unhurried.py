"""For measuring coverage: ``PYTHONPATH=tests pytest -p unhurried --cov``.

A child is killed as soon as its result is there, before it has written down what it executed. Here it gets the time.
"""

from __future__ import annotations

from multiprocessing import connection
from multiprocessing.process import BaseProcess

from fieldproc.child import Nursery

_end = Nursery._end


def _end_later(nursery: Nursery, process: BaseProcess) -> None:
    if not nursery.stopped:
        connection.wait([process.sentinel], timeout=3)
    _end(nursery, process)


Nursery._end = _end_later  # type: ignore[method-assign]
