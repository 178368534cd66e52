"""What needs no scan: tables about another axis from results alone, exports, and their way back in."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import h5py
import numpy as np
import pytest
from pair import GRID, write_pair
from scipy.io import wavfile

from fieldproc.cli import main

STANDARD = ("cta2034a", "horizontal", "vertical", "directivity")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("derived")


@pytest.fixture(scope="module")
def result(folder: Path) -> Path:
    """The result folder of a run."""
    write_pair(folder / "pair.h5")
    (folder / "grid.toml").write_text(GRID, encoding="utf-8")
    arguments = ["-s", str(folder / "grid.toml"), "--tables-only"]
    assert main(["run", str(folder / "pair.h5"), "-o", str(folder / "out"), *arguments]) == 0
    return folder / "out" / "pair"


def columns_of(path: Path) -> dict[str, np.ndarray]:
    with path.open(encoding="utf-8", newline="") as stream:
        header, *rows = csv.reader(stream)
    return dict(zip(header, np.array(rows, dtype=float).T, strict=True))


def test_tables_from_results_alone_are_those_of_the_run(result: Path, tmp_path: Path) -> None:
    assert main(["tables", str(result), "-o", str(tmp_path), "--tables-only"]) == 0
    again = tmp_path / "pair.tables"
    for name in (*STANDARD, "trust", "time", "bands_3", "cta2034a_smoothed", "acoustic_center", "quality"):
        assert (again / f"tables/{name}.csv").read_bytes() == (result / f"tables/{name}.csv").read_bytes()
    summaries = [json.loads((one / "summary.json").read_text()) for one in (result, again)]
    assert summaries[0]["scalars"] == summaries[1]["scalars"]
    assert (again / "settings.toml").read_bytes() == (result / "settings.toml").read_bytes()
    # the scan is not needed for these, and not there for those
    assert not (again / "tables/points.csv").exists()


def test_another_axis_is_that_of_a_run_about_it(result: Path, folder: Path, tmp_path: Path) -> None:
    axis = ["--axis-origin", "-0.05,-0.1,0.2", "--axis-direction", "1,0.5,0", "--axis-up", "0,0.1,1"]
    assert main(["tables", str(result), "-o", str(tmp_path), "--tables-only", *axis]) == 0
    stated = GRID + "[axis]\norigin_m = [-0.05, -0.1, 0.2]\ndirection = [1, 0.5, 0]\nup = [0, 0.1, 1]\n"
    (tmp_path / "axis.toml").write_text(stated, encoding="utf-8")
    run = ["-s", str(tmp_path / "axis.toml"), "--tables-only"]
    assert main(["run", str(folder / "pair.h5"), "-o", str(tmp_path / "run"), *run]) == 0
    for name in STANDARD:
        turned, before = (one / f"tables/{name}.csv" for one in (tmp_path / "pair.tables", result))
        assert turned.read_bytes() == (tmp_path / f"run/pair/tables/{name}.csv").read_bytes()
        assert turned.read_bytes() != before.read_bytes()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--axis-origin", "1,2"], "--axis-origin"),
        (["--axis-direction", "1,inf,0"], "--axis-direction"),
        (["--axis-direction", "0,0,1"], "--axis-up"),
    ],
)
def test_an_axis_that_is_none(
    result: Path, arguments: list[str], told: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    try:
        code = main(["tables", str(result), "-o", str(tmp_path), *arguments])
    except SystemExit as stopped:
        code = stopped.code
    assert code == 2
    assert told in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_what_goes_out_comes_back_in_as_the_same_tables(result: Path, tmp_path: Path) -> None:
    assert main(["run", str(result / "exports/directivity.sofa"), "-o", str(tmp_path), "--tables-only"]) == 0
    for name in STANDARD:
        before, after = (columns_of(one / f"tables/{name}.csv") for one in (result, tmp_path / "directivity"))
        known = [column for column in before if not column.endswith(("_low_db", "_high_db", "_low_deg", "_high_deg"))]
        for column in known:
            if column.endswith("_verdict_code"):
                continue
            np.testing.assert_allclose(after[column], before[column], rtol=0, atol=1e-9, err_msg=f"{name} {column}")


def test_every_format_holds_the_same_balloon(result: Path, capsys: pytest.CaptureFixture[str]) -> None:
    exports = result / "exports"
    frequency_hz = columns_of(result / "tables/cta2034a.csv")["frequency_hz"]
    capsys.readouterr()
    assert main(["at", str(result), "--azimuth", "-135", "--elevation", "0"]) == 0
    header, *rows = csv.reader(capsys.readouterr().out.splitlines())
    asked = dict(zip(header, np.array(rows, dtype=float).T, strict=True))
    text = np.loadtxt(exports / "text/az-130_el+000.txt")
    polar = columns_of(result / "tables/horizontal.csv")
    np.testing.assert_array_equal(
        text, np.column_stack([frequency_hz, polar["level_-130_db"], polar["phase_-130_deg"]])
    )
    with h5py.File(exports / "directivity.nc", "r") as file:
        azimuth, elevation = file["azimuth_deg"][()], file["elevation_deg"][()]
        assert azimuth.shape == (2522,)
        at = int(np.flatnonzero((azimuth == -135) & (elevation == 0))[0])
        # one product of 2,522 directions, the other of one: the last digits differ
        np.testing.assert_allclose(file["level"][:, at], asked["level_db"], rtol=1e-12)
        # in single precision
        np.testing.assert_allclose(file["level_low"][:, at], asked["level_low_db"], rtol=1e-6)
        np.testing.assert_allclose(file["level_high"][:, at], asked["level_high_db"], rtol=1e-6)
    with h5py.File(exports / "directivity.sofa", "r") as file:
        place = file["ReceiverPosition"][()].reshape(-1, 3)
        at = int(np.flatnonzero((place[:, 0] == 225) & (place[:, 1] == 0))[0])
        pressure = file["Data.Real"][0, at] + 1j * file["Data.Imag"][0, at]
    np.testing.assert_allclose(20 * np.log10(np.abs(pressure) / 20e-6), asked["level_db"], rtol=1e-12)


def test_impulse_responses_are_listed_and_hold_the_spectrum(result: Path) -> None:
    listed = columns_of(result / "exports/impulse/impulse.csv")
    assert len(listed["azimuth_deg"]) == 70
    rate_hz, samples = wavfile.read(result / "exports/impulse/az+000_el+000.wav")
    assert rate_hz == listed["sampling_rate_hz"][0]
    polar = columns_of(result / "tables/horizontal.csv")
    seconds = listed["start_s"][0] + np.arange(len(samples)) / rate_hz
    # well inside the band, whose ends roll off
    for row in (5, 6, 7):
        pressure = samples @ np.exp(-2j * np.pi * polar["frequency_hz"][row] * seconds)
        assert abs(20 * np.log10(abs(pressure) / 20e-6) - polar["level_+000_db"][row]) < 0.1


def test_single_numbers_say_what_they_are(result: Path) -> None:
    scalars = json.loads((result / "summary.json").read_text())["scalars"]
    assert "sensitivity_2_83_v_1_m" in scalars
    # no frequency of 300 Hz to 3 kHz is in the scan
    assert scalars["sensitivity_2_83_v_1_m"]["value"] is None
    assert "not known" in scalars["sensitivity_2_83_v_1_m"]["note"]


def test_verdicts_travel_with_a_far_field(result: Path, tmp_path: Path) -> None:
    """A row that is not to be used is not to be used after its way out and in."""
    exported = tmp_path / "doubtful.sofa"
    exported.write_bytes((result / "exports/directivity.sofa").read_bytes())
    with h5py.File(exported, "r+") as file:
        file["VerdictCode"][0, 3:5] = 2
    assert main(["run", str(exported), "-o", str(tmp_path), "--tables-only"]) == 0
    bands = json.loads((tmp_path / "doubtful/summary.json").read_text())["bands"]
    assert [band["verdict"] for band in bands] == ["caution", "do not use", "caution"]


def test_a_true_pressure_comes_back_without_numbers_of_a_far_field(result: Path, tmp_path: Path) -> None:
    true = GRID + '[extrapolation]\nquantity = "true pressure"\nreference_distance_m = 2\n'
    (tmp_path / "true.toml").write_text(true, encoding="utf-8")
    tables = ["tables", str(result), "-s", str(tmp_path / "true.toml"), "-o", str(tmp_path), "--tables-only"]
    assert main(tables) == 0
    exported = tmp_path / "pair.tables/exports/directivity.sofa"
    assert main(["run", str(exported), "-o", str(tmp_path / "in"), "--tables-only"]) == 0
    summary = json.loads((tmp_path / "in/directivity/summary.json").read_text())
    assert summary["scalars"] == {}
    assert any("pressure at 2 m, no far field" in notice for notice in summary["notices"])
    before, after = (
        columns_of(one / "tables/cta2034a.csv")["on_axis_db"]
        for one in (tmp_path / "pair.tables", tmp_path / "in/directivity")
    )
    np.testing.assert_allclose(after, before, rtol=0, atol=1e-9)


def test_one_frequency_is_enough(result: Path, tmp_path: Path) -> None:
    assert result.is_dir()
    (tmp_path / "one.toml").write_text("[spectra]\nlowest_hz = 125.0\ncount = 1\n", encoding="utf-8")
    arguments = ["-s", str(tmp_path / "one.toml"), "-o", str(tmp_path), "--tables-only"]
    assert main(["run", str(result.parents[1] / "pair.h5"), *arguments]) == 0
    assert np.isfinite(columns_of(tmp_path / "pair/tables/cta2034a.csv")["on_axis_db"]).all()


def test_exports_of_a_run_and_of_its_results_are_the_same_bytes(result: Path, tmp_path: Path) -> None:
    """Errors and all: nothing in them is drawn anew, and no fact changes its place."""
    assert main(["tables", str(result), "-o", str(tmp_path), "--tables-only"]) == 0
    names = sorted(path.relative_to(result).as_posix() for path in (result / "exports").rglob("*") if path.is_file())
    for name in (*names, "tables/directivity.csv"):
        assert (tmp_path / "pair.tables" / name).read_bytes() == (result / name).read_bytes(), name


def test_harmonics_say_what_they_leave_out(result: Path, tmp_path: Path) -> None:
    (tmp_path / "harmonics.toml").write_text(GRID + '[exports]\nformats = ["harmonics"]\n', encoding="utf-8")
    arguments = ["-s", str(tmp_path / "harmonics.toml"), "-o", str(tmp_path), "--tables-only"]
    assert main(["tables", str(result), *arguments]) == 0
    with h5py.File(tmp_path / "pair.tables/exports/directivity_harmonics.sofa", "r") as file:
        told = file.attrs["HarmonicsBeyond"].decode()
        power_w = file["SoundPower"][0]
        coefficients = file["Data.Real"][0] + 1j * file["Data.Imag"][0]
    # all of the power but rounding: the mean square of real harmonics is 1, rho c of 20 degrees 413 Pa s/m
    assert told.startswith("at most -1")
    assert told.endswith(" beyond degree " + str(round(np.sqrt(len(coefficients))) - 1))
    np.testing.assert_allclose(4 * np.pi * np.sum(np.abs(coefficients) ** 2, axis=0) / power_w, 413.0, rtol=0.01)
