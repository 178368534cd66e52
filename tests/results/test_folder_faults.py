"""Every call that a writer makes of the file system fails once, or from there on, or is its last: the older result
stays or the new one is whole, and the next writer finds nothing in its way."""

from __future__ import annotations

import errno
import itertools
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import pytest
from robust.faults import Killed, failing
from robust.scans import tiny_session

from fieldproc.errors import OutputError
from fieldproc.results import write_file, write_folder
from fieldproc.results.folder import sweep
from fieldproc.session import write_session

Content = dict[str, bytes] | bytes
CODES = (errno.ENOSPC, errno.EIO, errno.EACCES, errno.EDQUOT)


def result(word: str) -> dict[str, bytes]:
    """Six files in four folders, with the summary that makes them ours."""
    names = ("field.h5", "tables/quality.csv", f"tables/channel-0/{word}.csv", "exports/a/b.txt", "settings.toml")
    files = {name: f"{word} {name}\n".encode() * 50 for name in names}
    summary = {"provenance": {"outputs_sha256": dict.fromkeys(files, "")}}
    return {**files, "summary.json": json.dumps(summary).encode()}


OLD, NEW = result("old"), result("new")
NEW_FILE = b"new" * 100


def content(place: Path) -> Content | None:
    """All that is in a folder, or in a file; ``None`` where nothing is."""
    if place.is_dir():
        return {path.relative_to(place).as_posix(): path.read_bytes() for path in place.rglob("*") if path.is_file()}
    return place.read_bytes() if place.exists() else None


