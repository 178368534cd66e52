"""Work in a child process: results, refusals and every kind of death, the limits, and that nobody stays behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from multiprocessing import forkserver, resource_tracker
from pathlib import Path
from typing import Any

import pytest
from batch import deeds
from batch.processes import alive, descriptors, none_left, wait_until

from fieldproc import child
from fieldproc.child import Limits, Nursery
from fieldproc.errors import (
    BugError,
    ClusterError,
    ExitCode,
    FieldprocError,
    LimitError,
    LockedError,
    NumericalError,
    OutputError,
    Problem,
    SessionError,
    StoppedError,
    UsageError,
)

GIB = 2**30
# All that tests of this run need of a child, whoever of them comes first.
PRELOAD = ("fieldproc.batch.preload",)
# A child begins and ends in hundredths of a second; the machine may be busy with other things.
SOON_S = 5.0
ERRORS = (
    UsageError("a", "b"),
    SessionError("scan.h5", [Problem("/a", "1", "2", "3"), Problem("/b", "4", "5", "6")]),
    NumericalError("expand", "points", "3", "4", "take more"),
    OutputError("no room"),
    LockedError("busy"),
    LimitError("too long"),
    ClusterError("all gone"),
    StoppedError("stopped"),
    BugError("traceback\na bug of ours"),
)


@pytest.fixture(autouse=True, scope="module")
def _server() -> None:
    """With all that other tests of this run need, whoever comes first."""
    child.prepare(PRELOAD)


@pytest.fixture(params=["fork", "forkserver"])
def _either_method(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(child, "METHOD", request.param)


def refusal(work: Callable[..., Any], *arguments: object, **options: Any) -> FieldprocError:
    with pytest.raises(FieldprocError) as caught:
        child.call(work, *arguments, **options)
    return caught.value


# --- what comes back ---------------------------------------------------------------------------------


@pytest.mark.usefixtures("_either_method")
def test_the_result_and_what_it_told_on_the_way() -> None:
    heard: list[tuple[str, int]] = []
    result = child.call(deeds.doubled, 21, hear=lambda told: heard.append((told, threading.get_ident())))
    assert result == 42
    assert heard == [("doubling 21", threading.get_ident()), ("done", threading.get_ident())]


@pytest.mark.usefixtures("_either_method")
@pytest.mark.parametrize("error", ERRORS, ids=lambda error: type(error).__name__)
def test_a_refusal_comes_back_as_it_was(error: FieldprocError) -> None:
    found = refusal(deeds.refuse, error)
    assert type(found) is type(error)
    assert (str(found), found.args, found.exit_code) == (str(error), error.args, error.exit_code)
    assert vars(found) == vars(error)


def test_every_kind_of_refusal_was_tried() -> None:
    assert {type(error) for error in ERRORS} == set(FieldprocError.__subclasses__())


@pytest.mark.usefixtures("_either_method")
def test_a_bug_comes_back_with_its_place() -> None:
    found = refusal(deeds.blunder)
    assert type(found) is BugError
    assert "in blunder" in str(found)
    assert str(found).splitlines()[-1].startswith("a bug of ours (ZeroDivisionError)")


def test_messages_of_several_threads_do_not_mix() -> None:
    heard: list[list[int]] = []
    child.call(deeds.murmur_from_threads, 4, 5, hear=heard.append)
    assert sorted((message[0], len(message), len(set(message))) for message in heard) == [
        (name, 20_000, 1) for name in range(4) for _ in range(5)
    ]


def test_a_child_that_could_not_report_leaves_no_result() -> None:
    """A result that cannot travel is a bug, not a hang."""
    assert type(refusal(threading.Lock)) is BugError


# --- how a child may die -----------------------------------------------------------------------------


CRASHES = (signal.SIGSEGV, signal.SIGABRT, signal.SIGBUS, signal.SIGFPE)
KILLS = (signal.SIGKILL, signal.SIGTERM)


@pytest.mark.parametrize(
    ("deed", "number", "computing", "reading"),
    [
        *(("end_by", number, BugError, SessionError) for number in CRASHES),
        *(("end_by", number, LimitError, LimitError) for number in KILLS),
        *(("leave", code, BugError, BugError) for code in (0, 1, 3, 255)),
    ],
    ids=str,
)
def test_every_death_has_its_class(
    deed: str, number: int, computing: type[FieldprocError], reading: type[FieldprocError], tmp_path: Path
) -> None:
    told = str(number) if deed == "leave" else signal.Signals(number).name
    found = refusal(getattr(deeds, deed), number)
    assert type(found) is computing
    assert told in str(found)
    path = tmp_path / "scan.h5"
    found = refusal(deeds.while_reading, path, deed, number)
    assert type(found) is reading
    assert str(found).startswith(f"{path}: ")
    assert told in str(found)
    # once it is read, the file is not to blame
    found = refusal(deeds.after_reading, path, deed, number)
    assert type(found) is computing
    assert str(path) not in str(found)


@pytest.mark.parametrize("deed", ["sleep_long", "hold_interpreter"])
def test_a_silent_child_is_ended(deed: str) -> None:
    told: list[int] = []
    began_s = time.monotonic()
    found = refusal(getattr(deeds, deed), limits=Limits(silence_s=0.3), hear=told.append)
    assert 0.3 < time.monotonic() - began_s < SOON_S
    assert type(found) is LimitError
    assert str(found) == "while computing: no sign of life for 0.3 s; ended"
    assert not alive(told[0])


def test_a_child_that_speaks_is_not_silent() -> None:
    """Twice the limit in all, with pauses of a fifth."""
    assert child.call(deeds.murmur, 10, 0.2, limits=Limits(silence_s=1.0)) == 10


def test_reading_has_a_shorter_limit_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(child, "READING_S", 0.3)
    # only children of this process know of the patch
    monkeypatch.setattr(child, "METHOD", "fork")
    path = tmp_path / "scan.h5"
    began_s = time.monotonic()
    found = refusal(deeds.while_reading, path, "sleep_long")
    assert time.monotonic() - began_s < SOON_S
    assert type(found) is LimitError
    assert str(found) == f"{path}: while reading it: no sign of life for 0.3 s; ended"
    # and a large file takes longer than a small one
    path.write_bytes(bytes(1000))
    monkeypatch.setattr(child, "SLOWEST_BYTES_PER_S", 1000.0)
    assert "for 1.3 s" in str(refusal(deeds.while_reading, path, "sleep_long"))


@pytest.mark.parametrize("deed", ["sleep_long", "hold_interpreter"])
def test_the_clock_ends_what_no_parent_ends(deed: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody waits for this child but the kernel."""
    monkeypatch.setattr(child, "READING_S", 0.2)
    reader, writer = os.pipe()
    process = os.fork()
    if not process:
        with os.fdopen(writer, "wb") as stream:
            child._Here.sender = type("", (), {"send": lambda _self, _message: stream.flush()})()
            deeds.while_reading(tmp_path / "scan.h5", deed)
        os._exit(0)
    os.close(writer)
    os.close(reader)
    began_s = time.monotonic()
    assert os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]) == -signal.SIGALRM
    assert time.monotonic() - began_s < SOON_S


