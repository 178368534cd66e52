"""What the machine offers: memory that this process may have, and a folder that can be written and locked."""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO, NamedTuple


@dataclass(frozen=True, slots=True)
class Memory:
    """Bytes this process may have in all, and those left now; ``None`` = not known."""

    total_bytes: int | None
    available_bytes: int | None


@dataclass(frozen=True, slots=True)
class Place:
    """Where results would go: free bytes (``None`` = not known), can a file be written, do file locks hold.

    ``refusal`` is what the file system says where it cannot be written, without any path.
    """

    free_bytes: int | None
    writable: bool
    locks: bool
    refusal: str = ""


class _Control(NamedTuple):
    """Names of one generation of control groups: the limit, what is used, what of that can be had back at once."""

    limit: str
    used: str
    reclaimable: str


_FIRST = _Control("memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file")
_SECOND = _Control("memory.max", "memory.current", "inactive_file")


def memory(processes: Path = Path("/proc"), groups: Path = Path("/sys/fs/cgroup")) -> Memory:
    """As the system states it, less where a control group of this process or one around it allows less."""
    found = _of_system(processes)
    totals, rooms = [found.total_bytes], [found.available_bytes]
    for folder, control in _control_groups(processes, groups):
        limit, used = _number(folder / control.limit), _number(folder / control.used)
        if limit is None:
            continue
        totals.append(limit)
        if used is not None:
            rooms.append(max(0, limit - used + _fields(folder / "memory.stat").get(control.reclaimable, 0)))
    return Memory(_least(totals), _least(rooms))


def place(output: Path) -> Place:
    """Try the folder ``output`` or, where it is not there yet, the nearest one above it. Leaves nothing behind."""
    output = output.absolute()
    standing = next(folder for folder in (output, *output.parents) if os.path.exists(folder))
    free_bytes = _free_bytes(standing)
    try:
        # named like a temporary of ours: the next run removes it if this one is killed
        with tempfile.NamedTemporaryFile(dir=standing, prefix=".doctor-", suffix=".fieldproc-tmp") as probe:
            probe.write(b"probe")
            probe.flush()
            os.fsync(probe.fileno())
            locks = _locks(Path(probe.name))
    except OSError as error:
        return Place(free_bytes, writable=False, locks=False, refusal=error.strerror or type(error).__name__)
    return Place(free_bytes, writable=True, locks=locks)


def _locks(path: Path) -> bool:
    """Does a lock keep out whoever opens the file a second time?"""
    with open(path, "r+b") as first, open(path, "r+b") as second:
        return _locked(first) and not _locked(second)


def _locked(file: BinaryIO) -> bool:
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _free_bytes(folder: Path) -> int | None:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def _of_system(processes: Path) -> Memory:
    stated = _fields(processes / "meminfo")
    if stated:
        return Memory(*(_kibibytes(stated.get(name)) for name in ("MemTotal", "MemAvailable")))
    return Memory(*(_pages_bytes(name) for name in ("SC_PHYS_PAGES", "SC_AVPHYS_PAGES")))


def _kibibytes(value: int | None) -> int | None:
    return None if value is None else 1024 * value


def _pages_bytes(name: str) -> int | None:
    try:
        return os.sysconf(name) * os.sysconf("SC_PAGE_SIZE")
    except (ValueError, OSError):
        return None


def _control_groups(processes: Path, groups: Path) -> Iterator[tuple[Path, _Control]]:
    """Folders of the groups that this process is in and of those around them, innermost first.

    ``/proc/self/cgroup`` has lines ``hierarchy:controllers:path``; the second generation is hierarchy 0.
    """
    for line in _lines(processes / "self" / "cgroup"):
        hierarchy, controllers, path = line.split(":", 2)
        inside = PurePosixPath(path.lstrip("/"))
        # a group outside our view of the tree; the limits around us still show at its root
        if ".." in inside.parts:
            inside = PurePosixPath()
        chain = [inside, *inside.parents]
        if hierarchy == "0":
            yield from ((root / part, _SECOND) for root in (groups, groups / "unified") for part in chain)
        elif "memory" in controllers.split(","):
            yield from ((groups / "memory" / part, _FIRST) for part in chain)


def _fields(path: Path) -> dict[str, int]:
    """First number behind each name of a file of lines ``name number`` or ``name: number``."""
    words = [line.replace(":", " ").split() for line in _lines(path)]
    return {name: int(value) for name, value, *_ in (line for line in words if len(line) > 1) if value.isdigit()}


def _number(path: Path) -> int | None:
    """The one number of a file; ``None`` where there is no file, or no limit ("max")."""
    content = "".join(_lines(path)).strip()
    return int(content) if content.isdigit() else None


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text().splitlines()
    except OSError:
        return []


def _least(values: list[int | None]) -> int | None:
    return min((value for value in values if value is not None), default=None)
