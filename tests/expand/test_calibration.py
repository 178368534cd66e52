"""Errors of a surface are found from the scan alone, put right where they are clear, let alone where there are none.

The far field is judged at 60 Hz, where the residual says nothing of them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.apparatus import FREQUENCY_HZ, JITTER_M, Kind, error_db, heard, scan, session
from scanned import make_spectra, noisy
from threadpoolctl import threadpool_limits

from fieldproc.expand.calibration import SurfaceError, calibrate
from fieldproc.expand.judging import judging_panel
from fieldproc.expand.surfaces import surfaces_of
from fieldproc.records import Spectra
from fieldproc.settings import SeparationSettings, Settings


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it; small products only lose by sharing them out."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


SETTINGS = Settings()


def off(spectra: Spectra, surface: int, gain_db: float = 0.0, delay_s: float = 0.0) -> Spectra:
    """One surface too loud and late."""
    factor = 10 ** (gain_db / 20) * np.exp(-2j * np.pi * spectra.frequency_hz * delay_s)
    wrong = np.where(spectra.surface == surface, factor[:, None], 1.0)
    return replace(spectra, pressure_pa=spectra.pressure_pa * wrong[:, None])


def further_out(kind: Kind, shift_m: float) -> Spectra:
    """The outer surface truly further out than stated."""
    generator, (positions_m, surface) = np.random.default_rng(4), scan(kind)
    outer, true_m = surface == 1, positions_m.copy()
    if kind == "rings":
        top = np.abs(positions_m[:, 2]).max()
        cap = outer & (np.abs(positions_m[:, 2]) > top - 1e-6)
        true_m[cap, 2] += np.sign(positions_m[cap, 2]) * shift_m
        side = outer & ~cap
        true_m[side, :2] *= 1.0 + shift_m / np.linalg.norm(positions_m[side, :2], axis=1, keepdims=True)
    else:
        true_m[outer] *= 1.0 + shift_m / np.linalg.norm(positions_m[outer], axis=1, keepdims=True)
    true_m += JITTER_M * generator.standard_normal(true_m.shape)
    return make_spectra(positions_m, FREQUENCY_HZ, noisy(heard(true_m), -60.0, generator), surface)


def found(errors: tuple[SurfaceError, ...]) -> dict[tuple[int, str], SurfaceError]:
    return {(error.surface, error.kind.name): error for error in errors}


@pytest.mark.parametrize(("kind", "gap_m"), [("rings", 0.05), ("spheres", 0.10), ("irregular", 0.10)])
def test_a_gain_of_a_tenth_of_a_decibel(kind: Kind, gap_m: float) -> None:
    clean = session(kind, gap_m)
    wrong = off(clean, 1, gain_db=0.1)
    done = calibrate(wrong, SETTINGS)
    gain = found(done.errors)[1, "gain"]
    assert gain.applied
    # on two spheres of equal directions little but the room's higher degrees tells it: 10 % is what is left
    np.testing.assert_allclose(gain.value, 0.1, rtol=0, atol=0.02 if kind != "rings" else 0.004)
    assert error_db(wrong, 60.0)[0] > -26.0
    assert error_db(done.spectra, 60.0)[0] < -40.0
    assert str(gain).startswith("gain of surface 1 +0.")


def test_three_surfaces() -> None:
    wrong = off(off(session("three"), 1, gain_db=0.1), 2, gain_db=-0.15)
    done = calibrate(wrong, SETTINGS)
    errors = found(done.errors)
    np.testing.assert_allclose([errors[1, "gain"].value, errors[2, "gain"].value], [0.1, -0.15], rtol=0, atol=0.01)
    assert error_db(wrong, 60.0)[0] > -26.0
    assert error_db(done.spectra, 60.0)[0] < -50.0


@pytest.mark.parametrize("kind", ["rings", "spheres"])
def test_a_surface_half_a_millimetre_further_out(kind: Kind) -> None:
    wrong = further_out(kind, 5e-4)
    done = calibrate(wrong, SETTINGS)
    offset = found(done.errors)[1, "offset"]
    # normals at the rim of a cylinder lie between those of cap and side
    np.testing.assert_allclose(offset.value, 0.5, rtol=0, atol=0.12)
    assert error_db(wrong, 60.0)[0] > -44.0
    assert error_db(done.spectra, 60.0)[0] < -50.0


def test_a_delay_of_a_microsecond() -> None:
    done = calibrate(off(session("rings"), 1, delay_s=1e-6), SETTINGS)
    delay = found(done.errors)[1, "delay"]
    np.testing.assert_allclose(delay.value, 1.0, rtol=0, atol=4 * delay.sigma)
    np.testing.assert_allclose(delay.sigma, 0.05, rtol=0.5)


@pytest.mark.parametrize(("kind", "seed"), [("rings", 1), ("spheres", 0), ("three", 0)])
def test_clean_sessions_come_back_as_they_are(kind: Kind, seed: int) -> None:
    clean = session(kind, seed=seed)
    done = calibrate(clean, SETTINGS)
    assert done.spectra is clean
    assert done.notices == ()


def test_rings_stay_rings() -> None:
    """Moved outward, the points of a ring are one still, and its fit as fast."""
    panel = judging_panel(session("rings"), SETTINGS, None)
    assert panel is not None
    scan_of = surfaces_of(panel)
    radius_m = np.hypot(*scan_of.normal[:, :2].T)
    rings = radius_m.reshape(-1, 36)
    np.testing.assert_allclose(rings, rings[:, :1] * np.ones((1, 36)), rtol=0, atol=1e-12)
    upright = np.sum(scan_of.normal * panel.spectra.positions_m, axis=1)
    assert (upright > 0).all()
    np.testing.assert_allclose(np.linalg.norm(scan_of.normal, axis=1), 1.0, rtol=1e-12)


def test_nothing_is_said_where_nothing_can_be() -> None:
    named = session("rings")
    unnamed = replace(named, surface=np.full(len(named.surface), -1))
    assert calibrate(unnamed, SETTINGS).spectra is unnamed
    assert calibrate(unnamed, SETTINGS).notices == ()
    assert calibrate(named, Settings(separation=SeparationSettings(enabled=False))).notices == ()


def test_a_bad_point_is_left_out() -> None:
    wrong = off(session("rings"), 1, gain_db=0.1)
    pressure = wrong.pressure_pa.copy()
    pressure[:, :, 700] *= 30.0
    done = calibrate(replace(wrong, pressure_pa=pressure), SETTINGS, bad=np.array([700]))
    # a microphone off by 30 dB would be worth more than the whole error of the surface
    np.testing.assert_allclose(found(done.errors)[1, "gain"].value, 0.1, rtol=0, atol=0.004)


def test_half_waves_are_no_judges() -> None:
    """Surfaces 10 cm apart are half a wave apart at 1,716 Hz."""
    panel = judging_panel(session("irregular", 0.10), SETTINGS, None)
    assert panel is not None
    assert (np.abs(panel.spectra.frequency_hz / 1716.0 - 1.0) > 0.02).all()


def test_a_scan_the_waves_do_not_follow_is_not_calibrated() -> None:
    noise = np.random.default_rng(5).standard_normal(session("rings").pressure_pa.shape)
    done = calibrate(replace(session("rings"), pressure_pa=noise + 0j), SETTINGS)
    assert "not compared" in done.notices[0]
    assert done.errors == ()
