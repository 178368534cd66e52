"""Noise of known level found again: from silent records, before the direct sound, from repeats.

White noise of standard deviation s adds up to a power of N s^2 at every frequency of a sum over N samples; where
the sound has died away before, the sum ends (see :mod:`fieldproc.condition.ending`) and holds a share of that.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from condition.test_condition import pulses, session_of
from expand.plain_waves import complex_normal

from fieldproc.condition import condition
from fieldproc.condition.ending import endings, fade_out
from fieldproc.condition.noise import noise_before_sound, own_spectra, spectrum_and_levels, third_octaves
from fieldproc.condition.spectra import log_frequency_grid
from fieldproc.records import Drive, ImpulseResponses, Noise, Session, Spectra, TransferFunctions
from fieldproc.settings import SpectraSettings
from fieldproc.simulate import simulate
from fieldproc.simulate.scene import CylinderModel, ImpulseResponseModel, MonopoleModel, MonopolesModel, Scene

RATE_HZ, SAMPLES, VOLTAGE_V = 48000.0, 2048, 2.83
GRID = SpectraSettings(lowest_hz=50.0, per_octave=12, count=100)
GENERATOR_SEED = 5
# Half of the points 20 dB noisier than the others; re the largest sample of all.
QUIET_DB, LOUD_DB = -80.0, -60.0


@cache
def quiet_session() -> Session:
    """A source in free field without noise; a lead-in of 256 samples."""
    scene = Scene(
        title="Two monopoles",
        source=MonopolesModel(
            monopoles=(
                MonopoleModel(position_m=(0.05, 0.0, 0.02)),
                MonopoleModel(position_m=(-0.04, 0.03, 0.0), gain=0.5),
            )
        ),
        scan=CylinderModel(points=150),
        recording=ImpulseResponseModel(sampling_rate_hz=RATE_HZ, samples=SAMPLES),
    )
    return simulate(scene, 1)


def deviation(level_db: np.ndarray | float) -> np.ndarray:
    """Standard deviation of noise re the largest sample, in Pa/V."""
    response = quiet_session().response
    assert isinstance(response, ImpulseResponses)
    return np.abs(response.values).max() * 10.0 ** (np.asarray(level_db) / 20.0)


def levels_db() -> np.ndarray:
    """Of every point; the noisy ones lie among the others."""
    return np.where(np.arange(len(quiet_session().positions_m)) % 2 == 0, QUIET_DB, LOUD_DB)


def noisy_session(level_db: np.ndarray | float, lead_in: bool = True, repeats: int = 1) -> Session:
    """White noise at a level of each point; without the lead-in, nothing shows before the sound."""
    session = quiet_session()
    assert isinstance(session.response, ImpulseResponses)
    values = np.repeat(session.response.values, repeats, axis=1).astype(np.float64)
    own = np.broadcast_to(np.repeat(deviation(level_db), repeats if np.ndim(level_db) else 1), values.shape[1])
    values += np.random.default_rng(GENERATOR_SEED).normal(0.0, own[None, :, None], values.shape)
    start = 0 if lead_in else 256
    response = ImpulseResponses(values[..., start:].astype(np.float32), RATE_HZ, (start - 256) / RATE_HZ)
    points = values.shape[1]
    return replace(
        session,
        response=response,
        positions_m=np.repeat(session.positions_m, repeats, axis=0),
        valid=np.ones(points, dtype=np.bool_),
        surface=np.repeat(session.surface, repeats),
        air=replace(session.air, temperature_c=None),
    )


def ventilated_session(repeats: int = 2, raised_db: float = 0.0) -> Session:
    """Two phases of a scan: odd points are 20 dB noisier below 300 Hz, the others above 1 kHz."""
    session = noisy_session(-np.inf, lead_in=False, repeats=repeats)
    assert isinstance(session.response, ImpulseResponses)
    channels, points, samples = session.response.values.shape
    white = np.random.default_rng(GENERATOR_SEED).normal(
        0.0, float(deviation(QUIET_DB + raised_db)), (channels, points, samples)
    )
    gain = np.repeat(ventilation(np.fft.rfftfreq(samples, 1 / RATE_HZ)), repeats, axis=1).T
    values = session.response.values + np.fft.irfft(np.fft.rfft(white, axis=2) * gain, samples, axis=2)
    return replace(session, response=replace(session.response, values=values.astype(np.float32)))


def ventilation(frequency_hz: np.ndarray, points: int = 150) -> np.ndarray:
    """Noise re the quiet level of :func:`ventilated_session`, as amplitude (frequency, point)."""
    odd, at_hz = np.arange(points) % 2 == 1, frequency_hz[:, None]
    return np.where(np.where(odd, at_hz < 300.0, at_hz > 1000.0), 10.0 ** ((LOUD_DB - QUIET_DB) / 20.0), 1.0)


def silent_records(level_db: float, records: int, samples: int = SAMPLES, rate_hz: float = RATE_HZ) -> Noise:
    noise = np.random.default_rng(6).normal(0.0, float(deviation(level_db)), (1, records, samples))
    return Noise(noise.astype(np.float32), rate_hz)


def samples_used(session: Session) -> np.ndarray:
    """How many samples' noise is in the spectra of :data:`GRID`, (frequency,)."""
    response, frequency_hz = session.response, log_frequency_grid(GRID.lowest_hz, GRID.per_octave, GRID.count)
    assert isinstance(response, ImpulseResponses)
    points, samples = response.values.shape[1:]
    counts = endings(response.values, np.arange(points), response.sampling_rate_hz, frequency_hz)
    return np.array([count if count == samples else np.sum(fade_out(count) ** 2) for count in counts])


