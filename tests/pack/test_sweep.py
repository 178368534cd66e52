"""Deconvolution of sweeps against what is known of them in closed form, and against the solved convolution."""

from __future__ import annotations

import numpy as np
import pytest
from pack.wave_files import RATE_HZ, exponential_sweep, slow_deconvolution, spectrum
from scipy import signal

from fieldproc.pack.sweep import Deconvolver, Sweep, clock_drift, cut, recognise_sweep, stimulus_band
from fieldproc.pack.wav import is_clipped


@pytest.mark.parametrize(
    ("duration_s", "start_hz", "end_hz", "harmonic", "lead_samples"),
    [
        # T ln n / ln(f2/f1), A. Farina, 108th AES Convention, 2000, preprint 5093 (formula from memory); the products
        # were worked out apart from this code
        (10.0, 20.0, 20000.0, 2, 48164.80),
        (10.0, 20.0, 20000.0, 3, 76339.40),
        (10.0, 20.0, 20000.0, 4, 2.006867 * RATE_HZ),
        (10.0, 20.0, 20000.0, 5, 2.329900 * RATE_HZ),
        (5.0, 10.0, 22000.0, 2, 0.450317 * RATE_HZ),
        (5.0, 10.0, 22000.0, 3, 0.713736 * RATE_HZ),
    ],
)
def test_leads_of_harmonics(
    duration_s: float, start_hz: float, end_hz: float, harmonic: int, lead_samples: float
) -> None:
    stimulus, _ = exponential_sweep(duration_s, start_hz, end_hz)
    sweep = recognise_sweep(stimulus, RATE_HZ)
    assert sweep is not None
    # the products are given to 1e-6 s
    assert sweep.lead_s(harmonic) * RATE_HZ == pytest.approx(lead_samples, abs=0.03)
    assert Sweep(start_hz, end_hz, duration_s / np.log(end_hz / start_hz)).lead_s(
        harmonic
    ) * RATE_HZ == pytest.approx(lead_samples, abs=0.03)


@pytest.mark.parametrize("minus_one", [True, False])
def test_a_sweep_is_recognised_in_silence_with_fades_and_16_bits(minus_one: bool) -> None:
    stimulus, rate_s = exponential_sweep(3.0, 20.0, 20000.0, fade_s=0.05, minus_one=minus_one)
    recorded = np.rint(np.concatenate([np.zeros(1234), 0.5 * stimulus, np.zeros(999)]) * 32768) / 32768
    sweep = recognise_sweep(recorded, RATE_HZ)
    assert sweep is not None
    # a lead of 2 s to a tenth of a sample
    assert sweep.rate_s == pytest.approx(rate_s, rel=1e-6)
    # a fade hides its first milliseconds
    assert (sweep.start_hz, sweep.end_hz) == (pytest.approx(20.0, rel=0.02), pytest.approx(20000.0, rel=0.02))


def test_what_is_no_exponential_sweep() -> None:
    time_s = np.arange(48000) / RATE_HZ
    noise = np.random.default_rng(1).normal(size=48000)
    tone, linear = np.sin(2 * np.pi * 997 * time_s), np.sin(2 * np.pi * (50 * time_s + 4000 * time_s**2))
    falling = exponential_sweep(1.0, 20.0, 20000.0)[0][::-1]
    for stimulus in (noise, tone, linear, falling, np.zeros(48000), np.eye(1, 48000)[0]):
        assert recognise_sweep(stimulus, RATE_HZ) is None


def test_deconvolution_is_the_solved_convolution() -> None:
    # white to half the sampling rate, so that there is no edge to hold back
    generator = np.random.default_rng(2)
    stimulus, response = generator.normal(size=3000), generator.normal(size=40)
    record = np.convolve(np.concatenate([stimulus, np.zeros(100)]), response)[:3100]
    fast = Deconvolver(stimulus, RATE_HZ, stimulus_band(stimulus, RATE_HZ)).response(record)
    np.testing.assert_allclose(slow_deconvolution(record, stimulus, 60)[:40], response, rtol=0, atol=1e-12)
    # a random stimulus has bins 40 dB below its level, and the share of 1e-8 biases them by 1e-4
    np.testing.assert_allclose(fast[:60], slow_deconvolution(record, stimulus, 60), rtol=0, atol=1e-4)


