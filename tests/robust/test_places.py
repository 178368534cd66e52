"""The whole command in places that are not what they seem, or take nothing: the right exit code, one line that says
what is wrong, and what belongs to others as it was."""

from __future__ import annotations

import os
import re
import shutil
import socket
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from pair import GRID, write_pair

from fieldproc.cli import main
from fieldproc.session import read_session, write_session

NOBODY = 65534
PLAIN = f"{GRID}[exports]\nformats = []\n[uncertainty]\nenabled = false\n"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Holds ``pair.h5``, ``plain.toml`` and the results of a run in ``results/pair``."""
    place = tmp_path_factory.mktemp("places")
    write_pair(place / "pair.h5")
    (place / "plain.toml").write_text(PLAIN, encoding="utf-8")
    assert main(command(place, place / "results")) == 0
    return place


def command(place: Path, output: Path) -> list[str]:
    """Arguments of a run that takes seconds."""
    return ["run", f"{place}/pair.h5", "-o", str(output), "--tables-only", "--settings", f"{place}/plain.toml"]


def said(capsys: pytest.CaptureFixture[str]) -> list[str]:
    """What the command says that is wrong."""
    return [line for line in capsys.readouterr().err.splitlines() if line.startswith("fieldproc: ")]


def below(folder: Path) -> dict[str, bytes | str]:
    """All files with what is in them, and all links with where they lead."""
    found: dict[str, bytes | str] = {}
    for path in folder.rglob("*"):
        if path.is_symlink():
            found[str(path.relative_to(folder))] = os.readlink(path)
        elif path.is_file():
            found[str(path.relative_to(folder))] = path.read_bytes()
    return found


# --- what stands where results should go -------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        (lambda out: out.write_bytes(b"mine"), "out is a file, not a folder"),
        (os.mkfifo, "out is a pipe, not a folder"),
        (lambda out: out.symlink_to("nowhere"), "out is a link, not a folder"),
        (lambda out: out.symlink_to("victim/file"), "out is a link, not a folder"),
        (lambda out: out.symlink_to("out"), "out is a link, not a folder"),
        (lambda out: out.symlink_to("/dev/full"), "out is a link, not a folder"),
        (lambda out: socket.socket(socket.AF_UNIX).bind(str(out)), "out is a special file, not a folder"),
    ],
    ids=["file", "pipe", "dangling link", "link to a file", "link to itself", "link to a device", "socket"],
)
@pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")
def test_an_output_that_is_no_folder(
    make: Callable[[Path], object], complaint: str, place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "victim").mkdir()
    (tmp_path / "victim/file").write_bytes(b"mine")
    make(tmp_path / "out")
    before, kind = below(tmp_path), (tmp_path / "out").lstat()
    assert main(command(place, tmp_path / "out")) == 5
    (line,) = said(capsys)
    assert complaint in line
    assert "choose another" in line
    assert below(tmp_path) == before
    assert (tmp_path / "out").lstat() == kind


def victim_folder(tmp_path: Path, place: Path) -> None:
    (tmp_path / "out/pair").symlink_to("../victim")
    shutil.rmtree(tmp_path / "victim")
    shutil.copytree(place / "results/pair", tmp_path / "victim")


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        (lambda out, _place: (out / "pair").symlink_to("../victim"), r"not a result folder \(a link\)"),
        (lambda out, place: victim_folder(out.parent, place), r"not a result folder \(a link\)"),
        (lambda out, _place: (out / "pair").write_bytes(b"mine"), r"not a result folder \(a file\)"),
        (lambda out, _place: os.mkfifo(out / "pair"), r"not a result folder \(a pipe\)"),
        (lambda out, _place: (out / "pair").mkdir(), r"not a result folder \(no summary\.json in it\)"),
        (
            lambda out, place: (
                shutil.copytree(place / "results/pair", out / "pair"),
                (out / "pair/figures").symlink_to("../../victim"),
            ),
            r"holds 1 files that are not ours, figures first",
        ),
    ],
    ids=["link", "link to a result", "file", "pipe", "empty folder", "link in a result"],
)
def test_a_result_that_is_none_of_ours(
    make: Callable[[Path, Path], object],
    complaint: str,
    place: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for folder in ("out", "victim"):
        (tmp_path / folder).mkdir()
    (tmp_path / "victim/file").write_bytes(b"mine")
    make(tmp_path / "out", place)
    before, kind = below(tmp_path), (tmp_path / "out/pair").lstat().st_mode
    assert main([*command(place, tmp_path / "out"), "--again"]) == 5
    (line,) = said(capsys)
    assert re.search(complaint, line)
    assert {name: data for name, data in below(tmp_path).items() if name in before} == before
    assert (tmp_path / "out/pair").lstat().st_mode == kind


def test_links_in_a_result_are_not_followed(place: Path, tmp_path: Path) -> None:
    output = tmp_path / "out"
    shutil.copytree(place / "results", output)
    for name in ("summary.json", "settings.toml", "tables/quality.csv"):
        (output / "pair" / name).rename(tmp_path / Path(name).name)
        (output / "pair" / name).symlink_to(tmp_path / Path(name).name)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    assert main([*command(place, output), "--again"]) == 0
    assert below(output / "pair") == below(place / "results/pair")
    assert {name: (tmp_path / name).read_bytes() for name in before} == before


def test_an_output_reached_by_a_link(place: Path, tmp_path: Path) -> None:
    """The user named it; what else is there stays."""
    (tmp_path / "victim").mkdir()
    (tmp_path / "victim/file").write_bytes(b"mine")
    (tmp_path / "out").symlink_to("victim")
    assert main(command(place, tmp_path / "out")) == 0
    assert (tmp_path / "out").is_symlink()
    assert (tmp_path / "victim/file").read_bytes() == b"mine"
    assert below(tmp_path / "victim/pair") == below(place / "results/pair")


def test_output_beside_the_input_and_on_another_file_system(place: Path) -> None:
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else None) as folder:
        shutil.copy(place / "pair.h5", folder)
        arguments = command(place, Path(folder))
        arguments[1] = f"{folder}/pair.h5"
        assert main(arguments) == 0
        assert below(Path(folder) / "pair") == below(place / "results/pair")
        assert (Path(folder) / "pair.h5").read_bytes() == (place / "pair.h5").read_bytes()


def test_a_file_for_answers_that_is_none(place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "victim").write_bytes(b"mine")
    (tmp_path / "link").symlink_to("victim")
    os.mkfifo(tmp_path / "pipe")
    at = ["at", f"{place}/results/pair", "--azimuth=0", "--elevation=0", "-o"]
    for output, kind in (("/dev/full", "special file"), (tmp_path / "link", "link"), (tmp_path / "pipe", "pipe")):
        assert main([*at, str(output)]) == 5
        (line,) = said(capsys)
        assert f"{output}: exists and is not a file but a {kind}; choose another name" in line
    assert stat.S_ISCHR(os.stat("/dev/full").st_mode)
    assert below(tmp_path) == {"victim": b"mine", "link": "victim"}
    assert main(["simulate", str(place / "no.toml"), "-o", "/dev/null"]) == 2
    (tmp_path / "scene.toml").write_text(SCENE, encoding="utf-8")
    for output in ("/dev/full", tmp_path / "link", "/"):
        assert main(["simulate", str(tmp_path / "scene.toml"), "-o", str(output)]) == 5
        assert "exists and is not a file" in said(capsys)[-1]
    assert below(tmp_path) == {"victim": b"mine", "link": "victim", "scene.toml": SCENE.encode()}


SCENE = """title = "A point source"
[source]
kind = "monopoles"
monopoles = [{position_m = [0.01, 0.0, 0.0]}]
[scan]
kind = "sphere"
points = 12
radius_m = 0.3
grid = "spiral"
[recording]
kind = "transfer function"
frequency_hz = [100.0, 200.0]
[noise]
level_db = -70.0
"""


# --- names from inside a file ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "names",
    [("../../escape", "/etc/passwd", "a\nb\x1b[2J"), ("con", "..", "\u202e" + "x" * 300)],
    ids=["paths", "odd"],
)
def test_names_from_inside_a_file_never_become_paths(names: tuple[str, ...], place: Path, tmp_path: Path) -> None:
    title, device, channel = names
    session = replace(read_session(place / "pair.h5"), title=title, device=device, channel_names=(channel,))
    write_session(replace(session, attributes={"comment": title, "operator": device}), tmp_path / "scan.h5")
    arguments = command(place, tmp_path / "out")
    arguments[1] = str(tmp_path / "scan.h5")
    assert main(arguments) == 0
    assert {path.name for path in tmp_path.iterdir()} == {"scan.h5", "out"}
    assert set(below(tmp_path / "out/scan")) == set(below(place / "results/pair"))


def test_inputs_whose_names_meet(place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for one, other in (("a b", "a_b"), ("x+", "x_"), ("con", "con_"), ("h\u00f6", "h\u00fc")):
        for name in (one, other):
            shutil.copy(place / "pair.h5", tmp_path / f"{name}.h5")
        paths = [str(tmp_path / f"{name}.h5") for name in (one, other)]
        assert main(["run", *paths, "-o", str(tmp_path / "out")]) == 2
        (line,) = said(capsys)
        assert "would both write" in line
        assert not (tmp_path / "out").exists()


# --- who runs it, and where --------------------------------------------------------------------------


@pytest.fixture
def open_place(place: Path) -> Iterator[Path]:
    """A copy of ``place`` that everybody may read and nobody but its owner may write to."""
    with tempfile.TemporaryDirectory() as folder:
        copy = shutil.copytree(place, Path(folder) / "in")
        for path in (Path(folder), copy, *copy.rglob("*")):
            path.chmod(0o755 if path.is_dir() else 0o444)
        yield copy


def as_nobody() -> list[str]:
    """The beginning of a command line of a user who may read what is installed, wherever that is, and no more."""
    if os.geteuid() != 0:
        return []
    reading = [f"--{kind}=-all,+dac_read_search" for kind in ("inh-caps", "ambient-caps", "bounding-set")]
    return ["setpriv", f"--reuid={NOBODY}", f"--regid={NOBODY}", "--clear-groups", *reading]


def ended(words: list[str], prefix: list[str], **options: object) -> subprocess.CompletedProcess[str]:
    """The command as a process of its own; no end of it shows what happened inside."""
    line = [*prefix, sys.executable, "-m", "fieldproc", *words]
    found = subprocess.run(line, capture_output=True, text=True, check=False, **options)  # type: ignore[call-overload]
    assert "Traceback" not in found.stderr
    return found


def test_a_user_without_rights(open_place: Path) -> None:
    """Inputs and results of others can be read; nothing is written where nothing may be, home included."""
    before = below(open_place)
    mine = open_place.parent / "mine"
    mine.mkdir()
    shut = mine / "shut"
    shut.mkdir(0o500)
    if os.geteuid() == 0:
        for folder in (mine, shut):
            os.chown(folder, NOBODY, NOBODY)
    environment = {**os.environ, "HOME": str(shut), "TMPDIR": str(mine)}
    done = ended(command(open_place, mine / "out"), as_nobody(), umask=0o077, env=environment)
    assert done.returncode == 0, done.stderr
    modes = {stat.S_IMODE(path.lstat().st_mode) for path in (mine / "out/pair", *(mine / "out/pair").rglob("*"))}
    assert modes == {0o700, 0o600}
    assert below(mine / "out/pair") == below(open_place / "results/pair")
    at = ["at", f"{open_place}/results/pair", "--azimuth=0", "--elevation=0", "-o", f"{shut}/at.csv"]
    refused = ended(at, as_nobody())
    assert refused.returncode == 5
    assert f"{shut}/at.csv: cannot be written (Permission denied); choose another place" in refused.stderr
    refused = ended(command(open_place, shut / "out"), as_nobody())
    assert refused.returncode == 5
    assert f"{shut} may not be written to; choose another place" in refused.stderr
    assert below(shut) == {}
    assert below(open_place) == before


LOCATIONS = ("HOME", "MPLCONFIGDIR", "NUMBA_CACHE_DIR", "XDG_CACHE_HOME", "XDG_CONFIG_HOME")


def test_no_home(place: Path) -> None:
    environment = {name: value for name, value in os.environ.items() if name not in LOCATIONS}
    at = ["at", f"{place}/results/pair", "--azimuth=0", "--elevation=0"]
    done = ended(at, [], env=environment)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("channel,azimuth_deg")


@pytest.mark.soak
@pytest.mark.parametrize("home", ["/dev/null", "/proc/nowhere"])
def test_no_place_for_what_libraries_keep(home: str, place: Path, tmp_path: Path) -> None:
    """Figures are drawn all the same; it takes the time to list all fonts."""
    output = Path(shutil.copytree(place / "results/pair", tmp_path / "pair"))
    done = ended(
        ["report", str(output)], [], env={**os.environ, **dict.fromkeys(LOCATIONS, home), "TMPDIR": str(tmp_path)}
    )
    assert done.returncode == 0, done.stderr
    assert (output / "report.html").stat().st_size > 10_000


def test_a_working_folder_that_is_gone(place: Path, tmp_path: Path) -> None:
    """Nobody can say what relative paths mean then, and libraries ask where they are."""
    gone = tmp_path / "gone"
    gone.mkdir()
    refused = ended(command(place, Path("out")), ["sh", "-c", 'rmdir "$0"; exec "$@"', str(gone)], cwd=gone)
    assert refused.returncode == 2
    (line,) = refused.stderr.splitlines()
    assert "working folder" in line


@pytest.mark.parametrize("redirection", [">/dev/full", ">&-"])
def test_nobody_takes_the_answer(redirection: str, place: Path) -> None:
    at = ["at", f"{place}/results/pair", "--azimuth=0", "--elevation=0"]
    refused = ended(at, ["sh", "-c", f'exec "$@" {redirection}', "sh"])
    assert refused.returncode == 5
    (line,) = refused.stderr.splitlines()
    assert line.startswith("fieldproc: standard output")