def found_db(spectra: Spectra, samples: np.ndarray | int) -> np.ndarray:
    """Level of the noise (frequency, point) re the largest sample, had it been white; over the samples used."""
    assert spectra.noise_pa is not None
    per_sample = spectra.noise_pa[:, 0] / np.sqrt(np.reshape(samples, (-1, 1)))
    return 20 * np.log10(per_sample / VOLTAGE_V / deviation(0.0))


def test_from_silent_records() -> None:
    session = noisy_session(QUIET_DB, lead_in=False)
    spectra = condition(replace(session, noise=silent_records(QUIET_DB, 8)), GRID)
    found = found_db(spectra, samples_used(session))
    np.testing.assert_allclose(found.mean(), QUIET_DB, rtol=0, atol=1.0)
    # 8 records times at least 2 independent frequencies: 1.1 dB (standard deviation) at the lowest
    np.testing.assert_allclose(found, QUIET_DB, rtol=0, atol=3.5)
    assert np.ptp(found, axis=1).max() < 1e-9
    assert spectra.notices[-1] == "noise found from 8 silent records"


@pytest.mark.parametrize("silent", [False, True], ids=["before the sound", "silent records"])
def test_it_is_the_noise_of_the_spectra(silent: bool) -> None:
    """What noise adds to the pressures of a scan, re what is said of it; both alike where the sum ends early."""
    session = noisy_session(QUIET_DB)
    if silent:
        session = replace(session, noise=silent_records(QUIET_DB, 40))
    whole = samples_used(session) == SAMPLES
    assert 20 < np.count_nonzero(whole) < 80
    spectra = condition(session, GRID)
    assert spectra.noise_pa is not None
    clean = replace(quiet_session(), air=session.air)
    added = np.abs(spectra.pressure_pa - condition(clean, GRID).pressure_pa) ** 2 / spectra.noise_pa**2
    # 150 points at some 40 independent frequencies: 1 %, and as much again from the few samples of the silence;
    # the levels of the points, 0.5 dB each, add 2 % to the mean of a ratio
    for rows in (whole, ~whole):
        np.testing.assert_allclose(added[rows].mean(), 1.0, rtol=0, atol=0.1)


