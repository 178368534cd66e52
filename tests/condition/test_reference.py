"""Delay and gain from drive signals whose delays and gains are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from condition.test_condition import FREQUENCY_HZ, GRID, RATE_HZ, session_of
from scipy.optimize import minimize_scalar

from fieldproc.condition import condition
from fieldproc.condition.reference import align
from fieldproc.errors import NumericalError
from fieldproc.records import Drive, DroppedPoint, ImpulseResponses, TransferFunctions

POINTS = 40
LATENCY_JUMP = np.where(np.arange(POINTS) < POINTS // 2, 0.0, 3.0)
GAIN_DB = np.linspace(-0.5, 0.5, POINTS)
# Asked for: 0.02 samples and 0.01 dB.
DELAY_SAMPLES, LEVEL_DB = 0.02, 0.01


def sweep(samples: int) -> np.ndarray:
    """An exponential sweep over ten octaves with a margin at both ends."""
    inner, octaves = samples - 2000, np.log(1000.0)
    phase = 2 * np.pi * 20.0 * inner / 48000.0 / octaves * np.expm1(np.arange(inner) / inner * octaves)
    return np.pad(np.sin(phase) * np.hanning(inner) ** 0.1, 1000)


def pulse(samples: int) -> np.ndarray:
    """What a loopback deconvolved by its stimulus looks like: a short band-limited pulse."""
    return np.sinc(0.8 * (np.arange(samples) - samples / 2)) * np.hanning(samples)


def delayed(signal: np.ndarray, delay_samples: np.ndarray, gain: np.ndarray | float = 1.0) -> np.ndarray:
    """Copies (record, sample), band-limited interpolation between the samples."""
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(len(signal)) * delay_samples[:, None])
    return np.fft.irfft(np.fft.rfft(signal) * turn, len(signal)) * np.reshape(gain, (-1, 1))


def noisy(signals: np.ndarray, level_db: float, seed: int = 1) -> np.ndarray:
    """Plus white noise re the largest sample, in single precision."""
    deviation = np.abs(signals).max() * 10 ** (level_db / 20)
    return (signals + np.random.default_rng(seed).normal(0.0, deviation, signals.shape)).astype(np.float32)


@pytest.mark.parametrize(
    ("signal", "noise_db"),
    # of a pulse that fills one sample of its record, noise at -60 dB leaves the gain uncertain by 0.008 dB
    [(sweep(24000), -60.0), (pulse(512), -75.0), (pulse(127), -75.0)],
    ids=["sweep", "pulse", "odd length"],
)
@pytest.mark.parametrize("fraction", [0.0, 0.37])
def test_a_jump_of_latency_and_a_drift_of_gain(signal: np.ndarray, noise_db: float, fraction: float) -> None:
    delay = LATENCY_JUMP + fraction * np.sin(np.arange(POINTS))
    references = noisy(delayed(signal, delay, 10 ** (GAIN_DB / 20)), noise_db)
    found = align(references, RATE_HZ, np.arange(POINTS))
    assert found.reasons == {}
    np.testing.assert_allclose(found.delay_s * RATE_HZ, delay - np.median(delay), rtol=0, atol=DELAY_SAMPLES)
    np.testing.assert_allclose(20 * np.log10(found.gain), GAIN_DB, rtol=0, atol=LEVEL_DB)


def test_stated_errors_are_the_scatter() -> None:
    """Over 400 records the scatter is known to 4 %; the median and the template share what is common."""
    references = noisy(delayed(pulse(128), np.zeros(400)), -30.0)
    found = align(references, RATE_HZ, np.arange(400))
    largest_delay, largest_db = (float(number) for number in found.told.split("at most ")[1][:-4].split(" samples, "))
    np.testing.assert_allclose(np.std(found.delay_s * RATE_HZ) / largest_delay, 0.65, atol=0.2)
    np.testing.assert_allclose(np.std(20 * np.log10(found.gain)) / largest_db, 0.65, atol=0.2)


def test_least_squares_the_slow_way() -> None:
    """The delay at which a scaled template leaves least of the record, searched without any cross-spectrum."""
    signal = pulse(128)
    references = noisy(delayed(signal, np.array([0.0, 0.0, 1.63, 0.0, 0.0])), -40.0).astype(np.float64)
    references -= references.mean(axis=1, keepdims=True)
    template = references[0]

    def left(delay: float) -> float:
        shifted = delayed(template, np.array([delay]))[0]
        gain = shifted @ references[2] / (shifted @ shifted)
        return float(np.sum((references[2] - gain * shifted) ** 2))

    slow = minimize_scalar(left, bounds=(1.0, 2.5), method="bounded", options={"xatol": 1e-6}).x
    found = align(references, 1.0, np.arange(5)).delay_s
    # the template of the fast way may be another record: 2 standard errors of 0.007 samples
    np.testing.assert_allclose(found[2] - found[0], slow, rtol=0, atol=0.015)


def test_offset_and_hum_do_no_harm() -> None:
    """An offset of -20 dB and hum at -40 dB, other at every point."""
    hum = 0.01 * np.sin(0.006 * np.arange(8000) + np.arange(POINTS)[:, None])
    found = align(delayed(sweep(8000), LATENCY_JUMP) + hum + 0.1, RATE_HZ, np.arange(POINTS))
    np.testing.assert_allclose(found.delay_s * RATE_HZ, LATENCY_JUMP - 1.5, rtol=0, atol=DELAY_SAMPLES)


def broken(seed: int = 3) -> np.ndarray:
    references = noisy(delayed(sweep(8000), LATENCY_JUMP), -60.0)
    references[0] = np.random.default_rng(seed).normal(size=8000)
    references[3] = np.nan
    references[5, 100] = np.inf
    references[7] = 0.0
    references[9] *= -1.0
    return references


def test_a_reference_that_tells_nothing_costs_the_point() -> None:
    values = np.zeros((1, POINTS, 64))
    values[0, :, 20] = 0.1
    drive = Drive(reference=broken(), reference_sampling_rate_hz=RATE_HZ)
    valid = np.arange(POINTS) != 7
    spectra = condition(session_of(values, drive=drive, valid=valid), GRID)
    assert spectra.dropped == (
        DroppedPoint(0, "reference is not like the others"),
        DroppedPoint(3, "reference is missing"),
        DroppedPoint(5, "reference is not finite"),
        # left out already: its silent reference is nobody's business
        DroppedPoint(7, "left out by the session"),
        DroppedPoint(9, "reference is not like the others"),
    )
    assert align(broken(), RATE_HZ, np.arange(POINTS)).reasons[7] == "reference is silent"


def test_references_that_have_nothing_in_common_are_refused() -> None:
    references = np.random.default_rng(2).normal(size=(10, 500))
    with pytest.raises(NumericalError, match=r"like that of the others is 1 of 10, limit at least half; .* = false"):
        align(references, RATE_HZ, np.arange(10))
    with pytest.raises(NumericalError, match="is 0 of 10"):
        align(np.zeros((10, 500)), RATE_HZ, np.arange(10))


def disturbed_session(reference_rate_hz: float, delay_s: np.ndarray, transfer: bool = False) -> object:
    """Pulses of 0.1 Pa/V at 64 samples, late and loud as the drive signals; the last four points repeat others."""
    gain = 10 ** (GAIN_DB / 20)
    values = delayed(np.eye(1, 256, 64)[0], delay_s * RATE_HZ, 0.1 * gain)[None]
    references = delayed(pulse(256), delay_s * reference_rate_hz, gain)
    session = session_of(values, drive=Drive(reference=references, reference_sampling_rate_hz=reference_rate_hz))
    if transfer:
        spectra = 0.1 * gain * np.exp(-2j * np.pi * FREQUENCY_HZ[:, None] * (64 / RATE_HZ + delay_s))
        session = replace(session, response=TransferFunctions(spectra[:, None], FREQUENCY_HZ))
    positions = session.positions_m.copy()
    positions[-4:] = positions[:4]
    return replace(session, positions_m=positions)


@pytest.mark.parametrize("reference_rate_hz", [RATE_HZ, 96000.0], ids=["equal rates", "another rate"])
@pytest.mark.parametrize("transfer", [False, True], ids=["impulse responses", "transfer functions"])
def test_every_record_is_set_right_before_repeats_are_averaged(reference_rate_hz: float, transfer: bool) -> None:
    session = disturbed_session(reference_rate_hz, LATENCY_JUMP / RATE_HZ, transfer)
    spectra = condition(session, GRID)  # type: ignore[arg-type]
    assert spectra.repeats.tolist() == [2] * 4 + [1] * (POINTS - 8)
    # all as late and as loud as the median record
    expected = 0.283 * np.exp(-2j * np.pi * FREQUENCY_HZ * (64 + 1.5) / RATE_HZ)
    # 0.01 dB and 0.02 samples, the latter at 8 kHz
    np.testing.assert_allclose(spectra.pressure_pa[:, 0], np.tile(expected[:, None], POINTS - 4), rtol=0.02)
    assert "delays from -" in spectra.notices[-2 if spectra.noise_pa is not None else -1]
    assert "gains from -0.500 to 0.500 dB taken out" in " ".join(spectra.notices)


def test_the_settings_can_leave_the_reference_alone() -> None:
    session = disturbed_session(RATE_HZ, LATENCY_JUMP / RATE_HZ)
    spectra = condition(session, GRID.model_copy(update={"reference": False}))  # type: ignore[arg-type]
    assert isinstance(session.response, ImpulseResponses)  # type: ignore[attr-defined]
    np.testing.assert_allclose(np.abs(spectra.pressure_pa[0, 0, 4:]), 0.283 * 10 ** (GAIN_DB[4:-4] / 20), rtol=1e-9)
    assert "drive signals" not in " ".join(spectra.notices)
