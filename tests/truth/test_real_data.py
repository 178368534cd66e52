"""Loudspeakers and a head that others measured: data that owe nothing to a model of ours.

``fixtures/real/README.md`` says what the files are and where they come from. They are fetched anew for each
test session; a download that fails, fails these tests.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest
from scipy.fft import dct
from scipy.special import sph_harm_y

from fieldproc.cli import main
from fieldproc.conventions import (
    Complexes,
    Floats,
    amplitude_db,
    angles_from_directions,
    fine_polar_directions,
)
from fieldproc.records import FarField
from fieldproc.session import open_input
from fieldproc.tables import filling_notices, interpolated

REAL = Path(__file__).parents[2] / "fixtures" / "real"
CAUTION, DO_NOT_USE = 1, 2
HEAD_DISTANCE_M = 1.5
LOWEST_SCANNED_DEG = -45


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("real")
    finished = subprocess.run(
        [sys.executable, str(REAL / "fetch.py"), str(folder)], capture_output=True, text=True, check=False
    )
    assert finished.returncode == 0, finished.stderr
    return folder


def process(source: Path, settings: Path | None, output: Path) -> Path:
    """The result folder of ``fieldproc run``."""
    chosen = [] if settings is None else ["-s", str(settings)]
    assert main(["run", str(source), *chosen, "--tables-only", "-o", str(output)]) == 0
    return output / source.stem


def changed(settings: str, old: str, new: str, folder: Path) -> Path:
    """A settings file of the fixtures with one line replaced."""
    text = (REAL / settings).read_text()
    assert text.count(old) == 1
    path = folder / settings
    path.write_text(text.replace(old, new))
    return path


def read_table(path: Path) -> dict[str, Floats]:
    header = path.read_text().partition("\n")[0].split(",")
    columns = np.loadtxt(path, delimiter=",", skiprows=1, unpack=True)
    return dict(zip(header, columns, strict=True))


def test_what_is_not_the_pinned_wheel_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    spec = importlib.util.spec_from_file_location("fetch_real", REAL / "fetch.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "WHEELS", dict.fromkeys(module.WHEELS, "0" * 64))
    with pytest.raises(SystemExit, match=r"SHA-256 [0-9a-f]{64}, required 0{64}"):
        module.fetch(tmp_path / "real")
    assert not (tmp_path / "real").exists()


# --- head: a real source, a real cap without a single point ------------------------------------------


class Head:
    """The measurement itself, read without this package: (frequency, ear, direction)."""

    def __init__(self, path: Path, frequency_hz: Floats) -> None:
        with h5py.File(path) as file:
            records = file["impulse_response"][:]
            rate_hz = float(file["impulse_response"].attrs["sampling_rate_hz"])
            self.valid = file["valid"][:].astype(bool)
            self.directions = file["positions"][:] / HEAD_DISTANCE_M
        # the transform by its definition, so at the very frequencies of the settings
        turns = np.outer(frequency_hz / rate_hz, np.arange(records.shape[2]))
        self.pressure_pa = np.einsum("fn,epn->fep", np.exp(-2j * np.pi * turns), records)


def answers(folder: Path, directions: Path, output: Path) -> tuple[Floats, Complexes]:
    """Frequencies, and ``fieldproc at`` as pressures (frequency, ear, direction)."""
    distance = ["--distance", str(HEAD_DISTANCE_M)]
    assert main(["at", str(folder), "--directions", str(directions), *distance, "-o", str(output)]) == 0
    table = read_table(output)
    frequency_hz = np.unique(table["frequency_hz"])
    pressure = 20e-6 * 10 ** (table["level_db"] / 20) * np.exp(1j * np.radians(table["phase_deg"]))
    return frequency_hz, np.moveaxis(pressure.reshape(2, -1, len(frequency_hz)), 2, 0)


def rms(values: Complexes) -> Floats:
    return np.asarray(np.sqrt(np.mean(np.abs(values) ** 2, axis=-1)))


def relative_db(values: Complexes, reference: Complexes) -> Floats:
    return amplitude_db(rms(values) / rms(reference))


def cap_directions(path: Path) -> Path:
    """Directions below the lowest that was measured, evenly over the cap: equal steps of height."""
    edge = np.sin(np.radians(LOWEST_SCANNED_DEG))
    elevation_deg = np.degrees(np.arcsin(-1 + (1 + edge) * (np.arange(12) + 0.5) / 12))
    rows = [f"{azimuth},{elevation}" for elevation in elevation_deg for azimuth in range(0, 360, 15)]
    path.write_text("\n".join(["azimuth_deg,elevation_deg", *rows, ""]))
    return path


@pytest.fixture(scope="module")
def head_result(real: Path) -> Path:
    return process(real / "head.h5", REAL / "head.toml", real / "regularised")


def quality_column(folder: Path, name: str) -> Floats:
    """One column of both ears' quality tables, (frequency, ear)."""
    return np.stack([read_table(folder / f"tables/channel-{ear}/quality.csv")[name] for ear in (0, 1)], axis=1)


