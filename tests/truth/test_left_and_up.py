"""A cap that faces left and up shows left and up in the tables, through the whole command.

The simulation knows directions in scan axes only; signs of angles come from AES69: azimuth positive to the
left of a listener's forward direction, elevation positive up. ``tests/report`` follows the sign from the
tables into the figures.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from fieldproc.cli import main
from fieldproc.session import write_session
from fieldproc.simulate import Scene, simulate


def columns(path: Path) -> dict[str, np.ndarray]:
    rows = list(csv.reader(path.read_text().splitlines()))
    return dict(zip(rows[0], np.array(rows[1:], dtype=float).T, strict=True))


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("left")
    scene = Scene.model_validate(
        {
            "title": "Cap facing left and up",
            "source": {
                "kind": "sphere caps",
                "radius_m": 0.1,
                "caps": ({"azimuth_deg": 50.0, "elevation_deg": 40.0, "half_angle_deg": 30.0},),
            },
            "scan": {"kind": "cylinder", "points": 400},
            "recording": {"kind": "transfer function", "frequency_hz": (500.0, 1000.0, 1500.0)},
        }
    )
    write_session(simulate(scene, seed=1), folder / "left.h5")
    settings = folder / "settings.toml"
    settings.write_text("[exports]\nformats = []\n")
    assert main(["run", str(folder / "left.h5"), "-o", str(folder), "-s", str(settings), "--tables-only"]) == 0
    return folder / "left" / "tables"


def test_left_is_louder_than_right(tables: Path) -> None:
    polar = columns(tables / "horizontal.csv")
    # the cap on a 0.1 m sphere leads its opposite by several dB from 500 Hz on
    assert np.all(polar["level_+050_db"] > polar["level_-050_db"] + 0.5)
    assert np.all(polar["level_+130_db"] > polar["level_-130_db"])


def test_up_is_louder_than_down(tables: Path) -> None:
    polar = columns(tables / "vertical.csv")
    assert np.all(polar["level_+040_db"] > polar["level_-040_db"] + 0.5)
    curves = columns(tables / "cta2034a.csv")
    assert np.all(curves["ceiling_bounce_db"] > curves["floor_bounce_db"] + 0.5)


def test_the_loudest_direction_is_the_one_the_cap_faces(tables: Path, capsys: pytest.CaptureFixture[str]) -> None:
    levels = {}
    for azimuth in (-130, -50, 50, 130):
        for elevation in (-40, 40):
            words = ["at", str(tables.parent), "--azimuth", str(azimuth), "--elevation", str(elevation)]
            assert main(words) == 0
            rows = list(csv.DictReader(capsys.readouterr().out.splitlines()))
            levels[azimuth, elevation] = float(rows[1]["level_db"])
    assert max(levels, key=lambda direction: levels[direction]) == (50, 40)
