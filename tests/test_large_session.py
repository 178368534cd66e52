"""A session of real size fits into the memory of an ordinary machine."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

BENCHMARK = Path(__file__).parents[1] / "benchmarks" / "large_session.py"


def test_two_surfaces_of_real_size_run_within_four_gib() -> None:
    # without equal rings, the solvers that need memory
    words = [sys.executable, str(BENCHMARK), "--irregular", "--coarse", "--json"]
    result = json.loads(subprocess.run(words, capture_output=True, text=True, check=True).stdout)
    assert result["points"] >= 2232
    assert result["samples"] == 8192
    assert result["peak_mib"] <= 4096