def test_head_is_predicted_where_it_was_held_out(real: Path, head_result: Path, tmp_path: Path) -> None:
    frequency_hz, predicted = answers(head_result, real / "head_held_out.csv", tmp_path / "at.csv")
    head = Head(real / "head.h5", frequency_hz)
    truth = head.pressure_pa[:, :, ~head.valid]
    error_db = relative_db(predicted - truth, truth)
    # Over this split and four others: -33.3 to -28.3, -31.8 to -27.8 and -28.0 to -25.1 dB.
    for hertz, limit_db in ((375.0, -26.0), (750.0, -26.0), (1500.0, -25.0)):
        assert np.all(error_db[frequency_hz == hertz] <= limit_db), hertz
    # The fit's own estimate, from the points it used, tells this error; half the spread over splits is 2.5 dB.
    left_out_db = quality_column(head_result, "leave_one_out_db")
    judged = frequency_hz <= 3000.0
    np.testing.assert_allclose(left_out_db[judged], error_db[judged], rtol=0.0, atol=2.0)
    # No room was separated and a cap is missing: never "good". What may be used with caution predicts to 6 %.
    verdict = quality_column(head_result, "verdict_code")
    assert verdict.min() == CAUTION
    assert np.all(error_db[verdict == CAUTION] <= -25.0)
    assert np.all(verdict[error_db > -20.0] == DO_NOT_USE)
    # at 6 kHz degree 20 no longer carries a head: the line above has something to check
    assert np.any(error_db > -20.0)


def test_head_is_predicted_as_well_as_the_best_order_in_hindsight(
    real: Path, head_result: Path, tmp_path: Path
) -> None:
    """Least squares of smallest norm, by numpy on scipy's harmonics, at whichever order suits the answers best."""
    frequency_hz, predicted = answers(head_result, real / "head_held_out.csv", tmp_path / "at.csv")
    used = np.isin(frequency_hz, (375.0, 750.0, 1500.0))
    head = Head(real / "head.h5", frequency_hz[used])
    x, y, z = head.directions.T
    data = np.moveaxis(head.pressure_pa, 2, 0).reshape(len(x), -1)
    errors_db = []
    for order in (14, 16, 18):
        pairs = [(n, m) for n in range(order + 1) for m in range(-n, n + 1)]
        harmonics = np.stack([sph_harm_y(n, m, np.arccos(z), np.arctan2(y, x)) for n, m in pairs], axis=1)
        coefficients = np.linalg.lstsq(harmonics[head.valid], data[head.valid], rcond=None)[0]
        left = harmonics[~head.valid] @ coefficients - data[~head.valid]
        errors_db.append(relative_db(left.T, data[~head.valid].T))
    best_db = np.min(errors_db, axis=0).reshape(-1, 2)
    truth = head.pressure_pa[:, :, ~head.valid]
    ours_db = relative_db(predicted[used] - truth, truth)
    # One order for all frequencies, chosen without the answers, cannot be the best everywhere: these three orders
    # lie up to 1.6 dB apart.
    assert np.all(ours_db <= best_db + 2.0)


