"""Heavy work on a Dask cluster that runs already: single frequencies of a session, or whole sessions.

A worker is trusted like this machine: it runs what it is sent, and it must be alike in all that makes numbers. So
results are those of this machine, bit for bit: arrays arrive with the strides they left with (a product with another
order in memory rounds differently), and matrix libraries are held to one thread. A worker that is lost costs time.
"""

from __future__ import annotations

import io
import logging
import pickle
import platform
import time
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from queue import Empty, SimpleQueue
from threading import BoundedSemaphore, Lock
from typing import Any, TypeVar

import numpy as np
from numpy.lib.stride_tricks import as_strided
from threadpoolctl import threadpool_info

from fieldproc.errors import ClusterError, UsageError
from fieldproc.results import code_sha256
from fieldproc.side_by_side import GIB, MEMORY_BYTES, hold_matrix_library

try:
    import cloudpickle
    from distributed import Client, Future, KilledWorker, get_worker
except ModuleNotFoundError as error:
    raise UsageError(
        "a cluster needs the Dask libraries, which are not installed: install fieldproc[cluster]"
    ) from error

Item = TypeVar("Item")
Result = TypeVar("Result")

# How often work is sent out anew after all workers that held it are gone.
_SENDINGS = 3
# How often the scheduler is asked whether it is there, and how long it has to answer; how long work waits
# for workers where all are gone.
_ASKED_EVERY_S, _ANSWER_S, _PATIENCE_S = 2.0, 5.0, 30.0
# What fieldproc's numbers are made with. Other versions make others.
_LIBRARIES = ("numpy", "scipy", "h5py", "numba")


@dataclass(frozen=True, slots=True)
class Cluster:
    """A :class:`~fieldproc.side_by_side.Crew`: all workers of a scheduler. ``notices`` tell in what they differ."""

    client: Client
    notices: tuple[str, ...] = ()

    def side_by_side(self, work: Callable[[int], Result], count: int, bytes_each: int) -> Iterator[Result]:
        """See :class:`~fieldproc.side_by_side.Crew`; every piece of work is a task.

        Raises what the work raises, and ``ClusterError`` when the scheduler or all workers are lost.
        """
        packed, done = pack(work), 0
        for _ in range(_SENDINGS):
            self._threads()
            try:
                # closed even where a traceback keeps this frame
                with closing(self._answers(_Parcel(packed, bytes_each), range(done, count))) as answers:
                    for answer in answers:
                        result, error = unpack(answer)
                        if error is not None:
                            raise error
                        done += 1
                        yield result
            except _LostWorkError:
                continue
            return
        self._threads()
        raise ClusterError(f"the cluster lost all its workers {_SENDINGS} times; start the session again without it")

    def _answers(self, parcel: _Parcel, pieces: range) -> Generator[bytes, None, None]:
        """Packed results in order. The work is sent to every worker once."""
        futures: list[Future] = []
        try:
            futures = self._or_lost(partial(self._sent, parcel, pieces))
            for future in futures[1:]:
                yield self._or_lost(partial(self._result, future))
                future.release()
        except KilledWorker as error:
            raise ClusterError(
                f"workers of the cluster died of the same work again and again; it needs "
                f"{parcel.bytes_each / GIB:.1f} GiB at a time, and all share {len(parcel.packed) / GIB:.1f} GiB"
            ) from error
        finally:
            _release(futures)

    def _sent(self, parcel: _Parcel, pieces: range) -> list[Future]:
        """The work, then its pieces."""
        work = self.client.scatter(parcel, broadcast=True, hash=False, timeout=_PATIENCE_S)
        return [work, *self.client.map(_piece, [work] * len(pieces), pieces, pure=False)]

    def _or_lost(self, step: Callable[[], Any]) -> Any:
        try:
            return step()
        except Exception as error:
            if self._is_loss(error):
                raise _LostWorkError from error
            raise

    def _is_loss(self, error: Exception) -> bool:
        """Does an exception of the client tell that machines are gone? None of the work itself comes this way."""
        return self._left() or isinstance(error, CancelledError | OSError)

    def _left(self) -> bool:
        return self.client.status in ("closing", "closed")

    def _result(self, future: Future) -> bytes:
        # never for ever: a client that another thread closes forgets who waits
        while True:
            try:
                packed: bytes = future.result(timeout=_ASKED_EVERY_S)
                return packed
            except TimeoutError:
                self._threads()

    def _threads(self) -> int:
        """Of all workers. Raises ``ClusterError`` when the scheduler does not answer."""
        try:
            known = self.client.sync(self.client.scheduler.identity, callback_timeout=_ANSWER_S)
            return sum(worker["nthreads"] for worker in known["workers"].values())
        except Exception as error:
            if self._left():
                raise ClusterError("the cluster was left before its work was done") from error
            if not self._is_loss(error):
                raise
            raise ClusterError(
                "the scheduler of the cluster is lost; start the session again, with another or without"
            ) from error

    def close(self) -> None:
        """Leave the cluster; it runs on."""
        with suppress(OSError):
            self.client.close(timeout=_ANSWER_S)