def test_silent_records_without_noise_are_left_out() -> None:
    session, noise = noisy_session(QUIET_DB, lead_in=False), silent_records(QUIET_DB, 10)
    values = noise.values.copy()
    values[0, 3, 7], values[0, 5] = np.nan, 0.0
    good = np.delete(noise.values, [3, 5], axis=1)
    spectra, expected = (condition(replace(session, noise=Noise(v, RATE_HZ)), GRID) for v in (values, good))
    assert spectra.noise_pa is not None
    np.testing.assert_array_equal(spectra.noise_pa, expected.noise_pa)
    assert spectra.notices[-1] == "noise found from 8 silent records"
    assert condition(replace(session, noise=Noise(0.0 * good, RATE_HZ)), GRID).noise_pa is None


@pytest.mark.parametrize(("samples", "rate_hz", "density_db"), [(8192, RATE_HZ, 0.0), (4096, 24000.0, 3.0103)])
def test_silent_records_of_another_length_or_rate(samples: int, rate_hz: float, density_db: float) -> None:
    """At half the rate, the same deviation is twice the density."""
    session = replace(noisy_session(QUIET_DB, lead_in=False), noise=silent_records(QUIET_DB, 20, samples, rate_hz))
    found = found_db(condition(session, GRID), samples_used(session))
    np.testing.assert_allclose(found.mean(), QUIET_DB + density_db, rtol=0, atol=0.5)


def test_before_the_sound_every_point_has_its_level() -> None:
    session = noisy_session(levels_db())
    spectra = condition(session, GRID)
    found = found_db(spectra, samples_used(session))
    np.testing.assert_allclose([found[:, ::2].mean(), found[:, 1::2].mean()], [QUIET_DB, LOUD_DB], rtol=0, atol=1.0)
    # half of the lead-in, 140 samples: 10 lg(1 + sqrt(2 / 140)) = 0.5 dB per point; the worst of 150 is 3 of these
    np.testing.assert_allclose(found.mean(axis=0), levels_db(), rtol=0, atol=2.5)
    assert spectra.notices[-1] == "noise found from what precedes the direct sound"


@pytest.mark.parametrize("transfer", [False, True], ids=["impulse responses", "transfer functions"])
def test_from_repeats(transfer: bool) -> None:
    session = noisy_session(levels_db(), lead_in=False, repeats=2)
    samples: np.ndarray | int = samples_used(session)
    if transfer:
        samples = SAMPLES - 256
        frequency_hz = log_frequency_grid(50.0, 12, 100)
        generator = np.random.default_rng(8)
        values = np.ones((100, 1, 300)) * 0.1 + np.sqrt(samples) * deviation(
            np.repeat(levels_db(), 2)
        ) * complex_normal(generator, 100, 1, 300)
        session = replace(session, response=TransferFunctions(values, frequency_hz))
    spectra = condition(session, GRID)
    # of the mean of two
    found = found_db(spectra, samples) + 10 * np.log10(2)
    np.testing.assert_allclose([found[:, ::2].mean(), found[:, 1::2].mean()], [QUIET_DB, LOUD_DB], rtol=0, atol=1.0)
    # one pair at some 60 independent frequencies: 0.6 dB per point
    np.testing.assert_allclose(found.mean(axis=0), levels_db(), rtol=0, atol=2.5)
    assert spectra.notices[-1] == "noise found from repeats at 150 positions"


def test_silent_records_give_the_spectrum_and_the_scan_the_levels() -> None:
    session = replace(noisy_session(levels_db()), noise=silent_records(LOUD_DB, 8))
    spectra = condition(session, GRID)
    found = found_db(spectra, samples_used(session))
    # the mean power over the points is that of the silent records; 100 to 1 between the two halves
    quiet, loud = np.mean(10 ** (found / 10), axis=0).reshape(-1, 2).T
    np.testing.assert_allclose(10 * np.log10(loud.mean() / quiet.mean()), 20.0, rtol=0, atol=1.0)
    np.testing.assert_allclose(10 * np.log10((loud.mean() + quiet.mean()) / 2), LOUD_DB, rtol=0, atol=1.0)
    assert spectra.notices[-1] == "noise found from 8 silent records and what precedes the direct sound"


