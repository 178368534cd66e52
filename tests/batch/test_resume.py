"""What is done again and what is not: exactly what changed, and the reason is told."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from batch.small import files_below, write_scan, write_settings

from fieldproc.batch import Job, decide
from fieldproc.cli import main
from fieldproc.errors import ExitCode, OutputError, UsageError
from fieldproc.results import signed_bytes, write_file
from fieldproc.settings import Settings, dump_settings, load_settings


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Job:
    """One run, with figures."""
    place = tmp_path_factory.mktemp("done")
    path = write_scan(place / "box.h5")
    settings = write_settings(place)
    assert main(["run", str(path), "-o", str(place / "out"), "-s", str(settings)]) == 0
    return Job(path, place / "out/box", "run", load_settings(settings))


@pytest.fixture
def job(done: Job, tmp_path: Path) -> Job:
    """A copy of it, to be changed."""
    path = tmp_path / "box.h5"
    path.write_bytes(done.path.read_bytes())
    shutil.copytree(done.folder, tmp_path / "out/box")
    return replace(done, path=path, folder=tmp_path / "out/box")


Change = Callable[[Job], Job | None]


def nothing(_job: Job) -> None:
    """As it was."""


def touched(job: Job) -> None:
    os.utime(job.path, (1, 1))


def moved(job: Job) -> Job:
    """The same file under another name, the same result folder."""
    elsewhere = job.path.with_name("elsewhere.h5")
    job.path.rename(elsewhere)
    return replace(job, path=elsewhere)


def input_changed(job: Job) -> None:
    with job.path.open("ab") as stream:
        stream.write(b"\0")


def input_changed_and_back(job: Job) -> None:
    before = job.path.read_bytes()
    input_changed(job)
    job.path.write_bytes(before)


def altered(name: str) -> Change:
    def change(job: Job) -> None:
        path = job.folder / name
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 1
        path.write_bytes(data)

    return change


def removed(name: str) -> Change:
    return lambda job: (job.folder / name).unlink()


def cut_short(name: str) -> Change:
    return lambda job: os.truncate(job.folder / name, 10)


def another_verdict(job: Job) -> None:
    path = job.folder / "summary.json"
    path.write_text(path.read_text().replace('"verdict": "good"', '"verdict": "do not use"'))


def replaced_by_folder(job: Job) -> None:
    (job.folder / "field.h5").unlink()
    (job.folder / "field.h5").mkdir()


def replaced_by_pipe(job: Job) -> None:
    """Which would wait for its writer for ever."""
    (job.folder / "field.h5").unlink()
    os.mkfifo(job.folder / "field.h5")


def input_is_pipe(job: Job) -> None:
    job.path.unlink()
    os.mkfifo(job.path)


def summary_with(**made: Any) -> Change:
    """The summary of a run of other code; rightly signed."""

    def change(job: Job) -> None:
        path = job.folder / "summary.json"
        summary = json.loads(path.read_bytes())
        versions = summary["provenance"]["versions"] | made.pop("versions", {})
        write_file(
            path, signed_bytes(summary | {"provenance": summary["provenance"] | made | {"versions": versions}})
        )

    return change


def set_to(section: str, **values: Any) -> Change:
    """Other settings wanted."""

    def change(job: Job) -> Job:
        model = getattr(job.settings, section).model_copy(update=values)
        return replace(job, settings=job.settings.model_copy(update={section: model}))

    return change


def changed_and_back(job: Job) -> Job:
    """Settings that were something else for a while."""
    other = set_to("orders", outgoing=2)(job)
    assert other is not None
    assert decide(other).action == "run"
    return job


def written_out(job: Job) -> Job:
    """The settings file of the result in place of the one it was made with."""
    return replace(job, settings=load_settings(job.folder / "settings.toml"))


def without_figures(job: Job) -> None:
    """As after a run with --tables-only."""
    path = job.folder / "summary.json"
    summary = json.loads(path.read_bytes())
    made = summary["provenance"]
    for name in [name for name in made["outputs_sha256"] if name.startswith("figures/") or name == "report.html"]:
        (job.folder / name).unlink()
        del made["outputs_sha256"][name]
    write_file(path, signed_bytes(summary))


def other_report_wanting_no_figures(job: Job) -> Job:
    other = set_to("report", figures=False)(job)
    assert other is not None
    return replace(other, figures=False)


def without_figures_wanting_none(job: Job) -> Job:
    without_figures(job)
    return replace(job, figures=False)


KEPT = [
    nothing,
    touched,
    moved,
    input_changed_and_back,
    changed_and_back,
    written_out,
    # of another command
    set_to("validation", lowest_hz=80.0),
    # another kind of processor
    summary_with(versions={"blas": "another"}),
    without_figures_wanting_none,
    other_report_wanting_no_figures,
    # more than was asked for
    lambda job: replace(job, figures=False),
]
DONE_AGAIN = [
    (input_changed, "input changed"),
    (altered("field.h5"), "field.h5 altered"),
    (altered("tables/cta2034a.csv"), "tables/cta2034a.csv altered"),
    (altered("tables/quality.csv-metadata.json"), "tables/quality.csv-metadata.json altered"),
    (altered("report.html"), "report.html altered"),
    (altered("settings.toml"), "settings.toml"),
    (another_verdict, "summary.json altered"),
    (cut_short("field.h5"), "field.h5 altered"),
    (removed("settings.toml"), "settings.toml cannot be read"),
    (removed("tables/horizontal.csv"), "tables/horizontal.csv is missing or cannot be read"),
    (replaced_by_folder, "field.h5 is missing or cannot be read"),
    (replaced_by_pipe, "field.h5 is missing or cannot be read"),
    (summary_with(code_sha256="00"), "code changed: fieldproc itself"),
    (summary_with(versions={"fieldproc": "0.0.1"}), "code changed: fieldproc 0.0.1 then, "),
    (summary_with(versions={"numpy": "1.0"}), "code changed: numpy 1.0 then, "),
    (summary_with(versions={"hdf5": "1.8"}), "code changed: hdf5 1.8 then, "),
    (set_to("orders", outgoing=2), 'setting orders.outgoing changed from "auto" to 2'),
    (set_to("orders", outgoing=((0.0, 1), (80.0, 2))), "setting orders.outgoing changed from "),
    (set_to("axis", up=(0.1, 0.0, 1.0)), "setting axis.up changed from "),
    (set_to("extrapolation", latency_s=1e-3), "setting extrapolation.latency_s changed from "),
    (set_to("tables", rear_wall="all"), "setting tables.rear_wall changed from "),
    (set_to("exports", formats=("csv",)), "setting exports.formats changed from [] to "),
    (set_to("equalizer", target="flat"), 'setting equalizer.target changed from "trend" to "flat"'),
    (set_to("report", figures=False), "setting report.figures changed from true to false"),
    (without_figures, "figures were left out"),
]


def after(job: Job, change: Change) -> Job:
    return change(job) or job


@pytest.mark.parametrize("change", KEPT, ids=lambda change: change.__qualname__)
def test_kept(job: Job, change: Change) -> None:
    decision = decide(after(job, change))
    assert (decision.action, decision.reason) == (
        "keep",
        "done before: same input, settings and code, results as they were written",
    )
    assert decision.outcome is not None
    assert decision.outcome.message == "good from 70 to 125 Hz"


@pytest.mark.parametrize(("change", "reason"), DONE_AGAIN, ids=[reason for _, reason in DONE_AGAIN])
def test_done_again(job: Job, change: Change, reason: str) -> None:
    decision = decide(after(job, change))
    assert decision.action == "run"
    assert decision.reason.startswith(reason)


def test_what_is_new_and_what_is_asked_for(job: Job) -> None:
    assert decide(job, again=True).reason == "asked for"
    assert decide(replace(job, folder=job.folder.with_name("other"))).reason == "new"


def test_what_cannot_be_tried(job: Job) -> None:
    foreign = job.folder.with_name("foreign")
    foreign.mkdir()
    (foreign / "letter.txt").write_text("mine")
    refused = decide(replace(job, folder=foreign))
    assert (refused.action, type(refused.error)) == ("refuse", OutputError)
    # nobody can tell any more what is whose in there
    for change in (cut_short("summary.json"), removed("summary.json")):
        change(job)
        assert type(decide(job).error) is OutputError
    gone = decide(replace(job, path=job.path.with_name("none.h5")))
    assert (gone.action, type(gone.error)) == ("refuse", UsageError)
    input_is_pipe(job)
    assert "no regular file" in str(decide(job).error)


def test_a_summary_too_large_to_be_one(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fieldproc.batch.resume._MAX_SUMMARY_BYTES", 100)
    assert decide(job).reason == "summary.json is too large"


def test_an_input_that_goes_while_it_is_looked_at(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    def read_and_gone(path: Path) -> str:
        path.unlink()
        return "00"

    monkeypatch.setattr("fieldproc.batch.resume.file_sha256", read_and_gone)
    gone = decide(job)
    assert (gone.action, type(gone.error)) == ("refuse", UsageError)


def test_a_validation_does_not_depend_on_tables_and_figures(tmp_path: Path) -> None:
    path, settings = write_scan(tmp_path / "box.h5"), write_settings(tmp_path)
    assert main(["validate", str(path), "-o", str(tmp_path), "-s", str(settings)]) == 0
    job = Job(path, tmp_path / "box.validate", "validate", load_settings(settings), figures=False)
    assert decide(job).action == "keep"
    assert decide(after(job, set_to("tables", rear_wall="all"))).action == "keep"
    assert decide(after(job, set_to("report", figures=False))).action == "keep"
    assert decide(after(job, set_to("seat", distance_m=4.0))).action == "keep"
    changed = decide(after(job, set_to("validation", lowest_hz=80.0)))
    assert changed.reason == "setting validation.lowest_hz changed from 50.0 to 80.0"


def test_a_missed_tolerance_is_still_one_when_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_scan(tmp_path / "box.h5")
    settings = write_settings(tmp_path, "[validation]\nplace_m = 1e-9\n")
    arguments = ["validate", str(path), "-o", str(tmp_path / "out"), "-s", str(settings)]
    assert main(arguments) == ExitCode.MISSED_TOLERANCE
    first = capsys.readouterr().err.splitlines()[-1]
    assert main(arguments) == ExitCode.MISSED_TOLERANCE
    assert capsys.readouterr().err == first.replace(": source found", ": kept: source found") + "\n"


def test_only_what_changed_runs_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = [write_scan(tmp_path / f"{name}.h5", seed) for seed, name in enumerate("abc")]
    settings = write_settings(tmp_path)
    arguments = ["run", *map(str, paths), "-o", str(tmp_path / "out"), "-s", str(settings), "--tables-only"]
    assert main(arguments) == 0
    before = files_below(tmp_path / "out")
    modified = {name: (tmp_path / "out" / name).stat().st_mtime_ns for name in before}
    write_scan(paths[1], 7)
    (tmp_path / "out/c/tables/quality.csv").unlink()
    capsys.readouterr()

    assert main([*arguments, "--dry-run"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        f"{paths[0]}: keep: done before: same input, settings and code, results as they were written",
        f"{paths[1]}: run: input changed",
        f"{paths[2]}: run: tables/quality.csv is missing or cannot be read",
    ]
    assert main([*arguments, "--dry-run", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert [(one["action"], one["reason"]) for one in plan["sessions"][1:]] == [
        ("run", "input changed"),
        ("run", "tables/quality.csv is missing or cannot be read"),
    ]
    assert "out/c/tables/quality.csv" not in files_below(tmp_path)

    assert main(arguments) == 0
    told = capsys.readouterr()
    assert f"{paths[0]}: kept: good from 70 to 125 Hz -> {tmp_path}/out/a" in told.out
    assert f"{paths[1]}: again: input changed" in told.err
    written = {name for name in before if (tmp_path / "out" / name).stat().st_mtime_ns != modified.get(name)}
    assert {name.partition("/")[0] for name in written} == {"b", "c", "status.json"}
    # what was altered is as it was
    after_it = files_below(tmp_path / "out")
    assert {name: data for name, data in after_it.items() if name.startswith("c/")} == {
        name: data for name, data in before.items() if name.startswith("c/")
    }


def test_json_goes_with_a_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", str(tmp_path / "a.h5"), "-o", str(tmp_path), "--json"]) == 2
    assert "--json goes with --dry-run" in capsys.readouterr().err


def test_settings_travel_by_their_own_file() -> None:
    """The comparison rests on a round trip without loss."""
    settings = Settings()
    assert load_settings_text(dump_settings(settings)) == settings


def load_settings_text(text: str) -> Settings:
    import tomllib

    return Settings.model_validate(tomllib.loads(text))
