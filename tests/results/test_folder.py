"""Folders and files appear whole or not at all, whatever the file system does."""

from __future__ import annotations

import json
import os
import socket
import stat
from collections.abc import Callable
from pathlib import Path

import pytest
from robust.scans import tiny_session

from fieldproc.errors import OutputError
from fieldproc.results import require_folder, require_place, write_file, write_folder
from fieldproc.session import write_session


def with_summary(files: dict[str, bytes]) -> dict[str, bytes]:
    """The files and the summary that lists them: what makes a folder ours."""
    listed = {"provenance": {"outputs_sha256": dict.fromkeys(files, "")}}
    return {**files, "summary.json": json.dumps(listed).encode()}


OLD = with_summary({"tables/quality.csv": b"old\n"})
NEW = with_summary({"tables/horizontal.csv": b"new\n", "a/b/c.bin": bytes(range(256))})


def content(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_new_folder_holds_what_was_given(tmp_path: Path) -> None:
    final = tmp_path / "out" / "deeper" / "scan"
    write_folder(final, NEW)
    assert content(final) == NEW
    assert names(final.parent) == ["scan"]


def test_an_older_result_is_replaced_as_a_whole(tmp_path: Path) -> None:
    final = tmp_path / "scan"
    write_folder(final, OLD)
    write_folder(final, NEW)
    assert content(final) == NEW
    assert names(tmp_path) == ["scan"]


def test_a_folder_that_is_no_result_is_refused(tmp_path: Path) -> None:
    final = tmp_path / "holiday"
    final.mkdir()
    (final / "photo.jpg").write_bytes(b"precious")
    with pytest.raises(OutputError, match=r"holiday: exists and is not a result folder \(no summary.json"):
        write_folder(final, NEW)
    assert content(final) == {"photo.jpg": b"precious"}
    assert names(tmp_path) == ["holiday"]


def test_files_and_links_in_the_way_are_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"precious")
    write_folder(tmp_path / "elsewhere", OLD)
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    for name in ("file", "link", "dangling"):
        with pytest.raises(OutputError, match=f"{name}: exists and is not a result folder"):
            write_folder(tmp_path / name, NEW)
    with pytest.raises(OutputError, match="cannot be written"):
        write_folder(tmp_path / "file" / "scan", NEW)
    assert (tmp_path / "file").read_bytes() == b"precious"
    assert content(tmp_path / "elsewhere") == OLD


@pytest.mark.parametrize("name", ["../escape", "/absolute", "tables/../../escape"])
def test_names_stay_inside(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="does not stay inside"):
        write_folder(tmp_path / "scan", {name: b""})
    assert names(tmp_path) == []


def test_a_file_is_replaced(tmp_path: Path) -> None:
    final = tmp_path / "new folder" / "angles.csv"
    for data in (b"one", b"two", b""):
        write_file(final, data)
        assert final.read_bytes() == data
    assert names(final.parent) == ["angles.csv"]


@pytest.mark.parametrize(
    ("kind", "make"),
    [
        ("a folder", lambda path: path.mkdir()),
        ("a link", lambda path: path.symlink_to("victim")),
        ("a link", lambda path: path.symlink_to("nowhere")),
        ("a pipe", os.mkfifo),
        ("a special file", lambda path: socket.socket(socket.AF_UNIX).bind(str(path))),
    ],
    ids=["folder", "link", "dangling link", "pipe", "socket"],
)
@pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")
def test_what_is_no_file_is_not_replaced_by_one(tmp_path: Path, kind: str, make: Callable[[Path], object]) -> None:
    (tmp_path / "victim").write_bytes(b"precious")
    final = tmp_path / "x"
    make(final)
    before = final.lstat()
    for refusing in (require_folder, lambda path: write_file(path, b"new")):
        with pytest.raises(OutputError, match=f"x: exists and is not a file but {kind}; choose another name"):
            refusing(final)
    with pytest.raises(OutputError, match="x: exists and is not a file; choose another name"):
        write_session(tiny_session(1), final)
    assert final.lstat() == before
    assert (tmp_path / "victim").read_bytes() == b"precious"
    assert names(tmp_path) == ["victim", "x"]