def test_averaged_records_are_less_noisy() -> None:
    single, averaged = (
        found_db(condition(session, GRID), samples_used(session)).mean()
        for session in (noisy_session(QUIET_DB, repeats=n) for n in (1, 4))
    )
    # below 340 Hz, a quarter of the rows, what precedes the sound knows one value per point: 0.35 dB over 150 points
    np.testing.assert_allclose(single - averaged, 10 * np.log10(4), rtol=0, atol=0.5)


def test_units_are_those_of_the_pressure() -> None:
    """Driven at 5.66 V, a response and its noise in Pa/V stand for twice the pressure."""
    session = noisy_session(QUIET_DB)
    double = condition(replace(session, drive=Drive(voltage_v=2 * VOLTAGE_V)), GRID).noise_pa
    usual = condition(session, GRID).noise_pa
    assert double is not None
    assert usual is not None
    np.testing.assert_allclose(double, 2 * usual, rtol=1e-12)


def test_where_nothing_tells_the_noise_it_is_not_known() -> None:
    # no lead-in, no silent record, no repeat
    assert condition(noisy_session(QUIET_DB, lead_in=False), GRID).noise_pa is None
    # records that agree to the last bit are copies, not measurements
    twice = session_of(pulses(*[0.1] * 8), positions_m=np.repeat(np.eye(4, 3) + 1.0, 2, axis=0))
    assert condition(twice, GRID).noise_pa is None


def test_before_the_sound_only_what_is_steady_counts() -> None:
    session = noisy_session(QUIET_DB)
    assert isinstance(session.response, ImpulseResponses)
    frequency_hz = np.array([1000.0])
    assert noise_before_sound(session.response, np.arange(150), frequency_hz) is not None
    fade = np.minimum(1.0, np.arange(SAMPLES) / 200.0)
    faded = replace(session.response, values=session.response.values * fade)
    assert noise_before_sound(faded, np.arange(150), frequency_hz) is None
    zeroed = replace(session.response, values=session.response.values * (np.arange(SAMPLES) > 200))
    assert noise_before_sound(zeroed, np.arange(150), frequency_hz) is None
    # the band limit rings ahead of the sound: without any noise there is nothing steady
    clean = quiet_session().response
    assert isinstance(clean, ImpulseResponses)
    assert noise_before_sound(clean, np.arange(150), frequency_hz) is None


def test_frequencies_without_data_have_no_noise_either() -> None:
    session = noisy_session(QUIET_DB)
    spectra = condition(session, SpectraSettings(lowest_hz=20000.0, per_octave=2, count=3))
    assert spectra.noise_pa is not None
    assert np.isfinite(spectra.noise_pa[:1]).all()
    assert np.isnan(spectra.noise_pa[1:]).all()


def test_third_octaves_the_slow_way() -> None:
    frequency_hz = log_frequency_grid(20.0, 24, 60)
    power = np.random.default_rng(1).normal(size=(60, 2)) ** 2
    for resolved_hz in (0.0, 7.0):
        slow = np.empty_like(power)
        for row, middle in enumerate(frequency_hz):
            low = min(middle * 2 ** (-1 / 6), middle - 2 * resolved_hz)
            high = max(middle * 2 ** (1 / 6), middle + 2 * resolved_hz)
            # a hair wider: rows exactly a sixth of an octave away belong
            near = [other for other in range(60) if low * (1 - 1e-9) <= frequency_hz[other] < high * (1 + 1e-9)]
            slow[row] = np.mean(power[near], axis=0)
        np.testing.assert_allclose(third_octaves(power, frequency_hz, resolved_hz), slow, rtol=1e-12)


