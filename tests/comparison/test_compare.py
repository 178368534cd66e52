"""Two results side by side: known differences come out, bands combine as independent errors do."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from comparison.result_folders import CTA, FACTS, FREQUENCY_HZ, curve_db, tables_of, written

from fieldproc.cli import main
from fieldproc.comparison import Compared, compare
from fieldproc.errors import ExitCode, SessionError, UsageError
from fieldproc.records import Scalar, Table, Verdict
from fieldproc.results import read_table, write_folder

# Levels of some 85 dB are rounded to 1e-14 of them, twice.
ROUNDING_DB = 1e-12


def table_of(compared: Compared, folder: Path, name: str, below: str = "tables") -> Table:
    write_folder(folder / "out", compared.files)
    return read_table(folder / "out" / below / f"{name}.csv")


def summary_of(compared: Compared) -> dict[str, dict[str, dict[str, float]]]:
    found: dict[str, dict[str, dict[str, float]]] = json.loads(compared.files["summary.json"])
    return found


def pair(folder: Path, one: dict[str, Table], two: dict[str, Table]) -> list[Path]:
    return [written(folder / name, [tables]) for name, tables in (("first", one), ("second", two))]


def test_known_differences_and_their_bands(tmp_path: Path) -> None:
    """0.7 dB, with bands of -0.3 +0.4 and -0.6 +0.5: low by root(0.6^2 + 0.4^2), high by root(0.5^2 + 0.3^2)."""
    compared = compare(pair(tmp_path, tables_of(), tables_of(louder_db=0.7, reach_db=(0.6, 0.5))))
    table = table_of(compared, tmp_path, "difference_cta2034a")
    ends = [f"{name}_{end}_db" for name in CTA for end in ("low", "high")]
    assert list(table.header) == ["frequency_hz", *(f"{name}_db" for name in CTA), *ends]
    np.testing.assert_array_equal(table.column("frequency_hz"), FREQUENCY_HZ)
    for name in CTA:
        np.testing.assert_allclose(table.column(f"{name}_db"), 0.7, atol=ROUNDING_DB)
        np.testing.assert_allclose(table.column(f"{name}_low_db"), 0.7 - math.hypot(0.6, 0.4), atol=ROUNDING_DB)
        np.testing.assert_allclose(table.column(f"{name}_high_db"), 0.7 + math.hypot(0.5, 0.3), atol=ROUNDING_DB)
    assert (table.facts["reference"], table.facts["other"]) == ("first", "second")
    assert "would cancel, and is not taken off" in str(table.facts["bands"])
    directivity = read_table(tmp_path / "out" / "tables" / "difference_directivity.csv")
    np.testing.assert_allclose(directivity.column("sound_power_db"), 0.7, atol=ROUNDING_DB)
    np.testing.assert_allclose(directivity.column("directivity_index_db"), 0.0, atol=ROUNDING_DB)
    assert not any("coverage" in name for name in directivity.header)
    assert compared.notices == ()


def test_the_twin_row_by_row(tmp_path: Path) -> None:
    """Other grids: every row by hand, from the two rows of the finer result on either side."""
    fine_hz = 30.0 * 2.0 ** (np.arange(200) / 23.0)
    coarse_hz = 40.0 * 2.0 ** (np.arange(100) / 10.0)
    rng = np.random.default_rng(2)
    fine = tables_of(fine_hz, louder_db=rng.normal(size=200))
    coarse = tables_of(coarse_hz, louder_db=rng.normal(size=100), reach_db=(1.0, 2.0))
    table = table_of(compare(pair(tmp_path, fine, coarse)), tmp_path, "difference_cta2034a")
    inside_hz = coarse_hz[coarse_hz <= fine_hz[-1]]
    np.testing.assert_array_equal(table.column("frequency_hz"), inside_hz)
    assert "rows of the coarser result" in str(table.facts["frequency_grid"])
    for row, hz in enumerate(inside_hz):
        right = int(np.flatnonzero(fine_hz >= hz)[0])
        share = math.log(hz / fine_hz[right - 1]) / math.log(fine_hz[right] / fine_hz[right - 1])
        level = fine["cta2034a"].column("sound_power_db")
        before = (1.0 - share) * level[right - 1] + share * level[right]
        expected = coarse["cta2034a"].column("sound_power_db")[row] - before
        assert table.column("sound_power_db")[row] == pytest.approx(expected, abs=ROUNDING_DB)
        assert table.column("sound_power_low_db")[row] == pytest.approx(expected - math.hypot(1.0, 0.4), abs=1e-11)
        assert table.column("sound_power_high_db")[row] == pytest.approx(expected + math.hypot(2.0, 0.3), abs=1e-11)


def test_other_grids_keep_straight_curves_straight(tmp_path: Path) -> None:
    other_hz = 25.0 * 2.0 ** (np.arange(100) / 11.0)
    table = table_of(
        compare(pair(tmp_path, tables_of(), tables_of(other_hz, louder_db=-1.5))), tmp_path, "difference_cta2034a"
    )
    inside_hz = other_hz[other_hz <= FREQUENCY_HZ[-1]]
    np.testing.assert_array_equal(table.column("frequency_hz"), inside_hz)
    for name in CTA:
        np.testing.assert_allclose(table.column(f"{name}_db"), -1.5, atol=ROUNDING_DB)


def test_a_row_that_is_met_needs_no_neighbour(tmp_path: Path) -> None:
    """Every second row of the reference, in which all others are silent or unknown."""
    louder = np.zeros(240)
    louder[1::4], louder[3::4] = -np.inf, np.nan
    fine = tables_of(louder_db=louder, reach_db=None)
    table = table_of(
        compare(pair(tmp_path, fine, tables_of(FREQUENCY_HZ[::2], louder_db=2.0))), tmp_path, "difference_cta2034a"
    )
    np.testing.assert_array_equal(table.column("frequency_hz"), FREQUENCY_HZ[::2])
    np.testing.assert_allclose(table.column("on_axis_db"), 2.0, atol=ROUNDING_DB)
    assert np.isnan(table.column("on_axis_low_db")).all()


def test_silence_has_no_difference_to_silence(tmp_path: Path) -> None:
    silent = np.zeros(240)
    silent[:10] = -np.inf
    loud = silent.copy()
    loud[5:10] = 0.0
    table = table_of(
        compare(pair(tmp_path, tables_of(louder_db=silent), tables_of(louder_db=loud))),
        tmp_path,
        "difference_cta2034a",
    )
    assert np.isnan(table.column("on_axis_db")[:5]).all()
    assert (table.column("on_axis_db")[5:10] == np.inf).all()
    assert np.isnan(table.column("on_axis_low_db")[:5]).all()
    np.testing.assert_array_equal(table.column("on_axis_db")[10:], 0.0)


def test_scalars_with_intervals_and_without(tmp_path: Path) -> None:
    scalars = [
        {
            "sensitivity": Scalar(86.0, "dB", 85.8, 86.3, "300 Hz to 3 kHz"),
            "limit": Scalar(41.0, "Hz", note="at -6 dB"),
            "tilt": Scalar(1.0, "dB"),
            "only_here": Scalar(1.0, "m"),
        },
        {
            "sensitivity": Scalar(87.5, "dB", 87.1, 87.9, "1 kHz"),
            "limit": Scalar(38.0, "Hz", 37.0, 39.0, "at -6 dB"),
            "tilt": Scalar(1.0, ""),
        },
    ]
    paths = [written(tmp_path / name, [tables_of()], own) for name, own in zip("ab", scalars, strict=True)]
    compared = compare(paths)
    found = summary_of(compared)["scalars"]
    assert compared.notices == ("b: sensitivity: 1 kHz; in the reference 300 Hz to 3 kHz",)
    sensitivity = found["difference_sensitivity"]
    assert sensitivity["unit"] == "dB"
    assert sensitivity["value"] == pytest.approx(1.5, abs=ROUNDING_DB)
    assert sensitivity["low"] == pytest.approx(1.5 - math.hypot(0.4, 0.3), abs=ROUNDING_DB)
    assert sensitivity["high"] == pytest.approx(1.5 + math.hypot(0.4, 0.2), abs=ROUNDING_DB)
    assert found["difference_limit"] == {"value": -3.0, "unit": "Hz", "low": None, "high": None, "note": "at -6 dB"}
    # other units, or not in both
    assert not {"difference_tilt", "difference_only_here"} & set(found)


def test_mean_and_largest_over_what_may_be_used(tmp_path: Path) -> None:
    """1 dB below 1 kHz and 3 above, 9 where it must not be used, 30 outside 200 Hz to 10 kHz."""
    louder = np.where(FREQUENCY_HZ < 1000.0, 1.0, 3.0)
    louder[(FREQUENCY_HZ < 200.0) | (FREQUENCY_HZ > 10_000.0)] = 30.0
    verdict = np.zeros(240, dtype=np.int64)
    barred = (FREQUENCY_HZ > 3000.0) & (FREQUENCY_HZ < 4000.0)
    verdict[barred], louder[barred] = Verdict.DO_NOT_USE, -9.0
    louder[FREQUENCY_HZ.searchsorted(2000.0)] = -3.5
    compared = compare(pair(tmp_path, tables_of(), tables_of(louder_db=louder, verdict=verdict)))
    used = (FREQUENCY_HZ >= 200.0) & (FREQUENCY_HZ <= 10_000.0) & ~barred
    found = summary_of(compared)["scalars"]
    mean = found["mean_difference_cta2034a_on_axis"]
    assert mean["value"] == pytest.approx(louder[used].mean(), abs=1e-10)
    # errors that all frequencies may share do not average out
    assert mean["high"] - mean["value"] == pytest.approx(math.hypot(0.4, 0.3), abs=1e-10)
    assert found["largest_difference_cta2034a_on_axis"]["value"] == pytest.approx(-3.5, abs=ROUNDING_DB)
    (line,) = [line for line in compared.lines if line.startswith("on axis ")]
    assert line.split() == [
        "on", "axis", f"{louder[used].mean():+.2f}", f"{mean['low']:+.2f}", "to", f"{mean['high']:+.2f}",
        "-3.50", "2032",
    ]  # fmt: skip
    assert all(len(line) <= 100 for line in compared.lines)
    bands = json.loads(compared.files["summary.json"])["bands"]
    assert [band["verdict"] for band in bands] == ["good", "do not use", "good"]


def test_three_results_have_tables_of_their_own(tmp_path: Path) -> None:
    paths = [
        written(tmp_path / name, [tables_of(louder_db=louder)])
        for name, louder in zip("abc", (0, 1, -2), strict=True)
    ]
    compared = compare(paths)
    for number, louder in ((1, 1.0), (2, -2.0)):
        table = table_of(compared, tmp_path, f"difference_cta2034a_{number}")
        np.testing.assert_allclose(table.column("on_axis_db"), louder, atol=ROUNDING_DB)
        found = summary_of(compared)["scalars"][f"mean_difference_cta2034a_on_axis_{number}"]
        assert found["value"] == pytest.approx(louder, abs=ROUNDING_DB)
    assert [line for line in compared.lines if "minus" in line] == ["b minus a", "c minus a"]


def test_results_of_one_name_are_told_apart(tmp_path: Path) -> None:
    paths = [written(tmp_path / run / "box", [tables_of()]) for run in ("before", "after")]
    assert compare(paths).lines[0] == "after/box minus before/box"
    assert compare([paths[0], paths[0]]).lines[0] == "before/box (2) minus before/box (1)"


def test_channel_is_compared_with_channel(tmp_path: Path) -> None:
    one = written(tmp_path / "one", [tables_of(), tables_of(louder_db=5.0)])
    two = written(
        tmp_path / "two", [tables_of(louder_db=1.0), tables_of(louder_db=7.0)], channel_names=("full range", "bass")
    )
    compared = compare([one, two])
    for channel, louder in ((0, 1.0), (1, 2.0)):
        table = table_of(compared, tmp_path, "difference_cta2034a", f"tables/channel-{channel}")
        np.testing.assert_allclose(table.column("on_axis_db"), louder, atol=ROUNDING_DB)
    assert {"figures/channel-0/differences.svg", "figures/channel-1/differences.png"} < set(compared.files)
    assert compared.notices == (
        "two: channels are full range, bass; compared, in this order, with full range, woofer",
    )
    alone = written(tmp_path / "alone", [tables_of()])
    with pytest.raises(UsageError, match="alone has 1 channels, one 2"):
        compare([one, alone])


def test_what_is_not_alike_is_told_or_refused(tmp_path: Path) -> None:
    other = {**FACTS, "drive_voltage_v": 5.66, "reference_distance_m": 2.0, "axis_origin_m": "0.1 0 0"}
    notices = compare(pair(tmp_path, tables_of(), tables_of(facts=other))).notices
    assert notices == (
        "second: reference distance in m: 2.0, in the reference 1.0",
        "second: drive voltage in V: 5.66, in the reference 2.83; +6.02 dB of every level come from that alone",
        "second: origin of the axes in m: 0.1 0 0, in the reference 0.15 0 0",
    )
    relative = {**FACTS, "level_reference": "relative: 20e-6 of the unit of the data"}
    with pytest.raises(UsageError, match=r"second has levels re relative.*their difference means nothing"):
        compare(pair(tmp_path, tables_of(), tables_of(facts=relative)))


def test_grids_without_a_common_band(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no band to compare"):
        compare(pair(tmp_path, tables_of(FREQUENCY_HZ[:100]), tables_of(FREQUENCY_HZ[120:])))


def test_results_without_verdicts_are_to_be_taken_with_caution(tmp_path: Path) -> None:
    compared = compare(pair(tmp_path, tables_of(), tables_of(verdict=None, reach_db=None)))
    assert json.loads(compared.files["summary.json"])["verdict"] == "caution"
    assert "not known" in compared.lines[2]


@pytest.mark.parametrize(
    ("file", "data", "words"),
    [
        ("tables/cta2034a.csv", b"frequency_hz,on_axis_db\n20,x\n", "line 2"),
        ("tables/cta2034a.csv", b"f,on_axis_db\n20,80\n", "required frequency_hz"),
        ("tables/quality.csv", b"frequency_hz,code\n20,0\n", "required frequency_hz, verdict_code"),
        ("tables/directivity.csv-metadata.json", b"{}", "no facts of a table"),
        ("summary.json", b'{"channels": ["a"]}', "no summary of a run"),
        ("summary.json", b'{"channels": ["a"], "scalars": {"x": {"value": 1}}}', "no summary of a run"),
    ],
)
def test_broken_results_are_refused(tmp_path: Path, file: str, data: bytes, words: str) -> None:
    paths = pair(tmp_path, tables_of(), tables_of())
    (paths[1] / file).write_bytes(data)
    with pytest.raises(SessionError) as refused:
        compare(paths)
    assert str(paths[1] / file) in str(refused.value)
    assert words in str(refused.value)


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    paths = [str(path) for path in pair(tmp_path, tables_of(), tables_of(louder_db=0.5))]
    for name in ("one", "two"):
        assert main(["compare", *paths, "-o", str(tmp_path / name)]) == ExitCode.DONE
    told = capsys.readouterr().out
    folders = [tmp_path / name / "first.compare" for name in ("one", "two")]
    files = sorted(path.relative_to(folders[0]).as_posix() for path in folders[0].rglob("*") if path.is_file())
    assert files == [
        "compare.txt", "figures/differences.png", "figures/differences.svg", "summary.json",
        "tables/difference_cta2034a.csv", "tables/difference_cta2034a.csv-metadata.json",
        "tables/difference_directivity.csv", "tables/difference_directivity.csv-metadata.json",
    ]  # fmt: skip
    for name in files:
        data = (folders[0] / name).read_bytes()
        assert data == (folders[1] / name).read_bytes()
        assert len(data) > 100
    assert (folders[0] / "compare.txt").read_text() in told
    assert main(["compare", *paths]) == ExitCode.DONE
    assert "-> " not in capsys.readouterr().out
    assert main(["compare", paths[0]]) == ExitCode.USAGE
    assert "give two result folders or more" in capsys.readouterr().err
    assert main(["compare", paths[0], str(tmp_path / "none")]) == ExitCode.USAGE
    assert main(["compare", paths[0], str(tmp_path)]) == ExitCode.USAGE
    assert "summary.json: no such file" in capsys.readouterr().err


def test_curves_of_the_folders_are_what_they_say() -> None:
    """The helper itself: an octave down half a decibel, but on axis."""
    one, two = curve_db("sound_power", np.array([1000.0, 2000.0]))
    assert one - two == pytest.approx(0.5)
    assert np.ptp(curve_db("on_axis", FREQUENCY_HZ)) == 0.0
