"""Slow changes during a scan: told, measured where the order of the points allows, not seen where there are none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Literal

import numpy as np
import pytest
from expand.apparatus import (
    DIRECTIONS,
    FREQUENCY_HZ,
    JITTER_M,
    SOURCE,
    at_frequencies,
    error_db,
    heard,
    scan,
    session,
)
from scanned import AIR, far_field_error_db, make_spectra, noisy
from threadpoolctl import threadpool_limits

from fieldproc.expand import expand
from fieldproc.expand.drift import drift
from fieldproc.records import Spectra
from fieldproc.settings import Settings
from fieldproc.simulate.medium import Medium


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it; small products only lose by sharing them out."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


SETTINGS = Settings()
HOUR_S = 3600.0
Order = Literal["surface after surface", "mixed"]


def times_of(points: int, order: Order) -> np.ndarray:
    """When the points of a scan of an hour were taken."""
    rank = np.arange(points) if order == "surface after surface" else np.random.default_rng(99).permutation(points)
    return HOUR_S * rank / (points - 1)


def speed_at(kelvin: np.ndarray) -> np.ndarray:
    """Speed of sound so much above 20 degrees."""
    return np.asarray(AIR.sound_speed_m_per_s * np.sqrt(1.0 + kelvin / 293.15))


@cache
def warming(order: Order, kelvin: float = 1.0, room: bool = True) -> Spectra:
    """A scan during which the air warms evenly; the mean speed is stated."""
    positions_m, surface = scan("rings")
    generator = np.random.default_rng(6)
    true_m = positions_m + JITTER_M * generator.standard_normal(positions_m.shape)
    time_s = times_of(len(positions_m), order)
    pressure = np.empty((len(FREQUENCY_HZ), len(positions_m)), dtype=np.complex128)
    # steps of a thirtieth of it: 0.03 K
    for part in np.array_split(np.argsort(time_s), 30):
        air = Medium(float(speed_at(kelvin * time_s[part].mean() / HOUR_S)), AIR.density_kg_per_m3)
        pressure[:, part] = heard(true_m[part], air) if room else SOURCE.pressure(FREQUENCY_HZ, true_m[part], air)
    speed = np.full(len(time_s), speed_at(np.array(kelvin / 2)))
    return make_spectra(
        positions_m,
        FREQUENCY_HZ,
        noisy(pressure, -60.0, generator),
        surface,
        measured_at_s=time_s,
        sound_speed_m_per_s=speed,
    )


def louder(order: Order, gain_db: float = 0.1, seed: int = 0) -> Spectra:
    """A scan whose gain grows."""
    clean = session("rings", seed=seed)
    time_s = times_of(len(clean.positions_m), order)
    return replace(
        clean, pressure_pa=clean.pressure_pa * 10 ** (gain_db * time_s / HOUR_S / 20), measured_at_s=time_s
    )


@pytest.mark.parametrize("order", ["surface after surface", "mixed"])
def test_a_steady_scan_is_not_doubted(order: Order) -> None:
    for seed in range(2):
        steady = louder(order, 0.0, seed)
        found = drift(steady, SETTINGS)
        assert not found.doubtful
        assert found.spectra is steady
        assert found.notices == ()
        # what a room that grows with time explains by chance; the limit is 2
        assert 0.6 < found.room < 1.6


def test_a_gain_that_grows_is_measured_and_put_right() -> None:
    wrong = louder("mixed")
    found = drift(wrong, SETTINGS)
    gain, speed = found.courses
    np.testing.assert_allclose(gain.change, [0.0, 0.1 / 3, 0.2 / 3, 0.1], rtol=0, atol=4 * gain.sigma.max())
    assert gain.sigma.max() < 0.005
    assert found.doubtful
    assert not speed.clear
    # points that lie mixed make noise of a drift, which is then taken away
    assert error_db(found.spectra, 60.0)[0] < error_db(session("rings"), 60.0)[0] + 3.0


def test_one_kelvin_is_measured_where_points_are_mixed() -> None:
    found = drift(warming("mixed"), SETTINGS)
    speed = found.courses[1]
    true = 100.0 * (speed_at(np.array(1.0)) / speed_at(np.array(0.0)) - 1.0)
    assert speed.clear
    # the room's own change is taken up by low degrees alone
    np.testing.assert_allclose(speed.change[-1], true, rtol=0.2)
    assert found.doubtful
    assert any(notice.startswith("sound speed drifted by") for notice in found.notices)


def test_one_kelvin_is_noticed_surface_after_surface() -> None:
    """How much it is cannot be told there, but that something changed."""
    found = drift(warming("surface after surface"), SETTINGS)
    assert found.doubtful
    assert found.room > 5.0
    assert any(notice.startswith("the sound of the room changed") for notice in found.notices)
    np.testing.assert_array_equal(found.spectra.pressure_pa, warming("surface after surface").pressure_pa)


def test_without_times_the_order_of_the_file_is_taken_and_nothing_put_right() -> None:
    wrong = louder("mixed")
    order = np.argsort(wrong.measured_at_s)
    unknown = replace(
        wrong,
        positions_m=wrong.positions_m[order],
        pressure_pa=wrong.pressure_pa[:, :, order],
        surface=wrong.surface[order],
        measured_at_s=None,
    )
    found = drift(unknown, SETTINGS)
    assert found.doubtful
    assert found.spectra is unknown
    assert "the order of the file was taken for that of time" in found.notices[0]


def test_two_times_are_two_surfaces() -> None:
    clean = session("rings")
    found = drift(replace(clean, measured_at_s=clean.surface * 60.0), SETTINGS)
    assert not found.doubtful
    assert found.notices[0].startswith("drift was not looked for")


def test_stated_temperatures_leave_no_error_without_a_room() -> None:
    """One kelvin, points mixed, a speed per point stated: as good as a steady scan.

    In a room it is not: what the walls return changed by its whole way, and no speed at the points tells that.
    """
    wanted_hz = (63.0, 250.0, 500.0)
    mixed = warming("mixed", room=False)
    stated = replace(mixed, sound_speed_m_per_s=speed_at(times_of(len(mixed.positions_m), "mixed") / HOUR_S))
    steady = warming("mixed", kelvin=0.0, room=False)
    with_speeds, clean = (
        far_field_error_db(expand(at_frequencies(one, wanted_hz), SETTINGS), SOURCE, DIRECTIONS)
        for one in (stated, steady)
    )
    assert (with_speeds < clean + 3.0).all()
