"""One run at a time in an output folder, and nothing left of a lock that guarded nothing."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from fieldproc.batch import locked
from fieldproc.batch.lock import LOCK
from fieldproc.errors import LockedError, OutputError


def test_one_holds_it(tmp_path: Path) -> None:
    with (
        locked(tmp_path / "out"),
        pytest.raises(LockedError, match="another run is at work"),
        locked(tmp_path / "out"),
    ):
        pass
    with locked(tmp_path / "out"):
        assert (tmp_path / "out" / LOCK).is_file()


def test_nothing_is_left_of_a_folder_that_stayed_empty(tmp_path: Path) -> None:
    with locked(tmp_path / "out"):
        pass
    with locked(tmp_path):
        pass
    assert list(tmp_path.iterdir()) == []


def test_what_was_written_keeps_the_folder(tmp_path: Path) -> None:
    with locked(tmp_path / "out"):
        (tmp_path / "out/result").touch()
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [LOCK, "result"]


def test_a_lock_that_was_taken_away_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between opening and locking it, its holder may have removed it."""
    opened = os.open
    lost: list[Path] = []

    def open_late(path: Path, flags: int, mode: int = 0o777) -> int:
        descriptor = opened(path, flags, mode)
        if not lost:
            lost.append(path)
            path.unlink()
        return descriptor

    monkeypatch.setattr("fieldproc.batch.lock.os.open", open_late)
    with locked(tmp_path):
        assert lost
        assert (tmp_path / LOCK).is_file()


def test_what_cannot_be_locked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def without(_descriptor: int, _how: int) -> None:
        raise OSError(95, "Operation not supported")

    monkeypatch.setattr("fieldproc.batch.lock.fcntl.flock", without)
    with pytest.raises(OutputError, match="give --no-lock"), locked(tmp_path):
        pass
    with locked(tmp_path / "other", lock=False):
        assert not (tmp_path / "other").exists()


def test_what_fails_otherwise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_descriptor: int, _how: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("fieldproc.batch.lock.fcntl.flock", broken)
    with pytest.raises(OutputError, match="cannot be locked"), locked(tmp_path):
        pass


def test_a_folder_that_takes_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("fieldproc.batch.lock.os.open", refused)
    with pytest.raises(OutputError, match="cannot be written"), locked(tmp_path):
        pass


def test_a_link_is_no_lock(tmp_path: Path) -> None:
    (tmp_path / "victim").write_text("mine")
    (tmp_path / LOCK).symlink_to("victim")
    with pytest.raises(OutputError), locked(tmp_path):
        pass
    assert (tmp_path / "victim").read_text() == "mine"
