"""Impulse responses from logarithmic grids: delays, filters and sources whose response over time is a closed form."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.conventions import amplitude_db
from fieldproc.errors import NumericalError
from fieldproc.impulse import ImpulseResponse, impulse_response, step_response

FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)
RATE_HZ = 48000.0


def spectrum_pa(impulse: ImpulseResponse, frequency_hz: np.ndarray) -> np.ndarray:
    """Sum over samples times exp(-i omega t) at any frequencies."""
    return np.exp(-2j * np.pi * frequency_hz[:, None] * impulse.times_s) @ impulse.samples_pa


def delayed(delay_s: float, frequency_hz: np.ndarray = FREQUENCY_HZ) -> np.ndarray:
    return np.exp(-2j * np.pi * frequency_hz * delay_s)


def band_pass(frequency_hz: np.ndarray, middle_hz: float, quality: float) -> np.ndarray:
    """s w0/Q / (s^2 + s w0/Q + w0^2)."""
    s = 1j * frequency_hz / middle_hz
    return (s / quality) / (s**2 + s / quality + 1.0)


def band_pass_over_time(times_s: np.ndarray, middle_hz: float, quality: float) -> np.ndarray:
    """Its inverse Laplace transform, in 1/s."""
    middle = 2.0 * np.pi * middle_hz
    decay = middle / (2.0 * quality)
    turning = np.sqrt(middle**2 - decay**2 + 0j)
    t = np.maximum(times_s, 0.0)
    ringing = np.exp(-decay * t) * (np.cos(turning * t) - decay / turning * np.sin(turning * t))
    return np.where(times_s >= 0.0, 2.0 * decay * ringing.real, 0.0)


def high_pass(frequency_hz: np.ndarray, corner_hz: float) -> np.ndarray:
    """Fourth order of Butterworth: how a vented loudspeaker ends."""
    s = 1j * frequency_hz / corner_hz
    factors = [s**2 + 2.0 * np.cos(angle) * s + 1.0 for angle in (np.pi / 8.0, 3.0 * np.pi / 8.0)]
    return s**4 / (factors[0] * factors[1])


def slow_response(impulse: ImpulseResponse, frequency_hz: np.ndarray, pressure: np.ndarray) -> np.ndarray:
    """The twin: an inverse Fourier integral, cosine by cosine, of level and phase joined linearly, zero outside the
    band but for its raised cosines. For pressures whose level and phase are smooth once the delay is out."""
    delay_s, highest_hz = float(impulse.facts["delay_s"]), float(impulse.facts["highest_hz"])
    even_hz = np.arange(1.0, RATE_HZ / 2.0)
    apart = pressure * np.exp(2j * np.pi * frequency_hz * delay_s)
    # flat in level and phase beyond the band: only for pressures that are
    level = np.interp(even_hz, frequency_hz, np.abs(apart))
    phase = np.interp(even_hz, frequency_hz, np.unwrap(np.angle(apart)))
    level *= np.where(even_hz < 20.0, 0.5 - 0.5 * np.cos(np.pi * even_hz / 20.0), 1.0)
    above = np.clip((even_hz - highest_hz) / (RATE_HZ / 2.0 - highest_hz), 0.0, 1.0)
    level *= 0.5 + 0.5 * np.cos(np.pi * above)
    found = np.zeros(len(impulse.times_s))
    for hz, size, turn in zip(even_hz, level, phase, strict=True):
        found += 2.0 * size * np.cos(2.0 * np.pi * hz * (impulse.times_s - delay_s) + turn) / RATE_HZ
    return found


def peak_s(impulse: ImpulseResponse) -> float:
    """Place of the largest value between the samples, by the band-limited interpolation that they stand for."""
    times_s = impulse.times_s[np.argmax(np.abs(impulse.samples_pa))] + np.linspace(-1.0, 1.0, 801) / RATE_HZ
    spectrum, bins = np.fft.rfft(impulse.samples_pa), np.fft.rfftfreq(len(impulse.samples_pa), 1.0 / RATE_HZ)
    turns = np.exp(2j * np.pi * np.outer(times_s - impulse.start_s, bins))
    return float(times_s[np.argmax(np.abs((turns @ spectrum).real))])


@pytest.mark.parametrize("delay_s", [0.0, 2.345678e-3, -1.2345e-3, 0.1234, 0.4321])
def test_a_pure_delay_peaks_where_it_should(delay_s: float) -> None:
    impulse = impulse_response(FREQUENCY_HZ, delayed(delay_s))
    # half a step of the fine places
    assert peak_s(impulse) == pytest.approx(delay_s, abs=2.7e-8)
    assert impulse.facts["delay_s"] == pytest.approx(delay_s, abs=1e-8)
    assert impulse.start_s == pytest.approx(delay_s - 0.05, abs=0.51 / RATE_HZ)
    # a whole number of samples
    assert impulse.start_s * RATE_HZ == pytest.approx(round(impulse.start_s * RATE_HZ), abs=1e-6)


def test_a_delay_is_what_its_fourier_integral_is() -> None:
    impulse = impulse_response(FREQUENCY_HZ, delayed(2.345678e-3), samples=4096)
    expected = slow_response(impulse, FREQUENCY_HZ, delayed(2.345678e-3))
    # fades: none between 25 ms ahead of the sound and the last eighth of the record
    whole = (impulse.times_s > -0.022) & (impulse.times_s < impulse.times_s[-1] - 0.012)
    # steps of 1 Hz come round after a second, when what the 20 Hz leave has died away to 1e-6 of the peak
    np.testing.assert_allclose(impulse.samples_pa[whole], expected[whole], rtol=0, atol=2e-6 * expected.max())


@pytest.mark.parametrize(("middle_hz", "quality"), [(200.0, 2.0), (500.0, 0.7), (1000.0, 2.0)])
def test_a_band_pass_rings_as_its_poles_say(middle_hz: float, quality: float) -> None:
    """It begins with a step, and no band to 20 kHz can draw one: half of its height there, and ripples beside it.

    Those of a raised cosine from 20 to 24 kHz, in closed form, fall below 2.3 % of the step two samples off, and
    below 0.05 % fifty samples off.
    """
    impulse = impulse_response(FREQUENCY_HZ, band_pass(FREQUENCY_HZ, middle_hz, quality) * delayed(0.004))
    expected = band_pass_over_time(impulse.times_s - 0.004, middle_hz, quality) / RATE_HZ
    error = np.abs(impulse.samples_pa - expected) / expected.max()
    off = np.abs(impulse.times_s - 0.004) * RATE_HZ
    assert error[off > 2.0].max() < 0.023
    assert error[off > 50.0].max() < 5e-4


def test_four_poles_that_the_band_holds() -> None:
    """Band-pass at 150 Hz and low-pass at 600 Hz, 18 dB per octave above: 2e-5 is left at 20 kHz, 0.3 % below 20 Hz
    of what the roll-off there changes. Residues: the sum of r exp(p t) over the poles."""
    rates = 2.0 * np.pi * np.array([150.0, 600.0])
    poles = np.concatenate([rates * np.exp(1j * angle) for angle in (2.2, -2.2)])
    apart = poles[:, None] - poles + np.eye(4)
    residues = poles / np.prod(apart, axis=1)

    def transfer(frequency_hz: np.ndarray) -> np.ndarray:
        return np.sum(residues / (2j * np.pi * frequency_hz[:, None] - poles), axis=1)

    impulse = impulse_response(FREQUENCY_HZ, transfer(FREQUENCY_HZ) * delayed(0.004))
    t = np.maximum(impulse.times_s - 0.004, 0.0)
    expected = np.sum(residues * np.exp(poles * t[:, None]), axis=1).real / RATE_HZ
    np.testing.assert_allclose(impulse.samples_pa, expected, rtol=0, atol=4e-3 * np.abs(expected).max())
    bins_hz = np.array([50.0, 333.0, 2500.0])
    # its whole: above 40 Hz as the transfer function, between the rows of the grid too
    np.testing.assert_allclose(spectrum_pa(impulse, bins_hz), transfer(bins_hz) * delayed(0.004, bins_hz), rtol=1e-3)


def test_a_monopole_arrives_when_sound_does() -> None:
    """p = A exp(-ikr) / r at two distances: the same response, later and smaller by 1/r."""
    speed_m_per_s = 343.0
    ends = []
    for distance_m in (1.0, 2.5):
        pressure = high_pass(FREQUENCY_HZ, 45.0) * delayed(distance_m / speed_m_per_s) / distance_m
        ends.append(impulse_response(FREQUENCY_HZ, pressure, start_s=distance_m / speed_m_per_s - 0.05))
    # the delay found differs by 1e-9 s, and what is joined with it
    near, far = (impulse.samples_pa for impulse in ends)
    np.testing.assert_allclose(2.5 * far, near, rtol=0, atol=1e-6 * np.abs(near).max())


@pytest.mark.parametrize("rate_hz", [44100.0, 48000.0, 96000.0])
def test_the_transform_gives_the_pressures_back(rate_hz: float) -> None:
    """Within the band; 1e-5 from 100 Hz, 2e-4 from 40 Hz, and 2 % at 20 Hz, where the fades cut what rings."""
    pressure = 0.3 * high_pass(FREQUENCY_HZ, 40.0) * delayed(0.0031)
    impulse = impulse_response(FREQUENCY_HZ, pressure, sampling_rate_hz=rate_hz)
    error = np.abs(spectrum_pa(impulse, FREQUENCY_HZ) / pressure - 1.0)
    inside = float(impulse.facts["highest_hz"]) >= FREQUENCY_HZ
    assert np.count_nonzero(~inside) == (3 if rate_hz == 44100.0 else 0)
    assert error[inside & (FREQUENCY_HZ > 100.0)].max() < 1e-5
    assert error[inside & (FREQUENCY_HZ > 40.0)].max() < 2e-4
    assert error[inside].max() < 0.02
    # as an outside program takes it
    bins_hz = np.fft.rfftfreq(len(impulse.samples_pa), 1.0 / rate_hz)
    row = np.argmin(np.abs(bins_hz - 1000.0))
    at = np.fft.rfft(impulse.samples_pa)[row] * np.exp(-2j * np.pi * bins_hz[row] * impulse.start_s)
    assert at == pytest.approx(spectrum_pa(impulse, bins_hz[[row]])[0], rel=1e-9)


def test_an_echo_within_what_the_grid_carries_and_one_beyond() -> None:
    """Twenty-fourths of an octave carry 17 periods; at 5 and 20 ms these end at 3.4 kHz and 0.85 kHz."""
    whole = high_pass(FREQUENCY_HZ, 40.0)
    errors = {}
    for late_s in (0.005, 0.020):
        pressure = whole * (1.0 + 0.2 * delayed(late_s))
        impulse = impulse_response(FREQUENCY_HZ, pressure)
        assert abs(float(impulse.facts["delay_s"])) < 1e-4
        # between the rows, where only a grid that carries it knows the echo
        between_hz = np.sqrt(FREQUENCY_HZ[1:] * FREQUENCY_HZ[:-1])
        expected = high_pass(between_hz, 40.0) * (1.0 + 0.2 * delayed(late_s, between_hz))
        errors[late_s] = np.abs(spectrum_pa(impulse, between_hz) - expected) / 0.2
        periods = between_hz * late_s
        # one radian from row to row: 0.3 % of the echo, and what fades and ends leave below 100 Hz
        assert errors[late_s][(periods < 5.4) & (between_hz > 100.0)].max() < 4e-3
        # halfway from row to row, an echo half a turn apart is nothing or all of itself
        assert errors[late_s][(periods > 15.0) & (periods < 17.0)].max() > 0.5
    assert impulse.facts["carried_highest_s"] == pytest.approx(0.5 / (FREQUENCY_HZ[-1] - FREQUENCY_HZ[-2]))


def test_a_null_is_passed_through() -> None:
    """An echo as loud as the sound itself: zeros of the pressure, where level and phase are broken."""
    late_s = 1.0 / 3000.0
    pressure = high_pass(FREQUENCY_HZ, 40.0) * (1.0 + delayed(late_s))
    impulse = impulse_response(FREQUENCY_HZ, pressure)
    between_hz = np.sqrt(FREQUENCY_HZ[1:] * FREQUENCY_HZ[:-1])
    error = np.abs(
        spectrum_pa(impulse, between_hz) - high_pass(between_hz, 40.0) * (1.0 + delayed(late_s, between_hz))
    )
    # rows at the top are 1.2 radians apart, 0.7 % of the echo; the delay found lies between both sounds
    assert error[between_hz > 100.0].max() < 0.01


def test_the_roll_off_rings_less_than_a_narrower_or_a_straight_one() -> None:
    facts = impulse_response(FREQUENCY_HZ, delayed(0.0)).facts
    assert -68.0 < float(facts["roll_off_ringing_db"]) < -64.0
    # a flat response rings as its roll-off
    assert facts["ahead_db"] == pytest.approx(facts["roll_off_ringing_db"], abs=0.01)
    even_hz = np.fft.rfftfreq(2**17, 1.0 / RATE_HZ)

    def ringing_db(weight: np.ndarray) -> float:
        kernel = np.abs(np.fft.irfft(weight))
        return float(amplitude_db(kernel[48 : 2**16].max() / kernel[0]))

    rise, fall = np.clip(even_hz / 20.0, 0.0, 1.0), np.clip((24000.0 - even_hz) / (24000.0 - FREQUENCY_HZ[-1]), 0, 1)
    narrower = np.clip(even_hz / 10.0 - 1.0, 0.0, 1.0), np.clip(2.0 * fall - 1.0, 0.0, 1.0)
    cosine, narrow = (
        np.prod(0.5 - 0.5 * np.cos(np.pi * np.array(sides)), axis=0) for sides in ((rise, fall), narrower)
    )
    assert facts["roll_off_ringing_db"] == pytest.approx(ringing_db(cosine), abs=0.01)
    assert ringing_db(cosine) < ringing_db(narrow) - 1.0
    assert ringing_db(cosine) < ringing_db(rise * fall) - 1.0


def test_rows_without_a_number_are_bridged_and_band_ends_are_told() -> None:
    pressure = high_pass(FREQUENCY_HZ, 40.0) * delayed(0.002)
    torn = pressure.copy()
    torn[[0, 1, 100, 150, 151, -1]] = np.nan
    impulse = impulse_response(FREQUENCY_HZ, torn)
    assert impulse.facts["rows_bridged"] == 3
    assert impulse.facts["lowest_hz"] == FREQUENCY_HZ[2]
    assert impulse.facts["highest_hz"] == FREQUENCY_HZ[-2]
    error = np.abs(spectrum_pa(impulse, FREQUENCY_HZ) - pressure)
    # a smooth response is hardly wrong where it is bridged
    assert error[(FREQUENCY_HZ > 100.0) & (FREQUENCY_HZ < 19000.0)].max() < 1e-4


@pytest.mark.parametrize("start_s", [-1.0, -0.4, 0.3, 1.0])
def test_a_record_far_from_the_sound_is_silent(start_s: float) -> None:
    """The transform repeats itself; the record holds nothing of that."""
    impulse = impulse_response(FREQUENCY_HZ, high_pass(FREQUENCY_HZ, 60.0), start_s=start_s)
    near = impulse_response(FREQUENCY_HZ, high_pass(FREQUENCY_HZ, 60.0))
    # a loudspeaker from 60 Hz has died away by 120 dB after 0.3 s, and so has what the 20 Hz leave
    assert np.abs(impulse.samples_pa).max() < 1e-6 * np.abs(near.samples_pa).max()
    assert impulse.start_s == start_s


def test_silence_stays_silent() -> None:
    impulse = impulse_response(FREQUENCY_HZ, np.zeros(240, dtype=complex))
    np.testing.assert_array_equal(impulse.samples_pa, 0.0)
    assert impulse.facts["ahead_db"] == -np.inf


def test_a_linear_grid_will_do() -> None:
    even_hz = np.arange(1.0, 2001.0) * 10.0
    pressure = high_pass(even_hz, 40.0) * delayed(0.01, even_hz)
    impulse = impulse_response(even_hz, pressure)
    # below, ten periods of the corner are few rows to tell its shape
    some = np.arange(40, 2000, 37)
    assert np.abs(spectrum_pa(impulse, even_hz[some]) - pressure[some]).max() < 1e-5
    assert peak_s(impulse) == pytest.approx(0.01, abs=1e-5)


def test_no_band_no_response() -> None:
    with pytest.raises(NumericalError, match="up to 20400 Hz is 3, limit 4 or more"):
        impulse_response(FREQUENCY_HZ[:3], delayed(0.0)[:3])
    with pytest.raises(NumericalError, match="up to 20400 Hz is 0"):
        impulse_response(FREQUENCY_HZ, np.full(240, np.nan + 0j))
    with pytest.raises(NumericalError, match=r"up to 10\.2 Hz is 0"):
        impulse_response(FREQUENCY_HZ, delayed(0.0), sampling_rate_hz=24.0)


def test_a_step_is_the_integral() -> None:
    """Of a band-pass: w0/Q exp(-w0 t / 2Q) sin(w1 t) / w1, from 0."""
    middle_hz, quality = 200.0, 2.0
    step = step_response(impulse_response(FREQUENCY_HZ, band_pass(FREQUENCY_HZ, middle_hz, quality) * delayed(0.004)))
    middle = 2.0 * np.pi * middle_hz
    decay = middle / (2.0 * quality)
    turning = np.sqrt(middle**2 - decay**2)
    t = np.maximum(step.times_s - 0.004, 0.0)
    expected = 2.0 * decay / turning * np.exp(-decay * t) * np.sin(turning * t)
    # what rings at 20 Hz, integrated
    np.testing.assert_allclose(step.samples_pa, expected, rtol=0, atol=0.02 * expected.max())
    assert "step of unit height" in str(step.facts["samples"])
