"""A small result to make pages of, and a browser to read them with."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from page.browser import NAMES, Browser, browsing, find_browser
from pair import GRID, write_pair

from fieldproc.cli import main


@pytest.fixture(scope="session")
def output(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where a run wrote the result ``pair``: two monopoles that are alike on neither side, in a room."""
    folder = tmp_path_factory.mktemp("pages")
    write_pair(folder / "pair.h5")
    (folder / "grid.toml").write_text(GRID + "[exports]\nformats = []\n", encoding="utf-8")
    arguments = ["-s", str(folder / "grid.toml")]
    assert main(["run", str(folder / "pair.h5"), "-o", str(folder / "out"), *arguments]) == 0
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