def test_response_of_a_loudspeaker_in_the_band() -> None:
    stimulus, _ = exponential_sweep(4.0, 10.0, 22000.0, fade_s=0.02)
    sections = signal.butter(2, 45.0, "high", fs=RATE_HZ, output="sos")
    record = signal.sosfilt(sections, np.concatenate([np.zeros(300), stimulus, np.zeros(9000)]))
    period = Deconvolver(stimulus, RATE_HZ, (10.0, 22000.0)).response(record)
    frequency_hz = np.array([20.0, 40.0, 100.0, 1000.0, 10000.0, 20000.0])
    found = spectrum(cut(period, 300 - 1024, 1024 + 8192), -1024 / RATE_HZ, frequency_hz)
    expected = signal.sosfreqz(sections, frequency_hz, fs=RATE_HZ)[1]
    # the lower edge of the band rings longer than the lead, the upper one is faded: 0.05 dB an octave above the edge,
    # then falling
    limits = np.array([6e-3, 2e-3, 2e-4, 2e-5, 2e-5, 5e-5])
    assert np.all(np.abs(found / expected - 1) < limits)


def test_nothing_blows_up_outside_the_band() -> None:
    stimulus, _ = exponential_sweep(2.0, 200.0, 4000.0, fade_s=0.02)
    deconvolver = Deconvolver(stimulus, RATE_HZ, (200.0, 4000.0))
    click = deconvolver.response(np.eye(1, len(stimulus) + 8000)[0])
    gain, frequency_hz = np.abs(np.fft.rfft(click)), np.fft.rfftfreq(len(click), 1 / RATE_HZ)
    inside = gain[(frequency_hz > 200) & (frequency_hz < 3900)].max()
    plain = 1 / np.abs(np.fft.rfft(stimulus, len(click)))
    assert np.all(gain[(frequency_hz < 100) | (frequency_hz > 6000)] < 0.01 * inside)
    # just outside, where the stimulus has not faded yet: 20 dB, where plain division raises noise by 80 and more
    assert np.all(gain < 10 * inside)
    assert plain.max() > 1e4 * inside


def test_harmonics_of_a_quadratic_and_a_cubic_term() -> None:
    # y = x + 0.1 x^2 + 0.05 x^3 of a sine of amplitude 1: 1 + 3/4 0.05, 0.1/2 and 0.05/4, by trigonometry.
    # Up to 7 kHz, so that the third stays below half the sampling rate as it does in a recording.
    stimulus, rate_s = exponential_sweep(5.0, 20.0, 7000.0, fade_s=0.02)
    record = np.concatenate([stimulus + 0.1 * stimulus**2 + 0.05 * stimulus**3, np.zeros(9000)])
    period = Deconvolver(stimulus, RATE_HZ, (20.0, 7000.0)).response(record)
    frequency_hz = np.array([200.0, 500.0, 1000.0, 2000.0, 5000.0])
    window = np.concatenate([np.hanning(2048)[:1024], np.ones(2048), np.hanning(2048)[1024:]])
    for harmonic, magnitude in ((1, 1.0375), (2, 0.05), (3, 0.0125)):
        lead = rate_s * np.log(harmonic) * RATE_HZ
        first = int(np.floor(-lead)) - 1024
        kept = cut(period, first, 4096)
        kept *= window
        # the envelope: a harmonic has a phase of its own
        assert first + int(np.argmax(np.abs(signal.hilbert(kept)))) == pytest.approx(-lead, abs=1.0)
        found = np.abs(spectrum(kept, 0.0, frequency_hz))
        # edges of the stimulus band under the window: below 0.1 % from 200 Hz on
        np.testing.assert_allclose(found, magnitude, rtol=1e-3)


@pytest.mark.parametrize("ppm", [0.0, 2.0, -3.0, 50.0, -200.0])
def test_drift_of_the_recorders_clock(ppm: float) -> None:
    start_hz, end_hz = 20.0, 20000.0
    stimulus, rate_s = exponential_sweep(5.0, start_hz, end_hz)
    stretched, _ = exponential_sweep(5.0, start_hz, end_hz, clock_ppm=ppm)
    record = np.concatenate([np.zeros(300), stretched, np.zeros(9000)])
    record += 1e-3 * np.random.default_rng(4).normal(size=len(record))
    period = Deconvolver(stimulus, RATE_HZ, (start_hz, end_hz)).response(record)
    reference = cut(period, int(np.argmax(np.abs(period))) - 256, 1024)
    sweep = Sweep(start_hz, end_hz, rate_s)
    # the notice begins at 2 ppm
    assert clock_drift(reference, RATE_HZ, sweep) * 1e6 == pytest.approx(ppm, abs=0.1)


def test_clipping_is_a_run_at_full_scale() -> None:
    wave = np.sin(2 * np.pi * 500 * np.arange(4800) / RATE_HZ)
    assert is_clipped(np.clip(1.5 * wave, -1, 1))
    assert is_clipped(np.clip(1.5 * wave, -1, 0.5))
    assert not is_clipped(0.999 * wave)
    assert not is_clipped(np.clip(1.5 * wave, -0.5, 0.5))
    assert not is_clipped(np.eye(1, 100)[0])
    # a floating-point file may hold more than full scale
    assert not is_clipped(1.5 * wave)
