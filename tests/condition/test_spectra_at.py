"""The spectrum of a sampled response, against closed forms; and what interpolating FFT bins would have cost."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.condition import spectra
from fieldproc.condition.spectra import log_frequency_grid, spectra_at

RATE_HZ = 48000.0
SAMPLES = 8192
# Sample of the pulse: 85 ms into a record of 171 ms.
DELAY = 4080
# Odd multiples of an eighth of a bin, 20 Hz to 19.9 kHz, so that f n / rate is exact in double precision.
EIGHTHS = 2 * np.unique(np.geomspace(13, 13600, 60).astype(int)) + 1
FREQUENCY_HZ = RATE_HZ * EIGHTHS / (8 * SAMPLES)
# The project's promise: rounding of sums over 8192 samples, re the largest magnitude.
PROMISE = 1e-11


def turn(samples: int) -> np.ndarray:
    """exp(-i omega t) of a whole number of samples, the phase reduced exactly."""
    return np.exp(-2j * np.pi * ((EIGHTHS * samples) % (8 * SAMPLES)) / (8 * SAMPLES))


def decaying(time_constant: float) -> tuple[np.ndarray, np.ndarray]:
    """Samples a^(n - DELAY) from DELAY on, and their finite geometric sum in closed form."""
    base = np.exp(-1.0 / time_constant)
    length = SAMPLES - DELAY
    samples = np.zeros(SAMPLES)
    samples[DELAY:] = base ** np.arange(length)
    return samples, turn(DELAY) * (1 - base**length * turn(length)) / (1 - base * turn(1))


def pulse() -> tuple[np.ndarray, np.ndarray]:
    samples = np.zeros(SAMPLES)
    samples[DELAY] = 1.0
    return samples, turn(DELAY)


def ringing() -> tuple[np.ndarray, np.ndarray]:
    """A decaying cosine at 100 Hz from DELAY on: two geometric sums with complex bases."""
    length = SAMPLES - DELAY
    base = np.exp(-1.0 / 1500.0 + 2j * np.pi * 100.0 / RATE_HZ)
    samples = np.zeros(SAMPLES)
    samples[DELAY:] = (base ** np.arange(length)).real
    sums = [(1 - b**length * turn(length)) / (1 - b * turn(1)) for b in (base, base.conj())]
    return samples, turn(DELAY) * 0.5 * (sums[0] + sums[1])


@pytest.mark.parametrize(
    "response",
    [pulse(), decaying(20.0), decaying(2000.0), ringing()],
    ids=["pulse", "decaying", "decaying slowly", "ringing"],
)
def test_exact_between_the_bins(response: tuple[np.ndarray, np.ndarray]) -> None:
    samples, expected = response
    largest = np.abs(expected).max()
    error = np.abs(spectra_at(samples[None], RATE_HZ, 0.0, FREQUENCY_HZ)[:, 0] - expected).max() / largest
    bins = np.fft.rfft(samples)
    at = EIGHTHS / 8
    interpolated = np.interp(at, np.arange(len(bins)), bins)
    naive = np.abs(interpolated - expected).max() / largest
    assert error <= PROMISE, f"error {error:.1e}; FFT bins joined by straight lines: {naive:.1e}"
    assert naive > 1e6 * error, f"FFT bins joined by straight lines: {naive:.1e}, {error:.1e} here"


def test_a_late_pulse_loses_its_level_between_interpolated_bins() -> None:
    """The reason for the method: near half a bin off, both neighbours have opposite phase."""
    samples, _ = pulse()
    half_way_hz = np.array([(100 + 0.5) * RATE_HZ / SAMPLES])
    bins = np.fft.rfft(samples)
    assert abs(0.5 * (bins[100] + bins[101])) < 0.01
    np.testing.assert_allclose(np.abs(spectra_at(samples[None], RATE_HZ, 0.0, half_way_hz)), 1.0, rtol=PROMISE)


def test_start_time_turns_the_phase() -> None:
    samples = np.zeros((1, 512))
    samples[0, 256] = 1.0
    frequency_hz = log_frequency_grid(20.0, 24, 240)
    at_zero = spectra_at(samples, RATE_HZ, -256 / RATE_HZ, frequency_hz)
    # 256 samples at 20 kHz are 107 turns; their rounding is 1e-13
    np.testing.assert_allclose(at_zero, np.ones((240, 1)), rtol=1e-12)
    # a later start is a delay: exp(-i omega tau)
    late = spectra_at(samples, RATE_HZ, 0.003 - 256 / RATE_HZ, frequency_hz)
    np.testing.assert_allclose(late[:, 0], np.exp(-2j * np.pi * frequency_hz * 0.003), rtol=1e-12)


def test_single_precision_samples_are_summed_in_double() -> None:
    samples = np.random.default_rng(1).normal(size=(3, 4096)).astype(np.float32)
    at = np.array([31.4, 1234.5])
    single = spectra_at(samples, RATE_HZ, 0.0, at)
    np.testing.assert_array_equal(single, spectra_at(samples.astype(np.float64), RATE_HZ, 0.0, at))


def test_points_in_chunks_are_the_points_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    samples = np.random.default_rng(2).normal(size=(7, 64))
    at = np.array([500.0, 5000.0, 11111.0])
    expected = spectra_at(samples, RATE_HZ, 0.0, at)
    monkeypatch.setattr(spectra, "_CHUNK_SAMPLES", 3 * 64)
    # other matrix shapes, other order of sums of 64 numbers
    np.testing.assert_allclose(spectra_at(samples, RATE_HZ, 0.0, at), expected, rtol=1e-12)


def test_frequencies_are_the_ones_of_the_contract() -> None:
    grid = log_frequency_grid(20.0, 24, 240)
    assert len(grid) == 240
    # whole octaves are exact: 20, 40, 80 Hz and so on
    assert grid[::24].tolist() == [20.0 * 2**octave for octave in range(10)]
    np.testing.assert_allclose(grid[1:] / grid[:-1], 2 ** (1 / 24), rtol=1e-14)
