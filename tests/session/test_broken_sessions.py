"""Every file of fixtures/broken has one fault, and gets one message that names the right object."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from fieldproc.errors import SessionError
from fieldproc.session import check, open_input

FOLDER = Path(__file__).parents[2] / "fixtures" / "broken"
EXPECTED = json.loads((FOLDER / "expected.json").read_text(encoding="utf-8"))
FILES = sorted(FOLDER.glob("*.h5"))


def test_gallery_is_whole() -> None:
    assert len(FILES) >= 24
    assert {file.name for file in FILES} == set(EXPECTED)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_one_fault_one_message(path: Path) -> None:
    problems = check(path)

    assert [problem.where for problem in problems] == [EXPECTED[path.name]["object"]]
    assert re.search(EXPECTED[path.name]["message"], str(problems[0]))
    with pytest.raises(SessionError, match=re.escape(str(path))):
        open_input(path)
