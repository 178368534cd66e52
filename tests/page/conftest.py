"""A small result to make pages of, and a browser to read them with."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from page.browser import NAMES, Browser, browsing, find_browser

from fieldproc.cli import main
from fieldproc.session import write_session
from fieldproc.simulate import Scene, simulate

# Two octaves that 120 points carry with both wave sets.
GRID = "[spectra]\nlowest_hz = 63.0\nper_octave = 6\ncount = 13\n[exports]\nformats = []\n"


@pytest.fixture(scope="session")
def output(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where a run wrote the result ``pair``: two monopoles that are alike on neither side, in a room."""
    folder = tmp_path_factory.mktemp("pages")
    scene = {
        "title": "Two monopoles",
        "source": {
            "kind": "monopoles",
            "monopoles": [
                {"position_m": (0.05, 0.08, 0.03)},
                {"position_m": (0.04, -0.09, -0.04), "gain": -0.6, "delay_s": 4e-4},
            ],
            "spectrum": "constant volume velocity",
        },
        "room": {"kind": "shoebox", "order": 1},
        "scan": {"kind": "sphere", "points": 120, "radius_m": 0.3, "gap_m": 0.06, "grid": "spiral"},
        "recording": {"kind": "impulse response", "sampling_rate_hz": 8000.0, "samples": 1024},
        "noise": {"level_db": -70.0},
    }
    write_session(simulate(Scene.model_validate(scene), 1), folder / "pair.h5")
    (folder / "grid.toml").write_text(GRID, encoding="utf-8")
    arguments = ["-s", str(folder / "grid.toml"), "--tables-only"]
    assert main(["run", str(folder / "pair.h5"), "-o", str(folder / "out"), *arguments]) == 0
    assert main(["report", str(folder / "out/pair")]) == 0
    return folder / "out"


@pytest.fixture(scope="session")
def result(output: Path) -> Path:
    """The result folder, with its page."""
    return output / "pair"


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    binary = find_browser()
    if binary is None:
        missing = f"no browser ({', '.join(NAMES)}) on this machine"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    with browsing(binary, tmp_path_factory.mktemp("profile")) as found:
        yield found