def connect(address: str, timeout_s: float = 10.0) -> Cluster:
    """The cluster whose scheduler has this address (``tcp://host:port``), if all its workers are fit for it.

    Raises ``UsageError`` when no scheduler answers, when there is no worker after so many seconds, or when a worker
    would make other numbers. Differences that may show in the last bits are told as notices.
    """
    # whatever it warns of, we either raise or get over
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        client = Client(address, timeout=timeout_s, set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(
            f"{address}: no scheduler of a Dask cluster answers there ({error}); start it first"
        ) from error
    try:
        client.wait_for_workers(1, timeout=timeout_s)
        found = client.run(what_runs_here, on_error="return")
        return Cluster(client, differences(what_runs_here(), found))
    except OSError as error:
        client.close(timeout=_ANSWER_S)
        raise UsageError(f"{address}: the cluster has no workers; start some first") from error
    except UsageError:
        client.close(timeout=_ANSWER_S)
        raise


def what_runs_here() -> dict[str, str]:
    """All that numbers depend on beside the data: versions, and the processor as the matrix libraries see it."""
    hold_matrix_library()
    # libraries of the same version may differ in what they call the processor
    kernels = sorted(f"{one['internal_api']} {one['version']} {one.get('architecture')}" for one in threadpool_info())
    return {
        # the number says too little of a checkout
        "fieldproc": f"{version('fieldproc')} ({code_sha256()[:12]})",
        "python": platform.python_version(),
        **{name: version(name) for name in _LIBRARIES},
        "processor": ", ".join([platform.machine(), *kernels]),
    }


def differences(here: dict[str, str], found: dict[str, dict[str, str] | Exception]) -> tuple[str, ...]:
    """Notices of what the workers (by address) have otherwise. ``UsageError`` for versions."""
    problems, notices = [], []
    for worker, there in sorted(found.items()):
        if isinstance(there, Exception):
            problems.append(f"{worker}: cannot run fieldproc ({type(there).__name__}: {there})")
            continue
        for name, own in here.items():
            other = there.get(name)
            if name == "processor" and other != own:
                notices.append(f"worker {worker} may differ in the last bits: it computes with {other}, here {own}")
            elif other != own:
                problems.append(f"{worker}: {name} {other}, here {own}")
    if problems:
        raise UsageError("\n".join([*problems, "install the same versions on all workers as here"]))
    return tuple(notices)


def map_sessions(
    cluster: Cluster, function: Callable[[Item], Result], items: Sequence[Item]
) -> Iterator[tuple[int, Result | Exception]]:
    """Index of an item and ``function(item)``, or the exception that it raised, as they are done.

    What a lost worker had in hand is done again by others; an item that ends one worker after another has a
    ``ClusterError`` for a result. ``ClusterError`` is raised when the scheduler or all workers are lost. Nothing more
    begins once the iterator is closed.
    """
    todo, running, done = deque(enumerate(items)), dict[Future, int](), SimpleQueue[Future]()
    staffed_s = time.monotonic()
    try:
        while todo or running:
            seats = cluster._threads()
            if seats:
                staffed_s = time.monotonic()
            elif time.monotonic() - staffed_s > _PATIENCE_S:
                raise ClusterError("the cluster has lost all its workers")
            # no more than can begin: a session must not wait behind another while a worker is idle
            while todo and len(running) < max(seats, 1):
                at, item = todo.popleft()
                future = cluster.client.submit(_call, pack((function, item)), pure=False)
                running[future] = at
                future.add_done_callback(done.put)
            try:
                future = done.get(timeout=_ASKED_EVERY_S)
            except Empty:
                continue
            outcome = _outcome(cluster._result, future)
            yield running.pop(future), outcome
    except Exception as error:
        if not cluster._is_loss(error):
            raise
        cluster._threads()
        raise ClusterError(f"the cluster lost what it was given ({error})") from error
    finally:
        _release(list(running))


def _release(futures: Sequence[Future]) -> None:
    """Nobody wants them any more: what has not begun will not begin."""
    for future in futures:
        future.release()


def _outcome(result_of: Callable[[Future], bytes], future: Future) -> Any:
    try:
        result, error = unpack(result_of(future))
    except KilledWorker:
        return ClusterError("it ended one worker of the cluster after another; perhaps their memory is too small")
    return result if error is None else error


class _LostWorkError(Exception):
    """Scheduler, workers or the work sent to them are gone."""


# --- on the worker ---------------------------------------------------------------------------------------


class _Parcel:
    """Work on its way, opened once per worker, where as many pieces run at a time as its memory holds."""

    def __init__(self, packed: bytes, bytes_each: int) -> None:
        self.packed, self.bytes_each = packed, bytes_each
        self._lock = Lock()
        self._opened: tuple[Callable[[int], Any], BoundedSemaphore] | None = None

    def __reduce__(self) -> tuple[Any, ...]:
        return _Parcel, (self.packed, self.bytes_each)

    def __sizeof__(self) -> int:
        return len(self.packed)

    def opened(self) -> tuple[Callable[[int], Any], BoundedSemaphore]:
        """The work, and seats for those who do it."""
        with self._lock:
            if self._opened is None:
                # half of a worker's memory is left to what is shared, and to results that wait
                bytes_here = (get_worker().memory_manager.memory_limit or 2 * MEMORY_BYTES) // 2
                seats = max(1, min(bytes_here, MEMORY_BYTES) // max(self.bytes_each, 1))
                self._opened = unpack(self.packed), BoundedSemaphore(seats)
            return self._opened


def _piece(parcel: _Parcel, at: int) -> bytes:
    """A task: one piece of the work, its result packed."""
    work, seats = parcel.opened()
    with seats:
        return _attempt(work, at)


def _call(packed: bytes) -> bytes:
    """A task: one item of :func:`map_sessions`."""
    return _attempt(*unpack(packed))


def _attempt(work: Callable[[Any], Any], argument: Any) -> bytes:
    """Result and exception, one of them None: what the work raises must not pass for an error of the cluster."""
    hold_matrix_library()
    try:
        return pack((work(argument), None))
    except Exception as error:
        return pack((None, error))


# --- on the way ------------------------------------------------------------------------------------------


class _Pickler(cloudpickle.Pickler):  # type: ignore[misc]
    """Functions by value, where nobody can import them; arrays with their strides."""

    def reducer_override(self, obj: Any) -> Any:
        """See ``pickle.Pickler``."""
        if type(obj) is np.ndarray and not obj.flags.forc and not obj.dtype.hasobject:
            # counted upwards in every axis, from its lowest place in memory
            turn = tuple(slice(None, None, -1 if step < 0 else 1) for step in obj.strides)
            upward = obj[turn]
            extent = sum((size - 1) * step for size, step in zip(upward.shape, upward.strides, strict=True))
            if all(step % obj.itemsize == 0 for step in upward.strides):
                memory = as_strided(upward, (extent // obj.itemsize + 1,), (obj.itemsize,)).copy()
                return _laid_out, (memory, upward.shape, upward.strides, turn, obj.flags.writeable)
        return super().reducer_override(obj)


def _laid_out(
    memory: np.ndarray[Any, Any],
    shape: tuple[int, ...],
    strides: tuple[int, ...],
    turn: tuple[slice, ...],
    writeable: bool,
) -> np.ndarray[Any, Any]:
    """An array with the strides of another."""
    array: np.ndarray[Any, Any] = as_strided(memory, shape, strides)[turn]
    array.setflags(write=writeable)
    return array


def pack(value: Any) -> bytes:
    """As bytes, for :func:`unpack` in a process of the same libraries."""
    buffer = io.BytesIO()
    _Pickler(buffer, protocol=5).dump(value)
    return buffer.getvalue()


def unpack(packed: bytes) -> Any:
    """What :func:`pack` was given, arrays in a layout that rounds alike."""
    return pickle.loads(packed)
