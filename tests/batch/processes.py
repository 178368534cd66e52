"""Who is still there? As the kernel tells it."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path


def alive(process: int) -> bool:
    """Is it there, and more than an entry that nobody has collected yet?"""
    status = _status(process)
    # its first thread may have ended, and others still hold its files
    return bool(status) and (status[0] not in "ZX" or int(status[17]) > 1)


def session_of(leader: int) -> list[int]:
    """Living processes of the session that ``leader`` began."""
    numbers = [int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdecimal()]
    return [number for number in numbers if _status(number)[3:4] == [str(leader)] and alive(number)]


def parent_of(process: int) -> int | None:
    """None of what is not there."""
    return next((int(number) for number in _status(process)[1:2]), None)


def workers_of(leader: int) -> list[int]:
    """Processes at work for a command: the children of its server."""
    processes = session_of(leader)
    servers = [process for process in processes if _is_server(process)]
    return [process for process in processes if parent_of(process) in servers]


def none_left(leader: int, within_s: float) -> bool:
    """Has everybody of a session ended so soon?"""
    return wait_until(lambda: not session_of(leader), within_s)


def wait_until(met: Callable[[], bool], within_s: float) -> bool:
    """Was it met so soon?"""
    end_s = time.monotonic() + within_s
    while not met():
        if time.monotonic() > end_s:
            return False
        time.sleep(0.01)
    return True


def descriptors(process: int | str = "self") -> int:
    """How many files a process has open."""
    return len(os.listdir(f"/proc/{process}/fd"))


def resident_bytes(process: int) -> int:
    return _kilobytes(process, "VmRSS") * 1024


def peak_bytes(process: int) -> int:
    """The most that it ever had in memory."""
    return _kilobytes(process, "VmHWM") * 1024


def _kilobytes(process: int, what: str) -> int:
    return int(Path(f"/proc/{process}/status").read_text().partition(f"{what}:")[2].split()[0])


def _is_server(process: int) -> bool:
    try:
        told = Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return False
    # its children have the same command line, and are no children of the command
    return b"multiprocessing.forkserver" in told


def _status(process: int) -> list[str]:
    """State, parent, group, session and so on; nothing of what is not there."""
    try:
        # the name may hold anything, and ends with the last bracket
        return Path(f"/proc/{process}/stat").read_text(errors="replace").rpartition(")")[2].split()
    except (FileNotFoundError, ProcessLookupError):
        return []
