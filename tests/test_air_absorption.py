"""Air absorption through the command: opt-in, with a distance only, and said in the sidecar."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from fieldproc.cli import main
from fieldproc.condition.air import iso_absorption
from fieldproc.session import write_session
from fieldproc.simulate import NAMED_SCENES, simulate


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Result folder of a small scan that states its temperature, and no humidity."""
    folder = tmp_path_factory.mktemp("absorption")
    scene = NAMED_SCENES["point-source"]()
    write_session(simulate(scene.model_copy(update={"temperature_c": 23.0}), 1), folder / "scan.h5")
    settings = folder / "settings.toml"
    settings.write_text(
        "[spectra]\nlowest_hz = 125.0\nper_octave = 1\ncount = 4\n"
        '[extrapolation]\nquantity = "true pressure"\nreference_distance_m = 3.0\nair_absorption = true\n'
        "[exports]\nformats = []\n"
    )
    arguments = ["run", str(folder / "scan.h5"), "-o", str(folder / "out"), "-s", str(settings), "--tables-only"]
    assert main(arguments) == 0
    return folder / "out" / "scan"


def at(result: Path, *arguments: str) -> tuple[list[dict[str, str]], dict[str, str]]:
    """Rows, and the sidecar as text by key."""
    file = result.parent / "at.csv"
    assert main(["at", str(result), "--azimuth", "0", "--elevation", "0", *arguments, "-o", str(file)]) == 0
    with file.open(newline="") as stream:
        return list(csv.DictReader(stream)), json.loads(file.with_name("at.csv-metadata.json").read_text())


def test_true_pressure_less_what_the_air_absorbs(result: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lossless, plain = at(result, "--distance", "8")
    capsys.readouterr()
    lossy, told = at(result, "--distance", "8", "--air-absorption")
    frequency_hz = np.array([float(row["frequency_hz"]) for row in lossless])
    lost_db = [float(a["level_db"]) - float(b["level_db"]) for a, b in zip(lossless, lossy, strict=True)]
    expected = 8.0 * iso_absorption(frequency_hz, 23.0, 50.0, 101_325.0)
    # levels are written with finite digits; 0.04 dB at 1 kHz
    np.testing.assert_allclose(lost_db, expected, rtol=1e-3)
    air = "23 degrees C, 50 % relative humidity (assumed), 101.325 kPa (assumed) (ISO 9613-1)"
    assert f"air absorption taken off for {air}" in capsys.readouterr().err
    assert "not included: lossless air" in json.dumps(plain)
    assert "taken off over the distance from the axis origin" in json.dumps(told)
    assert air in json.dumps(told)


def test_tables_at_a_true_distance_include_it(result: Path) -> None:
    (row, *_), _ = at(result, "--distance", "3", "--air-absorption")
    with (result / "tables" / "horizontal.csv").open(newline="") as stream:
        table = next(csv.DictReader(stream))
    np.testing.assert_allclose(float(table["level_+000_db"]), float(row["level_db"]), rtol=0, atol=1e-4)
    sidecar = (result / "tables" / "horizontal.csv-metadata.json").read_text()
    assert "taken off over the distance from the axis origin" in sidecar
    assert "air absorption taken off for 23 degrees C" in (result / "summary.json").read_text()


def test_without_a_distance_there_is_no_way_to_absorb_on(result: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["at", str(result), "--azimuth", "0", "--elevation", "0", "--air-absorption"]) == 2
    assert "--air-absorption needs --distance" in capsys.readouterr().err
