"""On a disk that is full everything ends in exit code 5 and a message; nothing partial stands, nothing crashes."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from pair import GRID, write_pair
from robust import small_disks
from robust.scans import tiny_session

from fieldproc.errors import OutputError
from fieldproc.results import write_file, write_folder
from fieldproc.session import write_session

OTHER = f"{GRID}[exports]\nformats = []\n[uncertainty]\nenabled = false\n"


@pytest.fixture
def own_mounts(tmp_path: Path) -> list[str]:
    """The beginning of a command line whose mounts nobody else sees. Skipped where the system has no such thing."""
    unshare = ["unshare", "--mount"] if os.geteuid() == 0 else ["unshare", "--map-root-user", "--mount"]
    probe = [*unshare, "mount", "-t", "tmpfs", "-o", "size=4096", "small", str(tmp_path)]
    try:
        subprocess.run(probe, check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("mounting is not allowed here; limits of file size are tried instead")
    return unshare


def test_disks_of_thirty_sizes(own_mounts: list[str], tmp_path: Path) -> None:
    write_pair(tmp_path / "pair.h5")
    (tmp_path / "settings.toml").write_text(OTHER, encoding="utf-8")
    (tmp_path / "other.toml").write_text(OTHER.replace("count = 13", "count = 12"), encoding="utf-8")
    run = [str(tmp_path / "pair.h5"), "--tables-only", "--settings", str(tmp_path / "settings.toml")]
    script = [sys.executable, "-W", "error", small_disks.__file__, str(tmp_path / "disk"), *run]
    environment = {**os.environ, "PYTHONPATH": str(Path(small_disks.__file__).parents[1])}
    ended = subprocess.run([*own_mounts, *script], capture_output=True, text=True, check=False, env=environment)
    assert ended.returncode == 0, ended.stderr
    assert "Traceback" not in ended.stderr
    assert "No space left on device" in ended.stderr
    told = json.loads(ended.stdout.splitlines()[-1])
    assert told.pop("command") == {"empty": 5, "roomy": 0, "full": 5, "at": 5}
    for kind, counts in told.items():
        assert counts["refused"] + counts["written"] == 60
        assert min(counts.values()) >= 3, kind


@contextmanager
def files_no_longer_than(count: int) -> Iterator[None]:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (count, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize(
    ("write", "largest"),
    [
        (lambda final: write_folder(final, small_disks.result("new")), 18510),
        (lambda final: write_file(final, bytes(20_000)), 20_000),
        (lambda final: write_session(tiny_session(1), final), None),
    ],
    ids=["folder", "file", "session"],
)
def test_files_that_may_not_grow(tmp_path: Path, write: Callable[[Path], None], largest: int | None) -> None:
    """What any user may try: the system takes the first part of a file and refuses the rest."""
    if largest is None:
        write(tmp_path / "sizing")
        largest = (tmp_path / "sizing").stat().st_size
    for step in range(30):
        final = tmp_path / f"{step}" / "scan"
        final.parent.mkdir()
        with files_no_longer_than(step * largest // 30), pytest.raises(OutputError, match="File too large"):
            write(final)
        assert list(final.parent.iterdir()) == []
    with files_no_longer_than(largest):
        write(final)
    assert final.exists()
