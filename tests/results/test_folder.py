"""Folders and files appear whole or not at all, whatever the file system does."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from fieldproc.errors import OutputError
from fieldproc.results import session_folder_name, write_file, write_folder


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


class FailingCalls:
    """Lets calls of ``function`` pass until the ``fail_at``-th, which raises."""

    def __init__(self, function: Callable[..., object], fail_at: int, error: BaseException) -> None:
        self.function, self.fail_at, self.error = function, fail_at, error
        self.count = 0

    def __call__(self, *arguments: object, **options: object) -> object:
        self.count += 1
        if self.count == self.fail_at:
            raise self.error
        return self.function(*arguments, **options)


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


def _calls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> int:
    """How often replacing a result calls ``os.name``."""
    counter = FailingCalls(getattr(os, name), -1, OSError())
    final = tmp_path / "counted" / "scan"
    write_folder(final, OLD)
    with monkeypatch.context() as patch:
        patch.setattr(os, name, counter)
        write_folder(final, NEW)
    return counter.count


@pytest.mark.parametrize("name", ["fsync", "rename", "open"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
def test_any_failing_call_leaves_the_older_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, code: int
) -> None:
    total = _calls(tmp_path, monkeypatch, name)
    refused = 0
    for fail_at in range(1, total + 1):
        folder = tmp_path / f"{name}-{fail_at}"
        final = folder / "scan"
        write_folder(final, OLD)
        with monkeypatch.context() as patch:
            failure = OSError(code, os.strerror(code))
            patch.setattr(os, name, FailingCalls(getattr(os, name), fail_at, failure))
            try:
                write_folder(final, NEW)
            except OutputError as error:
                assert f"scan: cannot be written ({os.strerror(code)})" in str(error)  # noqa: PT017
                refused += 1
                left = OLD
            else:
                left = NEW
        assert content(final) == left
        if left is OLD:
            assert names(folder) == ["scan"]
    # Only the removal of the older result, two folders, may fail without a word: the new one stands then.
    assert refused >= max(2, total - 2)


def test_an_interruption_leaves_the_older_result(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    final = tmp_path / "scan"
    write_folder(final, OLD)
    monkeypatch.setattr(os, "fsync", FailingCalls(os.fsync, 2, KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        write_folder(final, NEW)
    assert content(final) == OLD
    assert names(tmp_path) == ["scan"]


def test_what_a_killed_run_left_is_cleaned_up(tmp_path: Path) -> None:
    final = tmp_path / "scan"
    # Killed between the two renames: the older result stands aside, half a new one beside it.
    for leftover in (".scan.old", ".scan.tmp"):
        (tmp_path / leftover).mkdir()
        (tmp_path / leftover / "summary.json").write_bytes(b"{}")
    write_folder(final, NEW)
    assert content(final) == NEW
    assert names(tmp_path) == ["scan"]
    # Killed after them: the older result was not removed yet.
    (tmp_path / ".scan.old").mkdir()
    write_folder(final, OLD)
    assert content(final) == OLD
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


def test_a_file_is_replaced_and_a_link_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(b"precious")
    final = tmp_path / "new folder" / "angles.csv"
    write_file(final, b"one")
    write_file(final, b"two")
    assert final.read_bytes() == b"two"
    final.unlink()
    final.symlink_to(victim)
    write_file(final, b"three")
    assert not final.is_symlink()
    assert final.read_bytes() == b"three"
    assert victim.read_bytes() == b"precious"
    assert names(final.parent) == ["angles.csv"]


@pytest.mark.parametrize("name", ["fsync", "replace", "open"])
def test_a_failing_file_leaves_the_older_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    final = tmp_path / "angles.csv"
    write_file(final, b"old")
    failure = OSError(errno.EDQUOT, os.strerror(errno.EDQUOT))
    monkeypatch.setattr(os, name, FailingCalls(getattr(os, name), 1, failure))
    with pytest.raises(OutputError, match=r"angles.csv: cannot be written"):
        write_file(final, b"new")
    assert final.read_bytes() == b"old"
    assert names(tmp_path) == ["angles.csv"]


def test_a_folder_in_the_way_of_a_file(tmp_path: Path) -> None:
    (tmp_path / "angles.csv").mkdir()
    with pytest.raises(OutputError, match="cannot be written"):
        write_file(tmp_path / "angles.csv", b"new")
    assert names(tmp_path) == ["angles.csv"]


@pytest.mark.parametrize(
    ("stem", "name"),
    [
        ("kitchen_shelf-2.1", "kitchen_shelf-2.1"),
        ("Küche links", "K_che_links"),
        ("a/b\\c\n\x1b", "a_b_c__"),
        ("", "_"),
        (".", "_"),
        ("..", "__"),
        ("...", "___"),
    ],
)
def test_session_folder_names(stem: str, name: str) -> None:
    assert session_folder_name(stem) == name