def test_head_stays_bounded_where_nothing_was_measured(real: Path, head_result: Path, tmp_path: Path) -> None:
    frequency_hz, predicted = answers(head_result, cap_directions(tmp_path / "cap.csv"), tmp_path / "at.csv")
    head = Head(real / "head.h5", frequency_hz)
    # Below the head is its own body, which shades the ears: no louder there than over the directions measured.
    assert np.all(relative_db(predicted, head.pressure_pa[:, :, head.valid]) <= 0.0)


def test_head_without_regularisation_is_worthless_and_flagged(real: Path, tmp_path: Path) -> None:
    """The same order, the same points: so what holds the fit in the other tests is the regularisation."""
    plain = changed("head.toml", "[expansion]", '[expansion]\nregularisation = "never"', tmp_path)
    unregularised = process(real / "head.h5", plain, tmp_path)
    cap = cap_directions(tmp_path / "cap.csv")
    frequency_hz, predicted = answers(unregularised, real / "head_held_out.csv", tmp_path / "at.csv")
    _, in_cap = answers(unregularised, cap, tmp_path / "cap_at.csv")
    head = Head(real / "head.h5", frequency_hz)
    truth = head.pressure_pa[:, :, ~head.valid]
    # Errors larger than the sound itself, in the cap ten times at least. Measured: by 240 dB and more, for the
    # matrix is singular to rounding.
    assert np.all(relative_db(predicted - truth, truth) > 0.0)
    assert np.all(relative_db(in_cap, truth) > 20.0)
    assert np.all(quality_column(unregularised, "verdict_code") == DO_NOT_USE)


# --- two-way loudspeaker: magnitudes on a 1 degree sphere ---------------------------------------------

# Computed from the file apart from this package (Clenshaw-Curtis over rings of 1 degree).
DIRECTIVITY_INDEX_DB = {1000.0: 4.321, 2000.0: 7.395, 4000.0: 9.085, 8000.0: 9.548}
EMPTY_BAND_HZ = 25.0


def directivity_index_on_4_degrees(path: Path) -> Floats:
    """On axis (+z) re the sphere mean, from one direction in sixteen.

    The file's |H| holds no degree above 20 (181 dB down), so |H|^2 none above 40, and rings 4 degrees apart
    average it exactly: Clenshaw & Curtis, Numer. Math. 2 (1960) 197, by the cosine series in colatitude.
    """
    with h5py.File(path) as file:
        power = file["Data.Real"][0] ** 2
        position = file["ReceiverPosition"][:]
    colatitude_deg = np.degrees(np.arccos(np.clip(position[:, 2], -1.0, 1.0)))
    azimuth_deg = np.degrees(np.arctan2(position[:, 1], position[:, 0]))
    steps = np.arange(0, 181, 4)
    on_grid = np.abs(azimuth_deg / 4 - np.round(azimuth_deg / 4)) < 1e-6
    rings = [power[on_grid & (np.abs(colatitude_deg - step) < 1e-6)].mean(axis=0) for step in steps]
    cosines = dct(np.array(rings), type=1, axis=0) / (len(steps) - 1)
    cosines[[0, -1]] /= 2
    even = np.arange(0, len(steps), 2)
    mean = 0.5 * (2.0 / (1.0 - even**2)) @ cosines[::2]
    on_axis = power[np.argmax(position[:, 2])]
    return np.asarray(10 * np.log10(on_axis / mean))


