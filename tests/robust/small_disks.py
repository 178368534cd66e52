"""Writers on file systems in memory that are too small; run as a script in a mount namespace of its own.

It prints one JSON object: how many disks each writer was refused and how many it filled. A failed check ends it.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from robust.scans import tiny_session

from fieldproc.cli import main
from fieldproc.errors import ExitCode, OutputError
from fieldproc.results import write_file, write_folder
from fieldproc.session import write_session

PAGE = os.sysconf("SC_PAGE_SIZE")
SIZES = range(1, 31)


def result(word: str) -> dict[str, bytes]:
    """Seven files, 50 kB."""
    files = {f"tables/{number}/{word}.csv": word.encode() * 1234 * number for number in range(6)}
    summary = {"provenance": {"outputs_sha256": dict.fromkeys(files, "")}}
    return {**files, "summary.json": json.dumps(summary).encode()}


def content(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@contextmanager
def disk(place: Path, pages: int) -> Iterator[Path]:
    """A file system of so many pages."""
    place.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={pages * PAGE}", "small", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def leave_pages(root: Path, count: int) -> None:
    """Fill the disk but for so many pages."""
    taken = os.statvfs(root).f_bavail - count
    (root / f"ballast-{count}").write_bytes(bytes(taken * PAGE))


def filled(place: Path, write: Callable[[Path, str], None], states: dict[str, object]) -> dict[str, int]:
    """Every size of disk: an older result, then a newer one; what stands afterwards is one of the two or nothing."""
    refused = 0
    for pages in SIZES:
        with disk(place, pages) as root:
            stands: object = {}
            for word in ("old", "new"):
                try:
                    write(root / "scan", word)
                    stands = states[word]
                except OutputError as error:
                    assert "No space left on device" in str(error)  # noqa: PT017
                    refused += 1
                assert content(root) == stands, f"{pages} pages, {word}"
    return {"refused": refused, "written": 2 * len(SIZES) - refused}


def folders(place: Path) -> dict[str, int]:
    results = {word: result(word) for word in ("old", "new")}
    states = {word: {f"scan/{name}": data for name, data in files.items()} for word, files in results.items()}
    return filled(place, lambda final, word: write_folder(final, results[word]), dict(states))


def files(place: Path) -> dict[str, int]:
    data = {word: word.encode() * 20_000 for word in ("old", "new")}
    return filled(
        place, lambda final, word: write_file(final, data[word]), {word: {"scan": data[word]} for word in data}
    )


def sessions(place: Path) -> dict[str, int]:
    made = {"old": tiny_session(1, 800), "new": tiny_session(2, 800)}
    states = {}
    for word, session in made.items():
        write_session(session, place.parent / word)
        states[word] = {"scan": (place.parent / word).read_bytes()}
    return filled(place, lambda final, word: write_session(made[word], final), dict(states))


def command(place: Path, arguments: list[str]) -> dict[str, int]:
    """The whole of it: to a disk that holds nothing, and to one that has no room beside the older result."""
    folder = place / "pair"
    with disk(place, 25):
        codes = {"empty": main(["run", *arguments, "-o", str(place)])}
        assert not folder.exists()
        assert not list(place.glob("*.fieldproc-*"))
    with disk(place, 10_000):
        codes["roomy"] = main(["run", *arguments, "-o", str(place)])
        before = content(folder)
        # for what is said of the run there is room
        leave_pages(place, 20)
        # other settings, so that there is something to do
        codes["full"] = main(["run", *arguments, "-o", str(place), "--settings", str(place.parent / "other.toml")])
        assert content(folder) == before
        leave_pages(place, 0)
        codes["at"] = main(["at", str(folder), "--azimuth=0", "--elevation=0", "-o", str(place / "at.csv")])
        assert not (place / "at.csv").exists()
        assert not list(place.glob("*.fieldproc-*"))
    assert codes["roomy"] == ExitCode.DONE, codes
    return codes


if __name__ == "__main__":
    where = Path(sys.argv[1])
    told: dict[str, dict[str, int]] = {kind.__name__: kind(where) for kind in (folders, files, sessions)}
    told["command"] = command(where, sys.argv[2:])
    print(json.dumps(told))
