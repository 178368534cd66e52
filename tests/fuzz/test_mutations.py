"""Damaged files of every layout are refused or read, and nothing else: no crash, no endless loop, no other exception.

Blind mutations, each read by a process of its own under limits (``server.py``). A 0 of N means a rate below about
3 / N (95 %).
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from fuzz.bases import OWN, READERS, write_bases
from fuzz.server import EQUAL, OTHER_NUMBERS, REFUSED

TESTS = Path(__file__).parents[1]
# Foreign files have no checksum of their content, so changed numbers can't be told from others; ours have one.
ALLOWED = {name: {EQUAL, REFUSED} if name in OWN else {EQUAL, REFUSED, OTHER_NUMBERS} for name in READERS}


def outcomes(folder: Path, first_seed: int, count: int) -> dict[str, dict[str, list[int]]]:
    """Per base, the seeds that ended in each way."""
    write_bases(folder)
    run = subprocess.run(
        [sys.executable, "-m", "fuzz.server", str(folder), str(first_seed), str(count)],
        cwd=TESTS,
        capture_output=True,
        text=True,
        check=False,
    )
    # the children's tracebacks
    assert run.stderr == ""
    found: dict[str, dict[str, list[int]]] = json.loads(run.stdout)
    return found


def assert_harmless(found: dict[str, dict[str, list[int]]], count: int) -> None:
    assert set(found) == set(READERS)
    forbidden = {
        (name, way): seeds for name, own in found.items() for way, seeds in own.items() if way not in ALLOWED[name]
    }
    assert forbidden == {}
    counted = {name: Counter({way: len(seeds) for way, seeds in own.items()}) for name, own in found.items()}
    assert {name: own.total() for name, own in counted.items()} == dict.fromkeys(READERS, count)
    # the mutations bite, and those that meet no meaning are read
    assert all(own[REFUSED] > count / 3 for own in counted.values())
    assert sum(own[EQUAL] for own in counted.values()) > count / 4


def test_two_thousand_damaged_files(tmp_path: Path) -> None:
    count = 286
    assert_harmless(outcomes(tmp_path, 0, count), count)


@pytest.mark.soak
@pytest.mark.timeout(3600)
def test_twenty_thousand_damaged_files(tmp_path: Path) -> None:
    count = 2860
    assert_harmless(outcomes(tmp_path, 10_000, count), count)
