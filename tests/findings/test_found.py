"""Findings from end to end: what a run writes, what the command tells, what the page shows."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pair import write_pair

from fieldproc.cli import main
from fieldproc.findings.sections import Section, response
from fieldproc.results import read_table

# The band of the scan is two octaves: what is looked for there needs other bands than by default.
SETTINGS = """
[spectra]
lowest_hz = 63.0
per_octave = 12
count = 25
[expansion]
origin_m = [0, 0, 0]
[exports]
formats = []
[uncertainty]
draws = 8
[findings]
trend_band_hz = [63, 250]
departure_band_hz = [63, 250]
least_departure_db = 0.3
[equalizer]
band_hz = [63, 250]
target = -2
[placement]
front_wall_m = 0.6
side_wall_m = 1.2
[seat]
height_m = 0.3
wanted_level_db = 90
[amplifier]
power_w = 60
rated_impedance_ohm = 6
[scalars]
sensitivity_band_hz = [80, 200]
"""


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("found")
    write_pair(place / "pair.h5")
    (place / "settings.toml").write_text(SETTINGS, encoding="utf-8")
    assert main(["run", str(place / "pair.h5"), "-o", str(place / "out"), "-s", str(place / "settings.toml")]) == 0
    return place / "out/pair"


def document(folder: Path) -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    (channel,) = json.loads((folder / "findings.json").read_bytes(), parse_constant=refuse)["channels"]
    return channel


def topics(folder: Path) -> dict[str, list[str]]:
    return {one["topic"]: one["told"] for one in document(folder)["sentences"]}


def test_a_run_finds(result: Path) -> None:
    told = topics(result)
    assert list(told) == ["neutrality", "equaliser", "aim and seat", "bass", "level"]
    assert told["neutrality"][0].startswith("The listening window follows a line of ")
    assert any(
        line.startswith("Placed 0.6 m from the front wall and 1.2 m from the side wall, ") for line in told["bass"]
    )
    assert told["level"][0].startswith("At the seat one loudspeaker reaches ")
    assert "hearing" in told["level"][-1]
    tables = {path.stem for path in (result / "tables").glob("*.csv")}
    assert {"departures", "aim", "placement", "equalizer", "cta2034a_equalized", "vertical_equalized"} <= tables
    # everything that was written is listed, and so kept by a second run
    assert "findings.json" in json.loads((result / "summary.json").read_bytes())["provenance"]["outputs_sha256"]


def test_the_level_is_that_of_the_closed_form(result: Path) -> None:
    """20 log of voltage over 2.83 V and of distance, by hand."""
    level = document(result)["findings"]["level"]
    sensitivity_db = json.loads((result / "summary.json").read_bytes())["scalars"]["sensitivity_2_83_v_1_m"]["value"]
    expected_db = sensitivity_db + 20.0 * np.log10(np.sqrt(60.0 * 6.0) / 2.83 / 2.6)
    assert level["level_db"] == pytest.approx(expected_db, abs=1e-9)
    assert level["headroom_db"] == pytest.approx(expected_db - 90.0, abs=1e-9)


def test_tables_behind_the_equaliser_are_those_before_times_its_response(result: Path) -> None:
    before, after = (read_table(result / f"tables/{name}.csv") for name in ("cta2034a", "cta2034a_equalized"))
    rows = read_table(result / "tables/equalizer.csv")
    kinds = ("peaking", "low shelf", "high shelf")
    sections = [
        Section(kinds[int(kind)], *values)  # type: ignore[arg-type]
        for kind, *values in zip(
            *(rows.column(n) for n in ("kind_code", "frequency_hz", "gain_db", "q")), strict=True
        )
    ]
    assert sections
    change_db = 20.0 * np.log10(np.abs(response(sections, before.column("frequency_hz"), 48000.0)))
    for name in ("on_axis_db", "listening_window_db", "sound_power_db", "in_room_estimate_db"):
        # as many digits as the tables print
        np.testing.assert_allclose(after.column(name), before.column(name) + change_db, rtol=0, atol=2e-4)
    # the index of what is filtered alike in all directions does not change
    np.testing.assert_allclose(
        after.column("sound_power_di_db"), before.column("sound_power_di_db"), rtol=0, atol=2e-4
    )


def test_the_command_tells_and_writes(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["findings", str(result), "-o", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "neutrality:"
    assert lines[-1] == f"-> {tmp_path / 'pair.findings'}"
    assert (tmp_path / "pair.findings/findings.json").read_bytes() == (result / "findings.json").read_bytes()
    for name in ("equalizer", "departures", "cta2034a_equalized"):
        made, there = (place / f"tables/{name}.csv" for place in (tmp_path / "pair.findings", result))
        assert made.read_bytes() == there.read_bytes()


def test_another_target_rate_and_number_of_sections(result: Path, tmp_path: Path) -> None:
    wishes = ["--target", "-4.5", "--sampling-rate", "96000", "--one-band"]
    assert main(["findings", str(result), "-o", str(tmp_path), *wishes]) == 0
    table = read_table(tmp_path / "pair.findings/tables/equalizer.csv")
    assert len(table.values) == 1
    assert table.facts["sampling_rate_hz"] == 96000.0
    used = (tmp_path / "pair.findings/settings.toml").read_text()
    assert "target = -4.5" in used
    assert main(["findings", str(result), "-o", str(tmp_path), "--target", "flat"]) == 0
    assert 'target = "flat"' in (tmp_path / "pair.findings/settings.toml").read_text()


def test_the_page_tells(result: Path) -> None:
    page = (result / "report.html").read_text()
    assert "What the curves say" in page
    assert topics(result)["neutrality"][0].replace("±", "±") in page
    assert (result / "figures/findings.svg").is_file()
    # a rebuild finds the same
    before = (result / "report.html").read_bytes()
    assert main(["report", str(result)]) == 0
    assert (result / "report.html").read_bytes() == before


def test_findings_that_are_none_are_refused(result: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree(result, tmp_path / "pair")
    for text in ("{}", '{"channels": []}', '{"channels": [{"sentences": [{"topic": 1, "told": []}]}]}', "["):
        (tmp_path / "pair/findings.json").write_text(text)
        assert main(["report", str(tmp_path / "pair"), "-o", str(tmp_path / "page.html")]) == 4
        assert "findings.json" in capsys.readouterr().err


def test_without_findings(tmp_path: Path) -> None:
    write_pair(tmp_path / "pair.h5")
    (tmp_path / "settings.toml").write_text(
        SETTINGS.replace("[findings]\n", "[findings]\nenabled = false\n"), encoding="utf-8"
    )
    arguments = ["run", str(tmp_path / "pair.h5"), "-o", str(tmp_path), "-s", str(tmp_path / "settings.toml")]
    assert main([*arguments, "--tables-only"]) == 0
    assert not (tmp_path / "pair/findings.json").exists()
    assert not (tmp_path / "pair/tables/equalizer.csv").exists()
