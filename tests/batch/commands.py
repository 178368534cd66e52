"""The command in processes of their own, which can be ended in any way."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from batch.small import files_below, write_scan

# Of all that a run writes in its folder: 102 files, and a tenth of a second of processor time to come to them.
QUICK = "[orders]\noutgoing = 2\nregular = 2\n[uncertainty]\nenabled = false\n"


class Zygote:
    """Commands that begin at once; one at a time. See :mod:`batch.zygote`."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def start(self, arguments: Sequence[str], log: Path) -> int:
        """Number of the process, which leads a session; its standard error goes to the end of ``log``."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{json.dumps([str(log), *arguments])}\n")
        self._process.stdin.flush()
        return self._number()

    def wait(self) -> int:
        """Exit code, or minus the number of a signal."""
        return self._number()

    def run(self, arguments: Sequence[str], log: Path) -> int:
        self.start(arguments, log)
        return self.wait()

    def _number(self) -> int:
        assert self._process.stdout is not None
        return int(self._process.stdout.readline())


@contextmanager
def zygote(*known: object) -> Iterator[Zygote]:
    """With arguments: settings, figures (1 or 0) and scans whose results are known beforehand."""
    with subprocess.Popen(
        [sys.executable, "-m", "batch.zygote", *map(str, known)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    ) as process:
        yield Zygote(process)


def command(arguments: Sequence[str], log: Path) -> subprocess.Popen[bytes]:
    """The real one, from the beginning, as leader of a session."""
    with open(log, "ab") as errors:
        return subprocess.Popen(
            [sys.executable, "-m", "fieldproc", *arguments],
            stdout=subprocess.DEVNULL,
            stderr=errors,
            start_new_session=True,
        )


def write_scans(folder: Path, count: int) -> list[Path]:
    """Scans that differ in their noise."""
    return [write_scan(folder / f"scan-{number}.h5", seed=number) for number in range(count)]


def quick_settings(folder: Path, more: str = "") -> Path:
    """For runs that are about files and processes."""
    path = folder / "quick.toml"
    path.write_text(QUICK + more, encoding="utf-8")
    return path


def faults_of(output: Path) -> list[str]:
    """What stands under a final name and is not as a summary says."""
    faults = []
    for folder in output.iterdir():
        if folder.is_dir() and not folder.name.startswith("."):
            faults += [f"{folder.name}/{fault}" for fault in _faults_of_result(folder)]
    if (output / "status.json").exists():
        json.loads((output / "status.json").read_bytes())
    return faults


def _faults_of_result(folder: Path) -> list[str]:
    files = files_below(folder)
    if "summary.json" not in files:
        return ["no summary.json"]
    listed = json.loads(files.pop("summary.json"))["provenance"]["outputs_sha256"]
    found = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    return sorted(name for name in listed | found if listed.get(name) != found.get(name))


def leftovers(output: Path) -> list[str]:
    """Names of what a run keeps for itself until it is done."""
    return sorted(str(path.relative_to(output)) for path in output.rglob(".*.fieldproc-*"))
