"""Bad points are found and named, good ones are kept."""

from __future__ import annotations

import numpy as np
import pytest
from expand.apparatus import FREQUENCY_HZ, Kind, heard, scan, session, with_pressure
from scanned import make_spectra, noisy
from threadpoolctl import threadpool_limits

from fieldproc.expand.screening import Screening, screen
from fieldproc.records import Spectra
from fieldproc.settings import Settings
from fieldproc.simulate.sources import Monopole, MonopoleCluster


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it; small products only lose by sharing them out."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


SETTINGS = Settings()
# A microphone that was bumped, recorded nothing, heard nothing, stood elsewhere, clipped, was wired the wrong way.
BAD = np.array([40, 333, 700, 911, 1111, 1390])
SHIFT_M = np.array([0.012, -0.0128, 0.0096])


def clipped(place_m: np.ndarray) -> np.ndarray:
    """The response at a place, its impulse response held to half of its peak, (frequency,)."""
    rate_hz, count, start = 16000.0, 4096, 256

    def band(frequency_hz: np.ndarray) -> np.ndarray:
        # of the recording, so that there is a peak to clip
        return np.exp(-((frequency_hz / 4000.0) ** 4)) * (1.0 - np.exp(-((frequency_hz / 30.0) ** 2)))

    bins_hz = np.fft.rfftfreq(count, 1.0 / rate_hz)[1:]
    spectrum = heard(place_m[None], frequency_hz=bins_hz)[:, 0] * band(bins_hz)
    response = np.fft.irfft(
        np.concatenate([[0.0], spectrum * np.exp(-2j * np.pi * bins_hz * start / rate_hz)]), count
    )
    held = np.clip(response, -np.abs(response).max() / 2, np.abs(response).max() / 2)
    turns = np.exp(-2j * np.pi * np.outer(FREQUENCY_HZ, np.arange(count) - start) / rate_hz)
    return turns @ held / band(FREQUENCY_HZ)


def every_other_ring(first: int) -> tuple[np.ndarray, np.ndarray]:
    """Half of the rings: enough points for many a test, in half of the time."""
    positions_m, surface = scan("rings")
    kept = (np.arange(len(positions_m)) // 36) % 2 == first % 2
    return positions_m[kept], surface[kept]


def six_bad(kind: Kind) -> Spectra:
    good = session(kind)
    pressure, places_m = good.pressure_pa[:, :, BAD].copy(), good.positions_m[BAD]
    pressure[:, :, 0] *= 10 ** (10 / 20)
    pressure[:, :, 1] = np.nan
    pressure[:, :, 2] = 0.0
    pressure[:, 0, 3] = heard(places_m[3:4] + SHIFT_M)[:, 0]
    pressure[:, 0, 4] = clipped(places_m[4])
    pressure[:, :, 5] *= -1.0
    return with_pressure(good, BAD, pressure)


@pytest.mark.parametrize("kind", ["rings", "irregular"])
def test_all_bad_points_and_no_others(kind: Kind) -> None:
    found = screen(six_bad(kind), SETTINGS)
    assert found.points.tolist() == BAD.tolist()
    assert not found.notices
    words = [one.reason for one in found.bad]
    assert words[:4] == [
        "level too high by 10.0 dB",
        "response is missing or not finite",
        "silent",
        "displaced by about 20 mm",
    ]
    assert words[4].startswith("disturbed, distorted or clipped")
    assert words[5] == "polarity inverted"
    # the limit is 7; 20 mm is the hardest, on the scan of 1,400 points
    assert min(one.z for one in found.bad) > 10.0


@pytest.mark.parametrize(("jitter_m", "scans"), [(2e-4, 10), (2e-3, 6)])
def test_a_good_scan_loses_no_point(jitter_m: float, scans: int) -> None:
    """Noise at -60 dB, places off by 0.2 or 2 mm rms per axis."""
    for seed in range(scans):
        generator = np.random.default_rng(seed)
        positions_m, surface = every_other_ring(seed)
        true_m = positions_m + jitter_m * generator.standard_normal(positions_m.shape)
        rows = FREQUENCY_HZ[6:22:2]
        pressure = noisy(heard(true_m, frequency_hz=rows), -60.0, generator)
        # no notice: it was looked for
        assert screen(make_spectra(positions_m, rows, pressure, surface), SETTINGS) == Screening()


@pytest.mark.parametrize("jitter_m", [0.0, 5e-4])
@pytest.mark.parametrize("kind", ["rings", "irregular"])
def test_points_near_a_driver_are_good(kind: Kind, jitter_m: float) -> None:
    """A driver 0.1 m from the nearest points: their level is 12 dB higher, and the waves miss more there."""
    near = MonopoleCluster((Monopole((0.10, 0.03, -0.09)), Monopole((0.30, -0.04, 0.12), 0.6, 90e-6)), 1e-4)
    generator, (positions_m, surface) = np.random.default_rng(3), scan(kind)
    true_m = positions_m + jitter_m * generator.standard_normal(positions_m.shape)
    pressure = noisy(heard(true_m, source=near), -60.0, generator)
    assert screen(make_spectra(positions_m, FREQUENCY_HZ, pressure, surface), SETTINGS) == Screening()


def test_half_a_ring_is_found() -> None:
    """18 neighbours, 3 dB too loud together: they support each other, and their surroundings do not."""
    bad = np.arange(36 * 10, 36 * 10 + 18)
    good = session("rings")
    found = screen(with_pressure(good, bad, good.pressure_pa[:, :, bad] * 10 ** (3 / 20)), SETTINGS)
    assert found.points.tolist() == bad.tolist()


def test_too_many_are_not_guessed_at() -> None:
    positions_m, surface = every_other_ring(0)
    generator = np.random.default_rng(1)
    pressure = noisy(heard(positions_m), -60.0, generator)
    bad = generator.choice(len(positions_m), 80, replace=False)
    pressure[:, bad] *= -1.0
    pressure[:, bad[:3]] = np.nan
    found = screen(make_spectra(positions_m, FREQUENCY_HZ, pressure, surface), SETTINGS)
    # what has no number cannot take part, whatever else is wrong
    assert found.points.tolist() == sorted(bad[:3].tolist())
    assert "too many to tell bad from good" in found.notices[0]


def test_a_scan_that_carries_no_waves_says_so() -> None:
    positions_m = scan("rings")[0][:40]
    pressure = heard(positions_m)
    pressure[:, 7] = np.nan
    found = screen(make_spectra(positions_m, FREQUENCY_HZ, pressure), SETTINGS)
    assert found.points.tolist() == [7]
    assert found.notices == ("points were not screened: they carry the waves at no frequency",)
