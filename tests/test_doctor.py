"""The doctor: what it finds on a machine, what it warns of, and that it sees what is broken."""

from __future__ import annotations

import fcntl
import json
import math
import os
import platform
import re
from dataclasses import replace
from importlib.metadata import PackageNotFoundError
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fieldproc.cli import main
from fieldproc.condition import condition
from fieldproc.conventions import Floats
from fieldproc.doctor import Diagnosis, diagnosis, self_test
from fieldproc.doctor.machine import Memory, Place, memory, place
from fieldproc.doctor.self_test import Check
from fieldproc.errors import NumericalError
from fieldproc.records import Spectra
from fieldproc.side_by_side import GIB
from fieldproc.waves.radial import Scaled, spherical_bessel

SOUND = Check("monopole_level", 1e-7, 1e-3, "db", "closed form")
NEW = {"hdf5": "2.0.0", "blas": "openblas 0.3.30 Haswell"}
ROOMY = Memory(64 * GIB, 32 * GIB)
FREE = Place(100 * GIB, writable=True, locks=True)


def found(**other: Any) -> Diagnosis:
    """A machine without fault, but for what is stated otherwise."""
    usual = {"versions": NEW, "cores": 8, "memory": ROOMY, "place": FREE, "checks": (SOUND,)}
    return Diagnosis(**{**usual, **other})


@pytest.fixture
def healthy(monkeypatch: pytest.MonkeyPatch) -> None:
    """The self-test taken as passed: for tests of all that surrounds it."""
    monkeypatch.setattr(diagnosis, "self_test", lambda: (SOUND,))


# --- the command ---------------------------------------------------------------------------------------


def test_the_text_says_what_the_json_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    once = diagnosis.examine(tmp_path)
    # free space and memory move between two looks
    monkeypatch.setattr("fieldproc.doctor.examine", lambda *_, **__: once)
    assert main(["doctor", "--json", "-o", str(tmp_path)]) == 0
    printed, quiet = capsys.readouterr()
    document = json.loads(printed, parse_constant=pytest.fail)
    assert printed == json.dumps(document, indent=2, sort_keys=True) + "\n"
    assert main(["doctor", "-o", str(tmp_path)]) == 0
    text, still_quiet = capsys.readouterr()
    assert (quiet, still_quiet) == ("", "")

    said = dict(re.findall(r"^  (\S.{0,18}\S) +(\S.*)$", text, re.MULTILINE))
    for name, value in document["versions"].items():
        assert said[name] == value
    assert said["cores"] == str(document["machine"]["cores"]) == str(len(os.sched_getaffinity(0)))
    assert said["suggested jobs"] == str(document["machine"]["suggested_jobs"])
    assert said["memory total"] == f"{document['machine']['memory_total_bytes'] / 2**30:.1f} GiB"
    assert said["free"] == f"{document['output_folder']['free_bytes'] / 2**30:.1f} GiB"
    assert said["writable"] == said["locks hold"] == "yes"
    assert document["output_folder"]["writable"] is document["output_folder"]["locks_hold"] is True
    checks = document["self_test"]
    assert set(checks) == {"monopole_level", "monopole_phase", "spherical_functions", "compiled_sum"}
    for name, check in checks.items():
        assert check["passed"] is True
        error, tolerance = (next(check[key] for key in check if key.startswith(stem)) for stem in ("error", "tol"))
        assert error < tolerance
        assert said[name.replace("_", " ")].startswith(f"passed: off by {error:.2g}")
    assert {"error_db", "tolerance_db"} < set(checks["monopole_level"])
    for warning in document["warnings"]:
        assert f"  {warning}\n" in text
    assert document["fit_for_work"] is True
    assert text.endswith(f"\n{document['closing']}\n")
    assert document["closing"] == "fit for work"


