"""What is proposed: within its time and its room, the same every time, half a wavelength out of harm's way."""

from __future__ import annotations

import numpy as np
import pytest
from scanplan.planned import settings_for, small_plan

from fieldproc.errors import NumericalError, UsageError
from fieldproc.scanplan import load_plan_settings
from fieldproc.scanplan.propose import propose, separated_to_hz

SIZE_M = (0.15, 0.12, 0.2)
BAND = {"lowest_hz": 60.0, "highest_hz": 2000.0}


def test_the_same_settings_give_the_same_scan() -> None:
    _, first = small_plan()
    _, second = small_plan()
    np.testing.assert_array_equal(first.grid.positions_m, second.grid.positions_m)
    np.testing.assert_array_equal(first.grid.at_s, second.grid.at_s)


def test_a_scan_ends_in_time() -> None:
    time = {"per_point_s": 6.0, "total_s": 3600.0, "returns": 12}
    settings = settings_for(SIZE_M, time=time, scan={"gap_m": 0.1, "azimuths": 20}, band=BAND)
    grid = propose(settings).grid
    assert grid.at_s[-1] + 6.0 <= 3600.0
    # whole rings: a ring of each surface fewer at most
    assert len(grid.at_s) > 600 - 2 * 40
    assert len(grid.at_s) == len(grid.first_visits()) + 12


def test_no_more_points_than_the_band_needs() -> None:
    generous = settings_for(
        SIZE_M,
        time={"total_s": 1e6},
        scan={"gap_m": 0.1, "azimuths": 20},
        band={"lowest_hz": 60.0, "highest_hz": 500.0},
    )
    assert len(propose(generous).grid.first_visits()) < 1000


@pytest.mark.parametrize("down_m", [0.6, 2.5])
def test_half_a_wavelength_lies_an_octave_above_where_the_gate_takes_over(down_m: float) -> None:
    settings, proposal = small_plan(room={"down_m": down_m}, scan={"points": 300, "azimuths": 16})
    top_hz = separated_to_hz(proposal.grid, 60.0, settings.band.highest_hz)
    assert proposal.grid.sound_speed_m_per_s / (2.0 * proposal.gap_m) >= 2.0 * top_hz
    # a longer gate leaves less to separate, and more room between the surfaces
    assert proposal.gap_m >= 0.02


def test_without_a_gate_half_a_wavelength_lies_above_all_that_is_separated() -> None:
    settings, proposal = small_plan(room={}, scan={"points": 300, "azimuths": 16})
    top_hz = separated_to_hz(proposal.grid, 60.0, settings.band.highest_hz)
    assert proposal.grid.sound_speed_m_per_s / (2.0 * proposal.gap_m) > top_hz


def test_what_is_stated_is_kept() -> None:
    _, proposal = small_plan(scan={"points": 320, "azimuths": 20, "gap_m": 0.055, "shape": "sphere"})
    radius_m = np.linalg.norm(proposal.grid.positions_m, axis=1)
    surface = proposal.grid.surface
    assert (proposal.rings, proposal.azimuths) == (8, 20)
    np.testing.assert_allclose(radius_m[surface == 1].min() - radius_m[surface == 0].max(), 0.055, rtol=0, atol=1e-8)


def test_a_reflector_in_the_way_is_refused() -> None:
    with pytest.raises(NumericalError, match=r"room\.down_m is 0\.25 m, limit at least 0\.\d\d m"):
        propose(settings_for(SIZE_M, room={"down_m": 0.25}, band=BAND))


def test_too_little_time_is_refused() -> None:
    with pytest.raises(NumericalError, match="grant more time"):
        propose(
            settings_for((0.6, 0.6, 0.6), time={"total_s": 300.0}, band={"lowest_hz": 600.0, "highest_hz": 2000.0})
        )


def test_unknown_keys_are_told(tmp_path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text("[loudspeaker]\nsize_m = [0.2, 0.2, 0.3]\n[room]\ndwn_m = 1.0\n")
    with pytest.raises(UsageError, match="did you mean down_m"):
        load_plan_settings(path)
