"""Visiting orders: complete, modest in travel, and deaf to slow drifts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.plain_waves import spiral
from scanned import AIR, far_field_error_db, noisy_pressure
from scanplan.planned import all_visits, small_plan
from threadpoolctl import threadpool_limits

from fieldproc.expand import expand
from fieldproc.scanplan.leak import drift_shapes, leak_db
from fieldproc.scanplan.propose import grid_of
from fieldproc.scanplan.visiting import interleaved, surface_after_surface, travel_m, with_returns
from fieldproc.settings import MendingSettings, Settings, UncertaintySettings
from fieldproc.simulate.rooms import Shoebox
from fieldproc.simulate.sources import Monopole, MonopoleCluster

SOURCE = MonopoleCluster((Monopole((0.06, 0.02, -0.05)), Monopole((-0.05, -0.03, 0.07), 0.5, 1e-4)), 1e-4)
ROOM = Shoebox((5.0, 4.0, 2.6), (-2.2, -1.8, -1.0), (0.85, 0.8, 0.85, 0.8, 0.7, 0.85), 2)
SETTINGS = Settings(
    mending=MendingSettings(bad_points=False, surfaces=False, drift=False),
    uncertainty=UncertaintySettings(enabled=False),
)


@pytest.fixture(autouse=True)
def one_thread():
    """Small products only lose by sharing them out."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


@pytest.mark.parametrize("stride", [1, 2, 3, 4])
def test_every_point_is_visited_once(stride: int) -> None:
    visits = interleaved(13, 10, stride)
    assert len(visits) == 2 * 13 * 10
    assert {tuple(row) for row in visits.tolist()} == all_visits(13, 10)


def test_a_pass_takes_one_class_of_rings_and_a_share_of_every_neighbourhood() -> None:
    visits = interleaved(12, 16, 4)
    # 16 passes of 3 rings, two surfaces and 4 azimuths of 16
    for number, own in enumerate(visits.reshape(16, -1, 3)):
        assert len(np.unique(own[:, 1])) == 3
        assert len(np.unique(own[:, 1] % 4)) == 1
        up = np.diff(own[:, 1])
        assert np.all(up >= 0) if (number // 4) % 2 == 0 else np.all(up <= 0)


def test_times_are_alike_everywhere_on_the_average() -> None:
    """No surface, no half of a surface and no ring is early or late."""
    visits = interleaved(24, 32, 4)
    time = np.arange(len(visits)) / len(visits)
    for column, share in ((visits[:, 0] == 0, 0.02), (visits[:, 1] < 12, 0.02), (visits[:, 2] < 16, 0.02)):
        assert abs(time[column].mean() - 0.5) < share
    per_ring = np.bincount(visits[:, 1], time) / np.bincount(visits[:, 1])
    # ring after ring they run from 0.02 to 0.98
    assert np.ptp(per_ring) < 0.1


def test_returns_are_spread_over_the_scan() -> None:
    before = with_returns(1000, 11)
    assert before[0] == 0
    assert before[-1] == 1000
    assert set(np.diff(before).tolist()) == {100}
    assert with_returns(1000, 0).size == 0


def test_drift_shapes_are_of_unit_range_and_no_mean() -> None:
    shapes = drift_shapes(np.random.default_rng(3).permutation(400) * 5.0)
    np.testing.assert_allclose(np.ptp(shapes, axis=1), 1.0, rtol=1e-12)
    np.testing.assert_allclose(shapes.mean(axis=1), 0.0, rtol=0, atol=1e-12)


def test_the_proposed_order_keeps_a_drift_out_of_the_low_frequencies() -> None:
    """A whole scan in a room whose gain drifts by 0.1 dB, expanded: errors of the far field at 60 Hz."""
    settings, proposal = small_plan()
    plain = grid_of(proposal, surface_after_surface(proposal.rings, proposal.azimuths), settings)
    frequency_hz, errors_db, told_db = np.array([60.0]), [], []
    for grid in (plain, proposal.grid):
        points_m = grid.positions_m[grid.first_visits()]
        generator = np.random.default_rng(1)
        # far below what the drift does
        steady = noisy_pressure(SOURCE, ROOM, frequency_hz, points_m, -100.0, generator)
        course_db = 0.1 * (grid.mean_time_s() - grid.mean_time_s().mean()) / np.ptp(grid.mean_time_s())
        spectra = grid.spectra(frequency_hz, (steady * 10 ** (course_db / 20))[:, None])
        spectra = replace(spectra, sound_speed_m_per_s=np.full(len(points_m), AIR.sound_speed_m_per_s))
        errors_db.append(far_field_error_db(expand(spectra, SETTINGS), SOURCE, spiral(100))[0])
        told_db.append(leak_db(grid, 60.0, True, settings.assumptions))
    # what mixing points without any regard to ways is known to gain; -39 and -84 dB when this was written
    assert errors_db[1] < errors_db[0] - 30.0
    # what the plan tells is the worst of several courses, of which the plain order spoils the straight one most
    assert told_db[1] < told_db[0] - 20.0
    assert abs(told_db[0] - errors_db[0]) < 3.0


def test_ways_decide_where_a_drift_does_not_matter() -> None:
    """A drift below the noise is no reason for detours."""
    _, proposal = small_plan(assumptions={"drift_db": 1e-3})
    assert proposal.stride == 1


def test_ways_are_not_much_longer() -> None:
    settings, proposal = small_plan(time={"returns": 0})
    plain = grid_of(proposal, surface_after_surface(proposal.rings, proposal.azimuths), settings)
    # as often round each ring as its stride says
    assert travel_m(proposal.grid.positions_m) < 1.1 * proposal.stride * travel_m(plain.positions_m)
