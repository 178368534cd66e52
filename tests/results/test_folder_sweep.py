"""What killed runs left is cleared away, and nothing else is touched."""

from __future__ import annotations

from pathlib import Path

import pytest

from fieldproc.errors import OutputError
from fieldproc.results.folder import sweep


def fill(folder: Path, data: bytes = b"{}") -> None:
    """A folder with something in it."""
    folder.mkdir()
    (folder / "summary.json").write_bytes(data)


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_halves_are_removed_and_whole_ones_put_back(tmp_path: Path) -> None:
    fill(tmp_path / ".early.fieldproc-tmp")
    (tmp_path / ".status.json.fieldproc-tmp").write_bytes(b"{")
    fill(tmp_path / ".between.fieldproc-old", b"older")
    fill(tmp_path / ".between.fieldproc-tmp")
    fill(tmp_path / "late", b"newer")
    fill(tmp_path / ".late.fieldproc-old")
    assert sweep(tmp_path) == [
        ".between.fieldproc-tmp: removed; a run ended before it was whole",
        "between: put back; a run ended before it was replaced",
        ".early.fieldproc-tmp: removed; a run ended before it was whole",
        ".late.fieldproc-old: removed; a run ended after it was replaced",
        ".status.json.fieldproc-tmp: removed; a run ended before it was whole",
    ]
    assert names(tmp_path) == ["between", "late"]
    assert (tmp_path / "between/summary.json").read_bytes() == b"older"
    assert (tmp_path / "late/summary.json").read_bytes() == b"newer"
    assert sweep(tmp_path) == []


@pytest.mark.parametrize("ending", ["tmp", "old"])
@pytest.mark.parametrize("target", ["victim", "victim/summary.json", "nowhere"])
def test_links_are_removed_and_not_followed(tmp_path: Path, ending: str, target: str) -> None:
    fill(tmp_path / "victim")
    (tmp_path / f".scan.fieldproc-{ending}").symlink_to(tmp_path / target)
    assert len(sweep(tmp_path)) == 1
    assert names(tmp_path) == ["victim"]
    assert names(tmp_path / "victim") == ["summary.json"]


def test_a_dangling_link_is_something_that_stands_there(tmp_path: Path) -> None:
    (tmp_path / "scan").symlink_to("nowhere")
    fill(tmp_path / ".scan.fieldproc-old")
    sweep(tmp_path)
    assert names(tmp_path) == ["scan"]


def test_a_file_set_aside_is_none_of_ours_to_put_back(tmp_path: Path) -> None:
    (tmp_path / ".scan.fieldproc-old").write_bytes(b"")
    sweep(tmp_path)
    assert names(tmp_path) == []


def test_other_names_are_left_alone(tmp_path: Path) -> None:
    others = [
        "scan",
        "scan.fieldproc-tmp",
        ".scan.tmp",
        ".scan.old",
        ".scan.fieldproc-tmp2",
        ".scan.fieldproc-TMP",
        ".fieldproc.lock",
        ".fieldproc-tmp",
        "..fieldproc-tmp",
        "...fieldproc-old",
        "....fieldproc-tmp",
    ]
    for name in others:
        fill(tmp_path / name)
    # only what lies directly below is anybody's to sweep
    fill(tmp_path / "scan/.table.csv.fieldproc-tmp")
    assert sweep(tmp_path) == []
    assert names(tmp_path) == sorted(others)
    assert names(tmp_path / "scan") == [".table.csv.fieldproc-tmp", "summary.json"]


def test_a_name_of_several_lines(tmp_path: Path) -> None:
    fill(tmp_path / ".a\n\nb.fieldproc-tmp")
    assert len(sweep(tmp_path)) == 1
    assert names(tmp_path) == []


def test_no_folder_is_nothing_to_do(tmp_path: Path) -> None:
    assert sweep(tmp_path / "nowhere") == []
    (tmp_path / "file").write_bytes(b"")
    assert sweep(tmp_path / "file") == []
    assert names(tmp_path) == ["file"]


def test_what_cannot_be_listed_is_said(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"n+: cannot be written \(File name too long\)"):
        sweep(tmp_path / ("n" * 256))