@pytest.mark.usefixtures("healthy")
def test_nobody_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["doctor", "-o", str(tmp_path / "out")])
    main(["doctor", "--json", "-o", "/proc/self/out"])
    printed = "".join(capsys.readouterr())
    assert "not fit for work: results cannot be written" in printed
    for private in (str(tmp_path), str(Path.home()), str(Path.cwd()), "/"):
        assert private not in printed
    assert not re.search(rf"\b{re.escape(platform.node())}\b", printed)


@pytest.mark.usefixtures("healthy")
def test_a_clock_that_stands_still(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    told = []
    for epoch in (None, "0"):
        if epoch is None:
            monkeypatch.delenv("SOURCE_DATE_EPOCH", raising=False)
        else:
            monkeypatch.setenv("SOURCE_DATE_EPOCH", epoch)
        assert main(["doctor", "-o", str(tmp_path)]) == 0
        told.append("SOURCE_DATE_EPOCH" in capsys.readouterr().out)
    assert told == [False, True]


@pytest.mark.usefixtures("healthy")
def test_a_folder_that_cannot_be_written_is_told_and_does_not_change_the_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")
    assert main(["doctor", "-o", str(tmp_path / "file")]) == 0
    text = capsys.readouterr().out
    assert "the output folder cannot be written (Not a directory); choose another with -o" in text
    assert text.splitlines()[-1] == "not fit for work: results cannot be written to the output folder"


def test_a_library_that_is_missing(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def version(name: str) -> str:
        raise PackageNotFoundError(name)

    monkeypatch.setattr(diagnosis, "version", version)
    assert main(["doctor"]) == 1
    printed, complaint = capsys.readouterr()
    assert printed == ""
    assert "not fit for work: numba is missing or broken; install fieldproc anew" in complaint


# --- the self-test -------------------------------------------------------------------------------------


def test_a_wrong_sound_speed_fails(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def wrong(*arguments: Any) -> Spectra:
        spectra = condition(*arguments)
        return replace(spectra, sound_speed_m_per_s=1.01 * spectra.sound_speed_m_per_s)

    monkeypatch.setattr(self_test, "condition", wrong)
    assert main(["doctor", "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    passed = {name: check["passed"] for name, check in document["self_test"].items()}
    assert passed == {
        "monopole_level": False,
        "monopole_phase": False,
        "spherical_functions": True,
        "compiled_sum": True,
    }
    assert document["fit_for_work"] is False
    assert document["closing"].startswith("not fit for work: the self-test missed its tolerance")


def test_the_ninth_digit_of_a_bessel_function_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    def near(top_degree: int, argument: Floats) -> Scaled:
        right = spherical_bessel(top_degree, argument)
        return replace(right, mantissa=right.mantissa * (1.0 + 5e-9))

    monkeypatch.setattr(self_test, "spherical_bessel", near)
    (functions,) = self_test._spherical_functions()
    # the digits themselves are good to 5e-10
    assert functions.error == pytest.approx(5e-9, abs=5e-10)
    assert not functions.passed
    (compiled,) = self_test._compiled_sum()
    assert not compiled.passed


def test_what_is_not_a_number_is_no_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(self_test, "zonal_sum", lambda *_: np.array([[complex(math.nan)]]))
    (check,) = self_test._compiled_sum()
    assert not check.passed
    told = found(checks=(check,))
    assert json.loads(told.json())["self_test"]["compiled_sum"]["error"] is None
    assert "  compiled sum          FAILED: off by nan, tolerance 1e-13 (closed form)" in list(told.lines())


@pytest.mark.parametrize(
    ("raised", "words"),
    [
        (
            ImportError("needs numpy 2.2, got 2.3\n(/home/her/lib/x.so)"),
            "ImportError: needs numpy 2.2, got 2.3 (...)",
        ),
        (NumericalError("expand", "orders", "9", "at most 8", "scan more"), "expand: orders is 9, limit at most 8; "),
    ],
)
def test_what_a_check_raises_is_its_failure(monkeypatch: pytest.MonkeyPatch, raised: Exception, words: str) -> None:
    def broken(*_: Any) -> None:
        raise raised

    monkeypatch.setattr(self_test, "expand", broken)
    monkeypatch.setattr(self_test, "zonal_sum", broken)
    told = found(checks=self_test.self_test())
    assert [(check.name, check.passed) for check in told.checks] == [
        ("monopole", False),
        ("spherical_functions", True),
        ("compiled_sum", False),
    ]
    entry = json.loads(told.json())["self_test"]["monopole"]
    assert (entry["error"], entry["tolerance"]) == (None, None)
    assert entry["refusal"].startswith(words)
    assert not told.passed


# --- warnings ------------------------------------------------------------------------------------------

LOOP = "can keep it in an endless loop"


@pytest.mark.parametrize(
    ("hdf5", "told"),
    [
        ("1.10.6", ["were mended in 1.14.4, and more in 2.0.0", LOOP]),
        ("1.14.3", ["were mended in 1.14.4, and more in 2.0.0", LOOP]),
        ("1.14.4-3", ["more memory errors on damaged files were mended in 2.0.0", LOOP]),
        ("1.14.6", ["more memory errors on damaged files were mended in 2.0.0", LOOP]),
        ("2.0.0", [LOOP]),
        ("2.1.1", [LOOP]),
    ],
)
def test_holes_of_the_file_library(hdf5: str, told: list[str]) -> None:
    warnings = found(versions={**NEW, "hdf5": hdf5}).warnings
    assert len(warnings) == len(told)
    for warning, part in zip(warnings, told, strict=True):
        assert warning.startswith(f"HDF5 {hdf5}: ")
        assert part in warning


@pytest.mark.parametrize(
    ("other", "told"),
    [
        ({"cores": 1}, "one core: "),
        ({"memory": Memory(8 * GIB, 4 * GIB - 1)}, "4.0 GiB of memory available: "),
        ({"place": Place(2 * GIB - 1, writable=True, locks=True)}, "2.0 GiB free for results: "),
        ({"place": Place(None, writable=True, locks=False)}, "file locks do not hold"),
        (
            {"place": Place(0, False, False, "Read-only file system")},
            "the output folder cannot be written (Read-only",
        ),
        ({"fixed_clock": True}, "SOURCE_DATE_EPOCH is set"),
        ({"versions": {**NEW, "blas": ""}}, "the library that multiplies matrices"),
    ],
)
def test_each_shortage_is_told_once_and_alone(other: dict[str, Any], told: str) -> None:
    (extra,) = set(found(**other).warnings) - set(found().warnings)
    assert extra.startswith(told)


def test_just_enough_is_enough() -> None:
    enough = found(cores=2, memory=Memory(4 * GIB, 4 * GIB), place=Place(2 * GIB, writable=True, locks=True))
    unknown = found(memory=Memory(None, None), place=Place(None, writable=True, locks=True))
    assert enough.warnings == unknown.warnings == found().warnings


@pytest.mark.parametrize(
    ("cores", "available_bytes", "jobs"),
    [
        (8, 32 * GIB, 8),
        (8, 10 * GIB, 4),
        (8, 10 * GIB - 1, 3),
        (1, 32 * GIB, 1),
        (8, 0, 1),
        (8, None, 1),
    ],
)
def test_sessions_side_by_side(cores: int, available_bytes: int | None, jobs: int) -> None:
    told = found(cores=cores, memory=Memory(64 * GIB, available_bytes))
    assert told.jobs == told.document()["machine"]["suggested_jobs"] == jobs


# --- memory --------------------------------------------------------------------------------------------

MEMINFO = (
    "MemTotal:       16777216 kB\nMemFree:         1048576 kB\nMemAvailable:    8388608 kB\nHugePages_Total:  0\n"
)
OF_MACHINE = Memory(16 * GIB, 8 * GIB)


def system(root: Path, own_groups: str, files: dict[str, str]) -> Memory:
    """Memory as a system of these files would have it; paths are below ``/proc`` and ``/sys/fs/cgroup``."""
    for name, content in {"proc/meminfo": MEMINFO, "proc/self/cgroup": own_groups, **files}.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(content)
    return memory(root / "proc", root / "cgroup")


@pytest.mark.parametrize(
    ("own_groups", "files", "expected"),
    [
        ("", {}, OF_MACHINE),
        ("0::/\n", {}, OF_MACHINE),
        ("0::/\n", {"memory.max": "max\n"}, OF_MACHINE),
        # no limit in the first generation is a number beyond all memory
        ("4:cpu,memory:/\n", {"memory/memory.limit_in_bytes": "9223372036854771712\n"}, OF_MACHINE),
        # 3 GiB of 4 are used, 1 GiB of that by pages that can be had back
        (
            "0::/\n",
            {"memory.max": str(4 * GIB), "memory.current": str(3 * GIB), "memory.stat": f"inactive_file {GIB}\n"},
            Memory(4 * GIB, 2 * GIB),
        ),
        # the limit of a group around ours holds, too, and more used than allowed leaves nothing
        (
            "0::/service/worker\n",
            {
                "service/worker/memory.max": str(6 * GIB),
                "service/worker/memory.current": str(GIB),
                "service/memory.max": str(3 * GIB),
                "service/memory.current": str(4 * GIB),
            },
            Memory(3 * GIB, 0),
        ),
        # seen from inside a container, the path of our group may not exist, but the root is ours
        ("0::/../elsewhere\n", {"memory.max": str(2 * GIB), "memory.current": "0"}, Memory(2 * GIB, 2 * GIB)),
        # both generations at once; a limit without its use bounds the total alone
        (
            "4:memory:/box\n0::/\n",
            {"memory/box/memory.limit_in_bytes": str(5 * GIB), "unified/memory.max": "max"},
            Memory(5 * GIB, 8 * GIB),
        ),
        (
            "4:memory:/\n",
            {
                "memory/memory.limit_in_bytes": str(5 * GIB),
                "memory/memory.usage_in_bytes": str(5 * GIB),
                "memory/memory.stat": f"cache 5\ntotal_inactive_file {GIB}\n",
            },
            Memory(5 * GIB, GIB),
        ),
    ],
)
def test_memory_within_control_groups(
    tmp_path: Path, own_groups: str, files: dict[str, str], expected: Memory
) -> None:
    assert system(tmp_path, own_groups, {f"cgroup/{name}": content for name, content in files.items()}) == expected


def test_memory_where_there_is_no_process_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stated = {"SC_PHYS_PAGES": 1000, "SC_PAGE_SIZE": 4096}

    def sysconf(name: str) -> int:
        if name not in stated:
            raise ValueError("unrecognized configuration name")
        return stated[name]

    monkeypatch.setattr(os, "sysconf", sysconf)
    assert memory(tmp_path, tmp_path) == Memory(4_096_000, None)


# --- the output folder ---------------------------------------------------------------------------------


def test_a_probe_leaves_nothing_behind(tmp_path: Path) -> None:
    tried = place(tmp_path / "not" / "there" / "yet")
    assert (tried.writable, tried.locks, tried.refusal) == (True, True, "")
    assert tried.free_bytes is not None
    assert tried.free_bytes > 0
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("everybody_gets_it", [True, False])
def test_locks_that_do_not_hold(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, everybody_gets_it: bool) -> None:
    def flock(*_: object) -> None:
        if not everybody_gets_it:
            raise OSError(38, "Function not implemented")

    monkeypatch.setattr(fcntl, "flock", flock)
    tried = place(tmp_path)
    assert (tried.writable, tried.locks) == (True, False)


def test_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fsync(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fsync)
    tried = place(tmp_path)
    assert (tried.writable, tried.refusal) == (False, "No space left on device")
    assert list(tmp_path.iterdir()) == []
