"""``fieldproc report``: figures, page and overview from result folders alone."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from fieldproc.cli import main
from fieldproc.page import page
from fieldproc.results import require_place


@pytest.fixture
def copied(result: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(result, tmp_path / "out" / "pair"))


@pytest.fixture
def drawn_before(result: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures as they are: drawing takes seconds, and has tests of its own."""
    found = {path.name: path.read_bytes() for path in (result / "figures").iterdir()}
    monkeypatch.setattr(page, "draw", lambda *_, **__: found)


def drawn_below(folder: Path) -> dict[str, bytes]:
    paths = [folder / "report.html", *sorted((folder / "figures").iterdir())]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def test_a_rebuild_gives_the_same_bytes_and_counts_them_in(copied: Path) -> None:
    before = drawn_below(copied)
    summary = (copied / "summary.json").read_bytes()
    (copied / "report.html").write_text("spoilt", encoding="utf-8")
    (copied / "figures/cta2034a.svg").unlink()
    assert main(["report", str(copied)]) == 0
    assert drawn_below(copied) == before
    assert (copied / "summary.json").read_bytes() == summary
    # a run may replace the folder: every file is one that it calls its own
    require_place(copied)
    outputs = json.loads(summary)["provenance"]["outputs_sha256"]
    assert {name: outputs[name] for name in before} == {
        name: hashlib.sha256(data).hexdigest() for name, data in before.items()
    }


@pytest.mark.usefixtures("drawn_before")
def test_figures_that_are_no_more_are_taken_away(copied: Path, tmp_path: Path) -> None:
    outside = tmp_path / "out" / "mine.svg"
    outside.write_text("mine", encoding="utf-8")
    (copied / "figures/gone.svg").write_text("old", encoding="utf-8")
    summary = json.loads((copied / "summary.json").read_text(encoding="utf-8"))
    summary["provenance"]["outputs_sha256"] |= {"figures/gone.svg": "0", "figures/../../mine.svg": "0"}
    (copied / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    assert main(["report", str(copied)]) == 0
    assert not (copied / "figures/gone.svg").exists()
    assert outside.read_text(encoding="utf-8") == "mine"
    outputs = json.loads((copied / "summary.json").read_text(encoding="utf-8"))["provenance"]["outputs_sha256"]
    assert "figures/gone.svg" not in outputs


@pytest.mark.usefixtures("drawn_before")
def test_page_elsewhere_leaves_the_folder_alone(copied: Path, tmp_path: Path) -> None:
    before = (copied / "report.html").read_bytes()
    (copied / "report.html").unlink()
    assert main(["report", str(copied), "-o", str(tmp_path / "page.html")]) == 0
    assert (tmp_path / "page.html").read_bytes() == before
    assert not (copied / "report.html").exists()


@pytest.mark.parametrize(
    ("spoil", "told", "code"),
    [
        (lambda folder: shutil.rmtree(folder), "no such folder", 2),
        (lambda folder: (folder / "summary.json").unlink(), "summary.json: no such file", 2),
        (lambda folder: (folder / "summary.json").write_text("{}"), "no summary of a run", 4),
        (lambda folder: (folder / "summary.json").write_text('{"channels": ["a"]}'), "no summary of a run", 4),
        (lambda folder: (folder / "tables/quality.csv").write_text("x\ny\n"), "quality.csv: line 2", 4),
        (lambda folder: (folder / "settings.toml").write_text("[no]\n"), "unknown setting no", 2),
        (lambda folder: (folder / "field.h5").write_bytes(b"no"), "field.h5: file", 4),
    ],
)
def test_a_folder_that_is_no_result(
    copied: Path, spoil: object, told: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert callable(spoil)
    spoil(copied)
    assert main(["report", str(copied)]) == code
    assert told in capsys.readouterr().err


def test_overview_links_what_there_is(copied: Path, capsys: pytest.CaptureFixture[str]) -> None:
    output = copied.parent
    other = Path(shutil.copytree(copied, output / "a b#c.tables"))
    (other / "report.html").unlink()
    (output / "no result").mkdir()
    assert main(["report", "--index", str(output)]) == 0
    assert capsys.readouterr().out == f"-> {output / 'index.html'}\n"
    page = (output / "index.html").read_text(encoding="utf-8")
    assert 'href="pair/report.html"' in page
    assert "(no page yet)" in page
    assert page.index("a b#c.tables") < page.index("pair/report.html")
    assert main(["report", "--index", str(output)]) == 0
    assert (output / "index.html").read_text(encoding="utf-8") == page


def test_overview_of_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", "--index", str(tmp_path)]) == 2
    assert "holds no results" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())