def test_memory_beyond_the_limit_is_a_refusal() -> None:
    limits = Limits(memory_bytes=GIB // 4)
    assert child.call(deeds.allocate, GIB // 8, limits=limits) == GIB // 8
    found = refusal(deeds.allocate, GIB, limits=limits)
    assert (type(found), str(found)) == (LimitError, "out of memory; lower the orders or free memory")


def test_a_library_that_gives_up_for_want_of_memory() -> None:
    """A matrix library ends the process with 1. Without a limit of memory, nobody knows why it did."""
    assert type(refusal(deeds.leave, 1, limits=Limits(memory_bytes=GIB))) is LimitError
    assert type(refusal(deeds.leave, 1)) is BugError
    assert type(refusal(deeds.leave, 2, limits=Limits(memory_bytes=GIB))) is BugError


def test_no_more_threads_is_a_want_of_memory() -> None:
    """Each of them takes megabytes."""
    assert type(refusal(deeds.want_of_threads)) is LimitError


def test_memory_while_reading_depends_on_the_file(tmp_path: Path) -> None:
    path = tmp_path / "scan.h5"
    path.touch()
    found = refusal(deeds.while_reading, path, "allocate", 2 * GIB)
    assert (type(found), str(found)) == (LimitError, f"{path}: reading it takes more than 1 GiB")
    # 16 MiB of file may become 2 GiB of arrays
    with open(path, "wb") as stream:
        stream.truncate(GIB // 64)
    assert child.call(deeds.while_reading, path, "allocate", 2 * GIB) is None
    # and what comes after is not bound by it
    path.write_bytes(b"")
    assert child.call(deeds.after_reading, path, "allocate", 2 * GIB) == 2 * GIB


# --- nobody stays behind -----------------------------------------------------------------------------


_PARENT = """
import sys
from batch import deeds
from fieldproc import child
child.prepare(("batch.deeds",))
child.call(getattr(deeds, sys.argv[1]), hear=lambda told: print(told, flush=True))
"""


@pytest.mark.parametrize("deed", ["sleep_long", "hold_interpreter"])
def test_a_killed_parent_leaves_nobody(deed: str) -> None:
    """Neither the child, be it deaf to all but the kernel, nor the server, nor the standard library's tracker."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(
        [sys.executable, "-c", _PARENT, deed], stdout=subprocess.PIPE, start_new_session=True, env=environment
    ) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        assert alive(worker)
        parent.kill()
        parent.wait()
        assert none_left(parent.pid, within_s=2.0)
        assert not alive(worker)


_LOADING = """
import sys, time
from fieldproc import child
child.prepare(("batch.slow",))
print("begun", flush=True)
time.sleep(60)
"""


@pytest.mark.parametrize("pause_s", [0.0, 1.0])
def test_a_killed_parent_leaves_no_server_that_is_loading(pause_s: float) -> None:
    """Neither one that has hardly begun, and will see that it is alone, nor one that is told."""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen(
        [sys.executable, "-c", _LOADING], stdout=subprocess.PIPE, start_new_session=True, env=environment
    ) as parent:
        assert parent.stdout is not None
        parent.stdout.readline()
        time.sleep(pause_s)
        parent.kill()
        parent.wait()
        assert none_left(parent.pid, within_s=2.0)


def test_a_nursery_ends_all_its_children_and_takes_no_more() -> None:
    nursery, told = Nursery(), []
    with ThreadPoolExecutor(3) as pool:
        calls = [
            pool.submit(refusal, deeds.sleep_long, hear=told.append, nursery=nursery)  # one each
            for _ in range(3)
        ]
        assert wait_until(lambda: len(told) == 3, 30.0)
        began_s = time.monotonic()
        nursery.end_all()
        assert {type(each.result()) for each in calls} == {StoppedError}
    assert time.monotonic() - began_s < 2.0
    assert not any(alive(process) for process in told)
    assert type(refusal(deeds.doubled, 1, nursery=nursery)) is StoppedError


def test_children_leave_no_descriptors() -> None:
    """200 calls, well and badly ended."""
    assert child.call(deeds.doubled, 1) == 2
    before = descriptors()
    for number in range(200):
        if number % 10:
            assert child.call(deeds.doubled, number) == 2 * number
        else:
            assert type(refusal(deeds.leave, 3)) is BugError
    assert descriptors() == before


@pytest.mark.usefixtures("_either_method")
def test_calls_from_many_threads_know_their_own_child() -> None:
    """Every child dies another death, while others begin: none is mistaken for another, or told wrongly."""

    def one(number: int) -> None:
        match number % 4:
            case 0:
                assert child.call(deeds.doubled, number) == 2 * number
            case 1:
                assert "SIGKILL" in str(refusal(deeds.end_by, signal.SIGKILL))
            case 2:
                assert "SIGABRT" in str(refusal(deeds.end_by, signal.SIGABRT))
            case 3:
                assert f"(exit code {number % 100})" in str(refusal(deeds.leave, number % 100))

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(one, range(160))) == [None] * 160


def test_a_killed_server_costs_nobody_a_result() -> None:
    """It may be the largest process where memory ends. Children at work go on; the next begins with a new one."""
    heard: list[int] = []
    with ThreadPoolExecutor(1) as pool:
        running = pool.submit(child.call, deeds.murmur, 5, 0.2, hear=heard.append)
        assert wait_until(lambda: bool(heard), 30.0)
        kill_server()
        assert running.result() == 5
    assert child.call(deeds.doubled, 4) == 8


def test_a_child_whose_server_was_killed_is_ended_all_the_same() -> None:
    told: list[int] = []

    def hear(process: int) -> None:
        told.append(process)
        kill_server()

    assert type(refusal(deeds.sleep_long, hear=hear, limits=Limits(silence_s=0.5))) is LimitError
    assert wait_until(lambda: not alive(told[0]), 2.0)


def test_a_server_that_never_comes_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    child.prepare(("batch.slow",))
    kill_server()
    # a server begins with the path of the environment
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(sys.path))
    monkeypatch.setattr(child, "_STARTED_S", 1.0)
    try:
        began_s = time.monotonic()
        found = refusal(deeds.doubled, 1)
        assert time.monotonic() - began_s < SOON_S
        assert type(found) is LimitError
        assert str(found).startswith("no process could be started ")
    finally:
        # for whoever comes next
        child.prepare(PRELOAD)


def kill_server() -> None:
    server = forkserver._forkserver._forkserver_pid
    os.kill(server, signal.SIGKILL)
    assert wait_until(lambda: not alive(server), 2.0)


def test_a_server_is_prepared_once() -> None:
    child.prepare(PRELOAD)
    first = forkserver._forkserver._forkserver_pid, resource_tracker._resource_tracker._pid
    child.prepare(PRELOAD)
    child.prepare(())
    assert child.call(deeds.doubled, 1) == 2
    assert (forkserver._forkserver._forkserver_pid, resource_tracker._resource_tracker._pid) == first
    # a server that has to be started anew has the same loaded
    assert forkserver._forkserver._preload_modules[1:] == list(PRELOAD)


def test_an_exit_code_for_every_ending() -> None:
    """What a batch makes of them; see the contract of exit codes."""
    codes = {LimitError: 7, BugError: 70, StoppedError: 130, SessionError: 4}
    assert {kind: kind.exit_code for kind in codes} == {kind: ExitCode(code) for kind, code in codes.items()}