def put(place: Path, what: Content) -> None:
    """As a writer of ours would have left it, without one."""
    if isinstance(what, bytes):
        place.write_bytes(what)
        return
    for name, data in what.items():
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_bytes(data)


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder in memory where there is such a place: thousands of writers would wait for the disk for minutes."""
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as folder:
        yield Path(folder) / "out"


@dataclass(frozen=True)
class Case:
    """What stands before, how ``new`` is written over it, and which of it is the older result."""

    before: Mapping[str, Content]
    new: Content
    write: Callable[[Path, Any], object]

    @property
    def old(self) -> Content | None:
        return self.before.get("scan", self.before.get(ASIDE))

    def stage(self, place: Path) -> Path:
        """A folder with what stands before; the path of the result in it."""
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        for name, what in self.before.items():
            put(place / name, what)
        return place / "scan"


@dataclass(frozen=True)
class Ended:
    """Where the result should be, and what the writer raised: nothing where it was content."""

    final: Path
    raised: BaseException | None

    @property
    def names(self) -> set[str]:
        return {path.name for path in self.final.parent.iterdir()}


ASIDE, TEMPORARY = ".scan.fieldproc-old", ".scan.fieldproc-tmp"
HALF = {"tables/quality.csv": b"half"}
FOLDERS = {
    "fresh": Case({}, NEW, write_folder),
    "replacing": Case({"scan": OLD}, NEW, write_folder),
    "after a kill early": Case({"scan": OLD, TEMPORARY: HALF}, NEW, write_folder),
    "after a kill between": Case({ASIDE: OLD, TEMPORARY: NEW}, NEW, write_folder),
    "after a kill late": Case({"scan": OLD, ASIDE: HALF}, NEW, write_folder),
}
FILES = {
    "file fresh": Case({}, NEW_FILE, write_file),
    "file replacing": Case({"scan": b"old"}, NEW_FILE, write_file),
    "file after a kill": Case({"scan": b"old", TEMPORARY: b"ne"}, NEW_FILE, write_file),
}
CASES = {**FOLDERS, **FILES}


def every_call(case: Case, place: Path, error: BaseException, lasting: bool) -> Iterator[Ended]:
    """The case once for every call that it makes."""
    for fail_at in itertools.count(1):
        final = case.stage(place)
        raised: BaseException | None = None
        with failing(fail_at, error, lasting) as faults:
            try:
                case.write(final, case.new)
            except (OutputError, Killed, KeyboardInterrupt) as caught:
                raised = caught
        if not faults.met:
            assert fail_at > 8, "a writer that asks so little of the system was not watched"
            return
        yield Ended(final, raised)


def assert_whole(case: Case, ended: Ended) -> None:
    """The new one where the writer was content; the older one, here or set aside, or the new one where it was not."""
    found = content(ended.final)
    if ended.raised is None:
        assert found == case.new
    elif found is None and case.old is not None:
        assert content(ended.final.parent / ASIDE) == case.old
    else:
        assert found in (case.old, case.new)


def assert_undone_at_once(case: Case, ended: Ended) -> None:
    """After a single failure nothing is left to do."""
    if "scan" in case.before:
        assert ended.final.exists()
    if ended.raised is not None and TEMPORARY not in case.before and ASIDE not in case.before:
        assert ended.names <= {"scan"}


def assert_next_is_clean(case: Case, ended: Ended) -> None:
    case.write(ended.final, case.new)
    assert content(ended.final) == case.new
    assert ended.names == {"scan"}


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "lasting"])
@pytest.mark.parametrize("code", CODES, ids=[errno.errorcode[code] for code in CODES])
@pytest.mark.parametrize("name", CASES)
def test_a_failing_call_costs_nothing(place: Path, name: str, code: int, lasting: bool) -> None:
    case, refused = CASES[name], 0
    for ended in every_call(case, place, OSError(code, os.strerror(code)), lasting):
        assert_whole(case, ended)
        if ended.raised is not None:
            refused += 1
            message = str(ended.raised)
            assert os.strerror(code) in message
            assert ("free the space" in message) == (code in (errno.ENOSPC, errno.EDQUOT))
            assert not ("the older result stands as" in message and ended.final.exists())
        if not lasting:
            assert_undone_at_once(case, ended)
        assert_next_is_clean(case, ended)
    # each file is opened, written, forced to the disk and closed
    assert refused > 4 * (len(case.new) if isinstance(case.new, dict) else 1)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize(
    ("error", "lasting"), [(Killed(), True), (KeyboardInterrupt(), False)], ids=["kill", "ctrl-c"]
)
def test_an_end_at_any_call_costs_nothing(place: Path, name: str, error: BaseException, lasting: bool) -> None:
    case = CASES[name]
    for ended in every_call(case, place, error, lasting):
        assert ended.raised is error
        assert_whole(case, ended)
        # an interrupt leaves time to put things back; what can be removed is left to whoever sweeps
        assert lasting or "scan" not in case.before or ended.final.exists()
        sweep(ended.final.parent)
        assert content(ended.final) in (case.old, case.new)
        assert ended.names <= {"scan"}
        assert_next_is_clean(case, ended)


def test_what_is_half_removed_is_never_put_back(place: Path) -> None:
    """Not even where somebody takes the newer result away before the next run."""
    case = FOLDERS["replacing"]
    for ended in every_call(case, place, Killed(), lasting=True):
        shutil.rmtree(ended.final, ignore_errors=True)
        sweep(place)
        assert content(ended.final) in (None, OLD)
        assert ended.names <= {"scan"}


@pytest.mark.parametrize("lasting", [False, True], ids=["once", "lasting"])
@pytest.mark.parametrize("code", CODES, ids=[errno.errorcode[code] for code in CODES])
def test_a_failing_call_of_a_sweep_costs_no_result(place: Path, code: int, lasting: bool) -> None:
    leftovers: dict[str, Content] = {
        "kept": NEW,
        ".kept.fieldproc-old": HALF,
        ASIDE: OLD,
        TEMPORARY: HALF,
        ".status.json.fieldproc-tmp": b"{",
    }
    case = Case(leftovers, OLD, lambda final, _new: sweep(final.parent))
    for ended in every_call(case, place, OSError(code, os.strerror(code)), lasting):
        assert content(place / "kept") == NEW
        assert content(ended.final) == OLD or (ended.raised and content(place / ASIDE) == OLD)
        sweep(place)
        assert ended.names == {"kept", "scan"}
        assert content(ended.final) == OLD
        assert content(place / "kept") == NEW


def test_where_the_older_result_is_when_it_cannot_be_put_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    final = tmp_path / "scan"
    write_folder(final, OLD)
    real, calls = os.rename, []

    def rename(source: Path, target: Path) -> None:
        calls.append(source)
        if len(calls) > 1:
            raise OSError(errno.EIO, "input/output error")
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(os, "rename", rename)
        with pytest.raises(OutputError, match=r"stands as \.scan\.fieldproc-old, the next run puts it back"):
            write_folder(final, NEW)
    assert not final.exists()
    assert sweep(tmp_path) == ["scan: put back; a run ended before it was replaced"]
    assert content(final) == OLD


def test_a_write_that_takes_a_part_is_carried_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: real(descriptor, data[:7]))
    write_file(tmp_path / "scan", bytes(range(256)))
    assert (tmp_path / "scan").read_bytes() == bytes(range(256))


@pytest.mark.parametrize("error", [OSError(errno.EIO, os.strerror(errno.EIO)), Killed()], ids=["EIO", "kill"])
def test_a_failing_call_costs_no_session(tmp_path: Path, place: Path, error: BaseException) -> None:
    """Its file is written and closed by the interpreter, out of sight of the faults: full disks test that."""
    old, new = (tiny_session(seed) for seed in (1, 2))
    for name, session in (("old", old), ("new", new)):
        write_session(session, tmp_path / name)
    before = {"scan": (tmp_path / "old").read_bytes(), TEMPORARY: b"half"}
    case = Case(before, (tmp_path / "new").read_bytes(), lambda final, _bytes: write_session(new, final))
    for ended in every_call(case, place, error, lasting=True):
        assert_whole(case, ended)
        assert_next_is_clean(case, ended)


def test_all_is_on_the_disk_before_it_gets_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    events: list[str] = []
    fsync, rename, replace = os.fsync, os.rename, os.replace

    def name_of(path: str | Path) -> str:
        return Path(path).relative_to(tmp_path).as_posix()

    def forced(descriptor: int) -> None:
        fsync(descriptor)
        events.append(name_of(os.readlink(f"/proc/self/fd/{descriptor}")))

    def renamed(source: Path, target: Path) -> None:
        rename(source, target)
        events.append(f"-> {name_of(target)}")

    def replaced(source: Path, target: Path) -> None:
        replace(source, target)
        events.append(f"-> {name_of(target)}")

    write_folder(tmp_path / "scan", OLD)
    for name, watch in (("fsync", forced), ("rename", renamed), ("replace", replaced)):
        monkeypatch.setattr(os, name, watch)
    write_folder(tmp_path / "scan", NEW)
    at = events.index("-> scan")
    folders = {PurePosixPath(TEMPORARY, name).parent.as_posix() for name in NEW} | {f"{TEMPORARY}/exports"}
    # the older one is out of the way first; once the parent is on the disk too, it may go
    assert events[at - 1 :] == [f"-> {ASIDE}", "-> scan", ".", f"-> {TEMPORARY}"]
    assert sorted(events[: at - 1]) == sorted([*(f"{TEMPORARY}/{name}" for name in NEW), *folders])
    events.clear()
    write_file(tmp_path / "angles.csv", b"new")
    assert events == [".angles.csv.fieldproc-tmp", "-> angles.csv", "."]
    events.clear()
    write_session(tiny_session(1), tmp_path / "scan.h5")
    assert events == [".scan.h5.fieldproc-tmp", "-> scan.h5", "."]


def test_a_folder_that_cannot_be_looked_into_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    final = tmp_path / "scan"
    write_folder(final, OLD)
    real = os.scandir

    def scandir(place: Any) -> Any:
        if os.fspath(place) == str(final / "tables"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return real(place)

    with monkeypatch.context() as patch:
        patch.setattr(os, "scandir", scandir)
        with pytest.raises(OutputError, match="Permission denied"):
            write_folder(final, NEW)
    assert content(final) == OLD


def test_two_names_of_one_file(tmp_path: Path) -> None:
    """A file that is there already, put there by whomever, is not written into."""
    with pytest.raises(OutputError, match="File exists"):
        write_folder(tmp_path / "scan", {**NEW, "./field.h5": b"other"})
    assert list(tmp_path.iterdir()) == []