def test_spectrum_and_levels_of_a_product_are_its_factors() -> None:
    frequency_hz = log_frequency_grid(100.0, 3, 12)
    # third octaves apart, every row is a band of its own
    spectrum, level = np.linspace(1.0, 5.0, 12)[:, None], np.array([[0.1, 1.0, 1.9, 1.0]])
    weight = np.array([1.0, 2.0, 1.0, 0.0])
    found = spectrum_and_levels(spectrum[:, :, None] * level, weight, frequency_hz, 0.0)
    np.testing.assert_allclose(found[0], spectrum, rtol=1e-9)
    np.testing.assert_allclose(found[1], level, rtol=1e-9)


def test_levels_that_follow_frequency() -> None:
    """20 dB between two halves of the points, one way below 300 Hz and the other above 1 kHz."""
    spectra = condition(ventilated_session(), GRID)
    assert spectra.noise_pa is not None
    found_db = 20 * np.log10(spectra.noise_pa[:, 0])
    odd_re_even_db = np.median(found_db[:, 1::2], axis=1) - np.median(found_db[:, ::2], axis=1)
    # an octave within the edges: knots are so far apart
    low, high = spectra.frequency_hz < 150.0, spectra.frequency_hz > 2000.0
    # drawn towards the mean where an octave holds few samples, 50 to 100 Hz only two or three steps of 23 Hz
    np.testing.assert_allclose(odd_re_even_db[high], -20.0, rtol=0, atol=1.0)
    assert np.all((odd_re_even_db[low] > 8.0) & (odd_re_even_db[low] < 22.0))
    # one number per point would have said -20 dB everywhere: nearly all samples lie above 1 kHz
    assert np.all(np.diff(odd_re_even_db) < 0.5)


@pytest.mark.parametrize("resolved_hz", [400.0, 20.0])
def test_equal_noise_has_one_spectrum_and_levels(resolved_hz: float) -> None:
    """What is chance changes nothing: levels of one spectrum are those of ``spectrum_and_levels`` to the bit."""
    generator, frequency_hz = np.random.default_rng(9), log_frequency_grid(20.0, 24, 240)
    step_hz = np.diff(frequency_hz, prepend=0.0)
    # samples as far apart as is resolved; rows between them share the next one
    sample = np.floor(np.cumsum(np.minimum(step_hz / resolved_hz, 1.0))).astype(int)
    power = np.abs(complex_normal(generator, sample.max() + 1, 1, 100))[sample] ** 2 * generator.lognormal(0, 1, 100)
    spectrum, level = own_spectra(power, np.ones(100), frequency_hz, resolved_hz)
    expected = spectrum_and_levels(power, np.ones(100), frequency_hz, resolved_hz)
    np.testing.assert_array_equal(spectrum, expected[0])
    np.testing.assert_array_equal(level, expected[1][None])


def test_levels_have_the_mean_one_and_leave_unknown_points_alone() -> None:
    generator, frequency_hz = np.random.default_rng(10), log_frequency_grid(20.0, 6, 60)
    weight = np.where(np.arange(80) < 60, 1.0, 0.0)
    step = np.where((frequency_hz[:, None] < 300.0) == (np.arange(80) % 2 == 0), 100.0, 1.0)[:, None]
    power = np.abs(complex_normal(generator, 60, 1, 80)) ** 2 * step
    spectrum, level = own_spectra(power, weight, frequency_hz, 0.0)
    assert level.shape == (60, 1, 80)
    np.testing.assert_allclose(level[..., :60].mean(axis=2), 1.0, rtol=1e-12)
    np.testing.assert_array_equal(level[..., 60:], 1.0)
    # the spectrum is then that of the mean of the points, 50.5: 60 points in a third of an octave, half an octave off
    far = np.abs(np.log2(frequency_hz / 300.0)) > 1.0
    np.testing.assert_allclose(spectrum[far, 0], 50.5, rtol=0.35)
