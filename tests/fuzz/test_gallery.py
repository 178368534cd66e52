"""Files made to harm, through the command ``check``: refused in one line, soon, in little memory, leading nowhere."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from fuzz.gallery import CANARY, GALLERY, SOUND, write_gallery

TESTS = Path(__file__).parents[1]
SECONDS = 2.0
MEMORY_BYTES = 300e6


@dataclass(frozen=True)
class Visit:
    """What came of every file, by name, and every file that was opened on the way (``None``: nobody watched)."""

    told: dict[str, dict[str, Any]]
    opened: str | None


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Visit:
    folder, log = tmp_path_factory.mktemp("gallery"), tmp_path_factory.mktemp("log") / "opened"
    write_gallery(folder)
    watched = ["strace", "-f", "-qq", "--seccomp-bpf", "-e", "trace=open,openat,openat2,creat", "-o", str(log)]
    # it may be missing, or not allowed to watch
    watching = shutil.which("strace") and subprocess.run([*watched, "true"], check=False).returncode == 0
    run = subprocess.run(
        [*(watched if watching else []), sys.executable, "-m", "fuzz.gallery", str(folder)],
        cwd=TESTS,
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stderr == ""
    return Visit(json.loads(run.stdout), log.read_text() if watching else None)


@pytest.mark.parametrize("name", GALLERY)
def test_one_line_says_what_is_wrong_and_what_is_required(visit: Visit, name: str) -> None:
    told = visit.told[name]
    _, code, where, required = GALLERY[name]

    assert told["code"] == code
    *notes, last = told["output"].splitlines()
    assert required in last
    assert where in told["output"]
    assert len(notes) <= (code == SOUND)
    assert all(line.isprintable() for line in told["output"].splitlines())


@pytest.mark.parametrize("name", GALLERY)
def test_it_takes_little(visit: Visit, name: str) -> None:
    assert visit.told[name]["seconds"] < SECONDS
    assert visit.told[name]["bytes"] < MEMORY_BYTES


def test_no_other_file_is_opened(visit: Visit) -> None:
    if visit.opened is None:
        pytest.skip("strace is not here: nobody watched which files were opened")
    # the watch sees what there is
    assert all(f'/{name}"' in visit.opened for name in GALLERY if name != "folder")
    assert "canary" not in visit.opened


def test_nothing_of_another_file_is_told(visit: Visit) -> None:
    assert not any(CANARY.decode() in told["output"] for told in visit.told.values())
