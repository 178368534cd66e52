"""``fieldproc tune``: a result folder and a page, the same every time; refusals with their exit codes."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from tuning.scenes import scene_of, written

from fieldproc.cli import main
from fieldproc.errors import ExitCode
from fieldproc.simulate import Scene


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """Four frequencies on one hundred points."""
    scene = scene_of("cluster", (100.0, 125.0, 160.0, 200.0)).model_dump()
    scene["scan"] |= {"points": 240, "azimuths": 12}
    return written(Scene.model_validate(scene), tmp_path / "small.h5")


def test_the_same_file_gives_the_same_folder(small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = tmp_path / "plain.toml"
    plain.write_text("[uncertainty]\nenabled = false\n[exports]\nformats = []\n")
    for name in ("one", "two"):
        assert main(["tune", str(small), "-s", str(plain), "-o", str(tmp_path / name)]) == ExitCode.DONE
    folders = [tmp_path / name / "small.tune" for name in ("one", "two")]
    files = sorted(path.relative_to(folders[0]).as_posix() for path in folders[0].rglob("*") if path.is_file())
    assert files == [
        "figures/tune.png", "figures/tune.svg", "settings.toml", "summary.json", "tables/judged.csv",
        "tables/judged.csv-metadata.json", "tables/orders.csv", "tables/orders.csv-metadata.json",
        "tables/sweep.csv", "tables/sweep.csv-metadata.json", "tune.txt",
    ]  # fmt: skip
    for name in files:
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes()
    assert (folders[0] / "tune.txt").read_text() in capsys.readouterr().out
    summary = json.loads((folders[0] / "summary.json").read_text())
    assert summary["facts"]["recommended"] == "table"
    assert summary["bands"][-1]["highest_hz"] == 200.0
    orders = tomllib.loads((folders[0] / "settings.toml").read_text())["orders"]
    table = np.loadtxt(folders[0] / "tables/orders.csv", delimiter=",", skiprows=1)
    for column, name in ((1, "outgoing"), (2, "regular")):
        starts, degrees = np.array(orders[name]).T
        told = degrees[np.searchsorted(starts, table[:, 0], side="right") - 1]
        np.testing.assert_array_equal(told, table[:, column])

    stated = str(folders[0] / "settings.toml")
    assert main(["run", str(small), "-s", stated, "-o", str(tmp_path / "out"), "--tables-only"]) == ExitCode.DONE
    quality = np.loadtxt(tmp_path / "out/small/tables/quality.csv", delimiter=",", skiprows=1)
    np.testing.assert_array_equal(quality[:, 1:3], table[:, 1:3])


def test_what_cannot_be_tuned_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["tune", str(tmp_path / "none.h5"), "-o", str(tmp_path / "out")]) == ExitCode.USAGE
    scene = scene_of("cluster", (8000.0, 9000.0)).model_dump()
    scene["scan"] |= {"points": 60, "azimuths": 6}
    high = written(Scene.model_validate(scene), tmp_path / "high.h5")
    capsys.readouterr()
    assert main(["tune", str(high), "-o", str(tmp_path / "out")]) == ExitCode.REFUSED
    assert "number of frequencies whose waves the points carry" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_where_gated_spectra_take_over_automatic_orders_stay(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scene = scene_of("cluster").model_dump()
    scene["scan"] |= {"points": 240, "azimuths": 12}
    scene["recording"] = {"kind": "impulse response", "sampling_rate_hz": 8000.0, "samples": 1024}
    path = written(Scene.model_validate(scene), tmp_path / "gated.h5")
    plain = tmp_path / "plain.toml"
    plain.write_text(
        "[spectra]\nlowest_hz = 150.0\nper_octave = 6\ncount = 16\n"
        "[gate]\ncrossover_hz = 450.0\n[uncertainty]\nenabled = false\n[report]\nfigures = false\n"
        "[exports]\nformats = []\n"
    )
    assert main(["tune", str(path), "-s", str(plain), "-o", str(tmp_path / "out")]) == ExitCode.DONE
    assert 'recommended: "auto" orders; gated spectra take over' in capsys.readouterr().out
    folder = tmp_path / "out/gated.tune"
    stated = {name: tomllib.loads((folder / f"{name}.toml").read_text()) for name in ("settings", "table")}
    assert stated["settings"]["orders"]["outgoing"] == "auto"
    assert stated["settings"]["gate"]["enabled"] == "auto"
    assert stated["table"]["gate"]["enabled"] is False
    assert stated["table"]["spectra"] == stated["settings"]["spectra"]
    table = str(folder / "table.toml")
    assert main(["run", str(path), "-s", table, "-o", str(tmp_path / "out"), "--tables-only"]) == ExitCode.DONE
    told = np.loadtxt(folder / "tables/orders.csv", delimiter=",", skiprows=1)
    quality = np.loadtxt(tmp_path / "out/gated/tables/quality.csv", delimiter=",", skiprows=1)
    np.testing.assert_array_equal(quality[: len(told), 1:3], told[:, 1:3])