@pytest.mark.parametrize("path", ["/", "."])
def test_places_without_a_name(path: str) -> None:
    for refusing in (require_folder, lambda path: write_file(path, b"new")):
        with pytest.raises(OutputError, match="exists and is not a file but a folder"):
            refusing(Path(path))


def test_permissions_are_those_of_any_new_file(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_file(tmp_path / "angles.csv", b"new")
        write_folder(tmp_path / "scan", NEW)
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "angles.csv").stat().st_mode) == 0o640
    assert stat.S_IMODE((tmp_path / "scan").stat().st_mode) == 0o750
    assert stat.S_IMODE((tmp_path / "scan/a/b/c.bin").stat().st_mode) == 0o640


def test_places_are_refused_before_the_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_bytes(b"precious")
    (tmp_path / "dangling").symlink_to("nowhere")
    for require in (require_place, require_folder):
        require(tmp_path / "new" / "deeper" / "scan")
        with pytest.raises(OutputError, match="file is a file, not a folder"):
            require(tmp_path / "file" / "deeper" / "scan")
        with pytest.raises(OutputError, match="dangling is a link, not a folder"):
            require(tmp_path / "dangling" / "scan")
        with pytest.raises(OutputError, match=r"n: cannot be written \(File name too long\)"):
            require(tmp_path / ("n" * 256))
    # root may write anywhere: who else asks is told by the system
    monkeypatch.setattr(os, "access", lambda _path, mode: mode != os.W_OK | os.X_OK)
    with pytest.raises(OutputError, match=f"{tmp_path.name} may not be written to"):
        require_place(tmp_path / "new" / "scan")
    assert names(tmp_path) == ["dangling", "file"]


def test_what_others_put_into_a_result_is_kept(tmp_path: Path) -> None:
    final = tmp_path / "scan"
    write_folder(tmp_path / "victim", OLD)
    for name, make in (
        ("tables/mine.csv", lambda path: path.write_bytes(b"precious")),
        ("mine", lambda path: path.symlink_to("../victim")),
        ("tables/nothing", lambda path: path.symlink_to("nowhere")),
    ):
        write_folder(final, OLD)
        make(final / name)
        with pytest.raises(OutputError, match=f"holds 1 files that are not ours, {name} first"):
            write_folder(final, NEW)
        assert (final / name).lstat()
        (final / name).unlink()
    # links that stand for our own files, empty folders and what a killed rebuild left go with the rest
    (final / "tables/quality.csv").unlink()
    (final / "tables/quality.csv").symlink_to(tmp_path / "victim/tables/quality.csv")
    (final / "summary.json").rename(tmp_path / "summary")
    (final / "summary.json").symlink_to(tmp_path / "summary")
    (final / "empty").mkdir()
    (final / "tables/.quality.csv.fieldproc-tmp").write_bytes(b"half")
    write_folder(final, NEW)
    assert content(final) == NEW
    assert content(tmp_path / "victim") == OLD
    assert (tmp_path / "summary").read_bytes() == OLD["summary.json"]


@pytest.mark.parametrize(
    "summary", [b"", b"no JSON", b"[]", b"{}", b'{"provenance": {"outputs_sha256": 3}}', b"[" * 9999]
)
def test_a_summary_that_lists_nothing_makes_nothing_ours(tmp_path: Path, summary: bytes) -> None:
    final = tmp_path / "scan"
    write_folder(final, OLD)
    (final / "summary.json").write_bytes(summary)
    with pytest.raises(OutputError, match=r"holds 1 files that are not ours, tables/quality\.csv first"):
        write_folder(final, NEW)
    assert content(final) == {**OLD, "summary.json": summary}
