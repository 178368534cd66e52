"""The same bytes on a machine without network, home and terminal, in another language and an odd time zone."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from batch.small import files_below, write_scan
from pair import GRID

BARE = {"PATH": os.environ["PATH"], "LC_ALL": "C", "TZ": "Pacific/Chatham"}


def command(*arguments: str, cwd: Path, bare: bool) -> subprocess.CompletedProcess[bytes]:
    """As a service runs it: no terminal, no home; without network where namespaces may be made."""
    alone = ["unshare", "--net"] if bare and may_unshare() else []
    return subprocess.run(
        [*alone, sys.executable, "-m", "fieldproc", *arguments],
        cwd=cwd,
        env=BARE if bare else None,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        start_new_session=True,
        check=False,
    )


def may_unshare() -> bool:
    if shutil.which("unshare") is None:
        return False
    return subprocess.run(["unshare", "--net", "true"], capture_output=True, check=False).returncode == 0


def test_everything_a_session_needs(tmp_path: Path) -> None:
    made = {}
    for name, bare in (("here", False), ("there", True)):
        place = tmp_path / name
        place.mkdir()
        write_scan(place / "scan.h5")
        (place / "settings.toml").write_text(GRID, encoding="utf-8")
        # figures, page, exports and bands: all that fonts, caches, names and times could get into
        for arguments in (
            ["run", "scan.h5", "-o", "out", "-s", "settings.toml"],
            ["at", "out/scan", "--azimuth", "30", "--elevation", "0", "-o", "at.csv"],
            ["findings", "out/scan"],
        ):
            ended = command(*arguments, cwd=place, bare=bare)
            assert ended.returncode == 0, ended.stderr.decode()
        made[name] = files_below(place)
    assert {name for name in made["here"] if made["here"][name] != made["there"].get(name)} == set()
    assert set(made["here"]) == set(made["there"])
