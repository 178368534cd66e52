"""The shipped point source with its outer surface stated 2 mm too far out: validation fails, and says for what."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fieldproc.cli import main
from fieldproc.records import Session
from fieldproc.session import open_input, write_session

FIXTURE = Path(__file__).parents[2] / "fixtures" / "point_source.h5"
TOO_FAR_M = 2e-3
# Enough to judge a surface by, and quick: no gate, and no other faults looked for.
SETTINGS = """
[spectra]
lowest_hz = 62.5
per_octave = 1
count = 5
[gate]
enabled = false
[uncertainty]
enabled = false
[mending]
bad_points = false
drift = false
"""


def displaced(session: Session, outward_m: float) -> np.ndarray:
    """Positions with the outer cylinder larger by so much, all around and at both ends."""
    positions_m = session.positions_m.copy()
    outer = session.surface == 1
    radius_m, height_m = np.hypot(positions_m[:, 0], positions_m[:, 1]), np.abs(positions_m[:, 2])
    side = outer & np.isclose(radius_m, radius_m[outer].max())
    end = outer & np.isclose(height_m, height_m[outer].max())
    assert np.all(side | end == outer)
    positions_m[side, :2] *= (1.0 + outward_m / radius_m[side])[:, None]
    positions_m[end, 2] += outward_m * np.sign(positions_m[end, 2])
    return positions_m


def validated(folder: Path, outward_m: float, more: str = "") -> tuple[int, list[str], dict[str, dict[str, float]]]:
    """Exit code, notices and scalars of the command."""
    session = open_input(FIXTURE)
    assert isinstance(session, Session)
    write_session(replace(session, positions_m=displaced(session, outward_m)), folder / "scan.h5")
    (folder / "settings.toml").write_text(SETTINGS + more, encoding="utf-8")
    code = main(["validate", str(folder / "scan.h5"), "-o", str(folder), "-s", str(folder / "settings.toml")])
    summary = json.loads((folder / "scan.validate" / "summary.json").read_text())
    return code, summary["notices"], summary["scalars"]


def test_as_it_is_it_passes(tmp_path: Path) -> None:
    code, _, scalars = validated(tmp_path, 0.0)
    assert code == 0
    # noise 60 dB below the sound, 840 points
    assert scalars["largest_off_monopole"]["value"] < -60.0


def test_a_surface_that_is_put_right_fails_for_that(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, notices, scalars = validated(tmp_path, TOO_FAR_M)
    assert code == 1
    (missed,) = [notice for notice in notices if notice.startswith("put right: ")]
    # the tenth of the points that are at the rims has normals between those of side and end: 15 % less than 2 mm
    found_mm = float(missed.split()[6])
    assert missed.startswith("put right: offset of surface 1 -")
    assert found_mm == pytest.approx(-1e3 * TOO_FAR_M, rel=0.2)
    assert missed.endswith(" mm, limit 0.6 mm")
    assert f"missed: {missed}" in capsys.readouterr().err
    # and with it, the result is as good as ever
    assert scalars["largest_ripple"]["value"] < 0.1


def test_a_surface_that_is_left_as_it_is_fails_for_what_it_does(tmp_path: Path) -> None:
    code, notices, _ = validated(tmp_path, TOO_FAR_M, "surfaces = false\n")
    assert code == 1
    missed = {notice.partition(":")[0] for notice in notices}
    assert {"level ripple over angle", "level off the stated strength"} <= missed
    assert "put right" not in missed