@pytest.fixture(scope="module")
def two_way_result(real: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return process(real / "two_way_magnitudes.sofa", REAL / "two_way.toml", tmp_path_factory.mktemp("two way"))


def test_two_way_directivity(real: Path, two_way_result: Path) -> None:
    path = real / "two_way_magnitudes.sofa"
    directivity = read_table(two_way_result / "tables" / "directivity.csv")
    frequency_hz, index_db = directivity["frequency_hz"], directivity["directivity_index_db"]
    for hertz, value_db in DIRECTIVITY_INDEX_DB.items():
        # the digits printed above
        assert index_db[frequency_hz == hertz] == pytest.approx(value_db, abs=6e-4)
    # the degrees above 20 left in the file come to 1e-8 dB
    measured = frequency_hz != EMPTY_BAND_HZ
    np.testing.assert_allclose(
        index_db[measured], directivity_index_on_4_degrees(path)[measured], rtol=0.0, atol=1e-7
    )


def test_two_way_exported_comes_back_in_as_the_same_tables(two_way_result: Path, tmp_path: Path) -> None:
    again = process(two_way_result / "exports" / "directivity.sofa", None, tmp_path) / "tables"
    for name in ("cta2034a", "horizontal", "vertical", "directivity", "bands_3", "cta2034a_smoothed"):
        before, after = (read_table(tables / f"{name}.csv") for tables in (two_way_result / "tables", again))
        assert list(after) == list(before)
        for column, values in before.items():
            np.testing.assert_allclose(after[column], values, rtol=0, atol=1e-9, err_msg=f"{name} {column}")


def test_two_way_tables(two_way_result: Path) -> None:
    folder = two_way_result
    curves = read_table(folder / "tables" / "cta2034a.csv")
    empty = curves["frequency_hz"] == EMPTY_BAND_HZ
    assert np.count_nonzero(empty) == 1
    levels = np.stack([column for name, column in curves.items() if name != "frequency_hz"])
    assert np.all(np.isnan(levels[:, empty]))
    assert np.all(np.isfinite(levels[:, ~empty]))
    for plane in ("horizontal", "vertical"):
        polar = read_table(folder / "tables" / f"{plane}.csv")
        phases = [column for name, column in polar.items() if name.startswith("phase_")]
        assert len(phases) == 36
        assert np.all(np.isnan(phases))
    bands = json.loads((folder / "summary.json").read_text())["bands"]
    assert [(band["lowest_hz"], band["highest_hz"], band["verdict"]) for band in bands] == [
        (20.0, 20.0, "caution"),
        (EMPTY_BAND_HZ, EMPTY_BAND_HZ, "do not use"),
        (31.5, 20000.0, "caution"),
    ]


def test_two_way_from_every_fifth_degree(real: Path) -> None:
    """One direction in 26 gives the others: |H| holds degree 20 and nothing above, and the directions carry 35."""
    whole = open_input(real / "two_way_magnitudes.sofa")
    assert isinstance(whole, FarField)
    whole = whole.picked("frequency", np.isin(whole.frequency_hz, list(DIRECTIVITY_INDEX_DB)))
    azimuth_deg, elevation_deg = angles_from_directions(whole.directions)
    fifth = [np.abs(angle / 5 - np.round(angle / 5)) < 1e-6 for angle in (azimuth_deg, elevation_deg)]
    thinned = whole.picked("direction", fifth[0] & fifth[1])
    assert len(thinned.directions) == 72 * 35 + 2
    others = whole.picked("direction", np.flatnonzero(~(fifth[0] & fifth[1]))[::20])
    filled = interpolated(thinned, others.directions)
    # asked for: 0.01 dB. The degrees above 20 left in the file come to 1e-6 dB.
    ratio = np.abs(filled.far_field.pressure_pa) / np.abs(others.pressure_pa)
    np.testing.assert_allclose(20 * np.log10(ratio), 0.0, rtol=0, atol=1e-5)
    assert np.all(filled.degree == 20)
    assert np.all(filled.held_out_db < -140.0)
    # the mean over the sphere by the harmonics fitted: the indices printed above, front +z
    front = np.abs(whole.pressure_pa[:, 0, np.argmax(whole.directions[:, 2])]) ** 2
    index_db = 10 * np.log10(front / filled.mean_square_pa2[:, 0])
    np.testing.assert_allclose(index_db, list(DIRECTIVITY_INDEX_DB.values()), rtol=0, atol=6e-4)


# --- three-unit source: complex, but third-octave values and no sound field ---------------------------


def test_three_unit_tables_hold_what_the_file_holds(real: Path, tmp_path: Path) -> None:
    path = real / "three_unit_source.sofa"
    folder = process(path, None, tmp_path)
    names = json.loads((folder / "summary.json").read_text())["channels"]
    assert [name.split("-")[0] for name in names] == ["high", "mid", "low"]
    with h5py.File(path) as file:
        magnitude = np.abs(file["Data.Real"][:] + 1j * file["Data.Imag"][:])
        azimuth_deg, elevation_deg = file["ReceiverPosition"][:, :2, 0].T
    on_axis = (azimuth_deg == 0) & (elevation_deg == 0)
    left = (azimuth_deg == 90) & (elevation_deg == 0)
    for channel in range(3):
        below = folder / "tables" / f"channel-{channel}"
        curves, horizontal = read_table(below / "cta2034a.csv"), read_table(below / "horizontal.csv")
        # rounding of decibels of the order of 100
        for column, there in ((curves["on_axis_db"], on_axis), (horizontal["level_+090_db"], left)):
            expected = amplitude_db(magnitude[channel, there][0] / 20e-6)
            np.testing.assert_allclose(column, expected, rtol=1e-12)


def test_three_unit_values_are_not_expanded_in_between(real: Path) -> None:
    """Phases between the directions stay unknown, and levels come with the error that says how little they mean."""
    source = open_input(real / "three_unit_source.sofa")
    assert isinstance(source, FarField)
    filled = interpolated(source, fine_polar_directions())
    hertz = source.frequency_hz
    of_unit = {name.split("-")[0]: channel for channel, name in enumerate(source.channel_names)}
    assert not filled.phase_known[hertz >= 160.0, of_unit["mid"]].any()
    assert not filled.phase_known[:, of_unit["high"]].any()
    # magnitudes of complex noise scatter by -6.7 dB of their rms, and that is all that is known of these
    high = filled.held_out_db[hertz >= 2000.0, of_unit["high"]]
    assert np.all((high > -8.0) & (high < -4.0))
    assert any("is a guess" in notice for notice in filling_notices(filled))
    # one value copied to all directions: a monopole, to rounding
    assert np.all(filled.held_out_db[:, of_unit["low"]] < -250.0)


def test_three_unit_values_are_no_sound_field_and_flagged(real: Path, tmp_path: Path) -> None:
    """However many waves are fitted, points left out are predicted no better, and the quality table says so."""
    scan = real / "three_unit_as_scan.h5"
    quick = "\n[exports]\nformats = []\n[uncertainty]\nenabled = false\n"
    orders = {4: "outgoing = 4" + quick, 16: "outgoing = 16" + quick}
    folders = [
        process(scan, changed("three_unit.toml", "outgoing = 16", chosen, tmp_path), tmp_path / str(order))
        for order, chosen in orders.items()
    ]
    channels = json.loads((folders[0] / "summary.json").read_text())["channels"]
    for unit, lowest_hz, highest_hz in (("high", 2000, 16000), ("mid", 630, 630), ("mid", 1250, 1250)):
        below = f"tables/channel-{channels.index(f'{unit} unit')}/quality.csv"
        low, high = (read_table(folder / below) for folder in folders)
        band = (low["frequency_hz"] >= lowest_hz) & (low["frequency_hz"] <= highest_hz)
        assert band.any()
        assert np.all(high["condition"] < 10)
        # Up to 2 kHz order 16 leaves out less than -100 dB of any sound field from within 0.2 m: points left out
        # of the fit would be predicted down to the noise. Here 289 coefficients do it hardly better than 25 (3 dB).
        assert np.all(high["leave_one_out_db"][band] > low["leave_one_out_db"][band] - 6.0)
        # it is these predictions, not the order, that condemn the fit: its limit for "do not use"
        assert np.all(high["leave_one_out_db"][band] > -15.0)
        assert np.all(high["verdict_code"][band] == DO_NOT_USE)
