"""Reads mutated files, each in a process of its own: ``python -m fuzz.server FOLDER FIRST_SEED COUNT [BASE ...]``.

FOLDER holds the files of ``bases.py``. Mutation number i is a function of base and seed alone, so a finding can be
made again with COUNT 1. Every child has ``SECONDS`` and ``MEMORY_BYTES`` beyond what the library itself takes; the
kernel ends it, whatever the library is busy with. Standard output: per base, JSON of outcome to the seeds that
ended so. The whole process is forked, so it must stay free of threads.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import resource
import signal
import sys
import traceback
from pathlib import Path
from typing import Any

import numpy as np
from fuzz.bases import READERS, Reader

from fieldproc.errors import SessionError, UsageError

SECONDS = 5
MEMORY_BYTES = 1 << 30
# How a child ends by itself; its exit code is the place in this list.
OUTCOMES = ("equal", "other numbers", "refused", "out of memory", "other exception")
EQUAL, OTHER_NUMBERS, REFUSED, OUT_OF_MEMORY, OTHER_EXCEPTION = OUTCOMES
# Numbers that sizes and addresses break at.
_WORDS = (0, 1, 0x7F, 0x80, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 2**63 - 1, 2**64 - 1)
# Set by the path, not by the content.
_OF_THE_FILE = ("name", "sha256")


def mutated(sound: bytes, generator: np.random.Generator) -> bytes:
    """One to four mutations of one kind: byte, bit, word, splice; or cut short."""
    data = bytearray(sound)
    kind = ("byte", "bit", "word", "splice", "truncate")[generator.integers(5)]
    if kind == "truncate":
        return bytes(data[: generator.integers(len(data))])
    for _ in range(generator.integers(1, 5)):
        place = int(generator.integers(len(data)))
        if kind == "byte":
            data[place] = int(generator.integers(256))
        elif kind == "bit":
            data[place] ^= 1 << int(generator.integers(8))
        elif kind == "word":
            size = (1, 2, 4, 8)[generator.integers(4)]
            word = _WORDS[generator.integers(len(_WORDS))] & (256**size - 1)
            data[place : place + size] = word.to_bytes(size, "little")
        else:
            size = int(generator.integers(1, 65))
            start = int(generator.integers(len(data)))
            # moved over what was there, or put in before it
            data[place : place + size * int(generator.integers(2))] = sound[start : start + size]
    return bytes(data)


def digest(record: Any) -> str:
    """Of everything in a record that a file decides, nested records and arrays included."""
    return hashlib.sha256(repr(_plain(record)).encode("utf-8", "surrogatepass")).hexdigest()


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value):
        return [
            (field.name, _plain(getattr(value, field.name)))
            for field in dataclasses.fields(value)
            if field.name not in _OF_THE_FILE
        ]
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.shape, value.tobytes()
    if isinstance(value, dict):
        return sorted((key, _plain(item)) for key, item in value.items())
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    return value


def outcome(reader: Reader, path: Path, sound_digest: str) -> str:
    """How one reading ends."""
    try:
        return EQUAL if digest(reader(path)) == sound_digest else OTHER_NUMBERS
    except (SessionError, UsageError) as refusal:
        # one line per problem, and no control character from the file
        tidy = all(line.isprintable() for line in str(refusal).splitlines())
        return REFUSED if tidy and len(str(refusal)) < 100_000 else OTHER_EXCEPTION
    except MemoryError:
        return OUT_OF_MEMORY
    except BaseException:
        traceback.print_exc()
        return OTHER_EXCEPTION


def read_in_child(reader: Reader, path: Path, sound_digest: str) -> str:
    """Fork, read under limits, and tell how it ended."""
    child = os.fork()
    if child == 0:
        way = OTHER_EXCEPTION
        try:
            # Without a handler the signal ends the process even inside the library.
            signal.alarm(SECONDS)
            limit = _mapped_bytes() + MEMORY_BYTES
            resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            way = outcome(reader, path, sound_digest)
        finally:
            os._exit(OUTCOMES.index(way))
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        number = os.WTERMSIG(status)
        return "hang" if number == signal.SIGALRM else f"crash {signal.Signals(number).name}"
    return OUTCOMES[os.WEXITSTATUS(status)]


def _mapped_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()


def main() -> None:
    """Every base and seed asked for."""
    folder, first, count = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    seeds: dict[str, dict[str, list[int]]] = {}
    for number, (name, reader) in enumerate(READERS.items()):
        if sys.argv[4:] and name not in sys.argv[4:]:
            continue
        sound = (folder / name).read_bytes()
        sound_digest = digest(reader(folder / name))
        path = folder / f"mutated_{os.getpid()}"
        ended: dict[str, list[int]] = {}
        for seed in range(first, first + count):
            path.write_bytes(mutated(sound, np.random.default_rng([number, seed])))
            ended.setdefault(read_in_child(reader, path, sound_digest), []).append(seed)
        path.unlink(missing_ok=True)
        seeds[name] = ended
    json.dump(seeds, sys.stdout)


if __name__ == "__main__":
    main()
