"""Where responses are cut: at their noise, and never while they still sound.

Records are decays of known speed plus white noise; what the cut costs is the difference to the spectrum of the whole
record without noise, re the noise that is left.
"""

from __future__ import annotations

import numpy as np
import pytest
from condition.test_condition import session_of

from fieldproc.condition import condition
from fieldproc.condition.ending import endings, fade_out
from fieldproc.condition.spectra import spectra_at
from fieldproc.settings import SpectraSettings
from fieldproc.simulate import simulate
from fieldproc.simulate.scene import (
    CylinderModel,
    ImpulseResponseModel,
    MonopoleModel,
    MonopolesModel,
    Scene,
    ShoeboxModel,
)

RATE_HZ, SAMPLES, POINTS = 48000.0, 16384, 150
FREQUENCY_HZ = 41.0 * 2.0 ** (np.arange(0, 8.75, 0.25))
# Of a single sample, re the direct sound.
NOISE = 1e-3


def decay(
    time_constant_s: float, level: float, frequency_hz: float | None = None, samples: int = SAMPLES, seed: int = 1
) -> np.ndarray:
    """Amplitudes that fall to 1/e in the time constant: a tone common to all points, or noise of each point's own."""
    time_s = np.arange(samples) / RATE_HZ
    generator = np.random.default_rng(seed)
    if frequency_hz is None:
        carrier = generator.normal(size=(POINTS, samples))
    else:
        carrier = generator.normal(1.0, 0.3, (POINTS, 1)) * np.sin(2 * np.pi * frequency_hz * time_s)
    return level * carrier * np.exp(-time_s / time_constant_s)


def direct(samples: int = SAMPLES) -> np.ndarray:
    pulse = np.zeros((POINTS, samples))
    pulse[:, 300] = 1.0
    return pulse


def noisy(clean: np.ndarray, level: float = NOISE) -> np.ndarray:
    """(channel, point, sample) of one channel."""
    return (clean + np.random.default_rng(7).normal(0.0, level, clean.shape))[None]


def counts_of(values: np.ndarray, frequency_hz: np.ndarray = FREQUENCY_HZ) -> np.ndarray:
    return endings(values, np.arange(values.shape[1]), RATE_HZ, frequency_hz)


def weights_of(count: int, samples: int) -> np.ndarray:
    weights = np.zeros(samples)
    weights[:count] = 1.0 if count == samples else fade_out(count)
    return weights


def cost_db(clean: np.ndarray, counts: np.ndarray, level: float = NOISE) -> np.ndarray:
    """What the cut takes from the spectra, rms over the points, re the noise that is left in each, (frequency,)."""
    samples = clean.shape[-1]
    cost = np.empty(len(counts))
    for count in np.unique(counts):
        rows, weights = counts == count, weights_of(int(count), samples)
        lost = spectra_at(clean * (1.0 - weights), RATE_HZ, 0.0, FREQUENCY_HZ[rows])
        cost[rows] = np.sqrt(np.mean(np.abs(lost) ** 2, axis=1)) / (level * np.linalg.norm(weights))
    return 20 * np.log10(np.maximum(cost, 1e-20))


def test_records_without_noise_keep_their_length() -> None:
    clean = direct() + decay(0.01, 0.05, 60.0) + decay(0.004, 0.05)
    assert (counts_of(clean[None]) == SAMPLES).all()
    assert (counts_of(clean[None].astype(np.float32)) == SAMPLES).all()
    # after the sound, digital silence
    assert (counts_of(direct()[None]) == SAMPLES).all()


def test_a_simulated_scan_without_noise_keeps_its_length() -> None:
    scene = Scene(
        title="quiet",
        source=MonopolesModel(monopoles=(MonopoleModel(position_m=(0.05, 0.0, 0.02)),)),
        room=ShoeboxModel(),
        scan=CylinderModel(points=60),
        recording=ImpulseResponseModel(samples=8192),
    )
    response = simulate(scene, 1).response
    counts = endings(response.values, np.arange(60), RATE_HZ, FREQUENCY_HZ)
    assert (counts == 8192).all()


def test_it_is_cut_where_only_noise_is_left() -> None:
    """Longest below 400 Hz, where there is least noise and the slow tone; the whole band sees that one, too."""
    clean = direct() + decay(0.02, 0.05, 60.0) + decay(0.005, 0.05)
    counts = counts_of(noisy(clean))
    low, high = counts[FREQUENCY_HZ < 400], counts[FREQUENCY_HZ > 3300]
    # 0.05 exp(-t / 20 ms) / sqrt(2) against 1e-3 / sqrt(48): 110 ms; 14 % of it (2 % of its energy): 39 ms later
    until_s = 0.02 * np.log(0.05 / np.sqrt(2) * np.sqrt(48) / 1e-3)
    assert (low > until_s * RATE_HZ).all()
    assert (low < (until_s + 0.06) * 1.3 * RATE_HZ).all()
    until_s = 0.02 * np.log(0.05 / np.sqrt(2) / 1e-3)
    assert (high > until_s * RATE_HZ).all()
    assert (high < (until_s + 0.06) * 1.3 * RATE_HZ).all()
    assert cost_db(clean, counts).max() < -10.0


@pytest.mark.parametrize(
    ("samples", "frequency_hz", "time_constant_s", "level"),
    [
        # reverberation of 1 s in a record of a twelfth of that
        (4096, 41.0, 0.145, 0.01),
        (4096, 41.0, 0.145, 0.001),
        # fewer than three samples of its band a period
        (4096, 390.0, 0.29, 0.005),
        # just above where bands part
        (4096, 415.0, 0.29, 0.005),
        (SAMPLES, 41.0, 0.145, 0.01),
        (SAMPLES, 41.0, 0.07, 0.003),
        (SAMPLES, 415.0, 0.29, 0.002),
    ],
)
def test_a_slow_tone_is_not_cut(samples: int, frequency_hz: float, time_constant_s: float, level: float) -> None:
    """However it compares with the noise, what a cut takes from it is below the noise of a single record."""
    clean = (
        direct(samples) + decay(time_constant_s, level, frequency_hz, samples) + decay(0.005, 0.02, samples=samples)
    )
    counts = counts_of(noisy(clean))
    assert cost_db(clean, counts).max() < -6.0
    # the fast decay is still told from the slow one
    if samples == SAMPLES and time_constant_s == 0.07:
        assert counts[FREQUENCY_HZ > 3300].max() < counts[0]


def test_sound_in_any_channel_keeps_all_of_them() -> None:
    """A quiet channel with a long tail is not drowned by the noise of a louder one."""
    tail, short = direct() + decay(0.02, 0.02, 60.0), direct() + decay(0.005, 0.02)
    noise = np.random.default_rng(8).normal(size=(2, POINTS, SAMPLES))
    alone, other = tail + 1e-4 * noise[0], 30.0 * (short + NOISE * noise[1])
    expected = np.maximum(counts_of(alone[None]), counts_of(other[None]))
    assert expected.min() < SAMPLES
    for both in (np.stack([alone, other]), np.stack([other, alone])):
        np.testing.assert_array_equal(counts_of(both), expected)
    # a channel that was not connected says nothing
    dead = np.stack([alone, np.zeros_like(alone)])
    np.testing.assert_array_equal(counts_of(dead), counts_of(alone[None]))


def test_points_left_out_do_not_count() -> None:
    values = noisy(direct() + decay(0.02, 0.05, 60.0))
    kept = np.arange(0, POINTS, 2)
    broken = values.copy()
    broken[:, 1::2] = np.nan
    np.testing.assert_array_equal(
        endings(broken, kept, RATE_HZ, FREQUENCY_HZ),
        endings(values[:, kept], np.arange(len(kept)), RATE_HZ, FREQUENCY_HZ),
    )


def test_where_the_end_is_not_steady_nothing_is_cut() -> None:
    """Records that were faded out: what tells the noise is gone."""
    values = noisy(direct() + decay(0.01, 0.05, 60.0))
    assert counts_of(values).max() < SAMPLES
    fade = np.clip((SAMPLES - np.arange(SAMPLES)) / (0.1 * SAMPLES), 0.0, 1.0)
    assert (counts_of(values * fade) == SAMPLES).all()


@pytest.mark.parametrize("level", [0.1, 1.0, 100.0])
def test_a_point_that_holds_noise_alone_does_not_speak_for_the_others(level: float) -> None:
    """However loud it is: the sound of all others is not cut where it falls below the noise of one."""
    values = noisy(direct() + decay(0.01, 0.05, 60.0))
    bad = values.copy()
    bad[0, 7] = np.random.default_rng(9).normal(0.0, level, SAMPLES)
    np.testing.assert_array_equal(counts_of(bad), counts_of(np.delete(values, 7, axis=1)))


@pytest.mark.parametrize("samples", [1, 16, 64, 1000, 4096])
def test_noise_alone_and_short_records_are_left_as_they_are(samples: int) -> None:
    values = np.random.default_rng(2).normal(size=(1, POINTS, samples))
    assert (counts_of(values) == samples).all()


def test_few_points_cannot_tell() -> None:
    """Of four records the mean is not steady enough for a fiftieth of the noise to show."""
    values = noisy(direct() + decay(0.01, 0.05, 60.0))[:, :4]
    assert (counts_of(values)[FREQUENCY_HZ < 400] == SAMPLES).all()


def test_the_fade_is_a_smooth_end() -> None:
    weights = fade_out(1000)
    assert weights.shape == (1000,)
    assert (weights[:800] == 1).all()
    assert (np.diff(weights[799:]) < 0).all()
    # raised cosine over a fifth: its mean square is 3/8
    np.testing.assert_allclose(np.sum(weights**2), 800 + 200 * 3 / 8, rtol=1e-3)
    assert 0 < weights[-1] < 1e-4


def test_the_noise_falls_by_what_is_left_out() -> None:
    """What noise adds to the pressures of a session, with and without sound that lasts."""
    # as many samples as keep every frequency of the grid below the band's end
    grid = SpectraSettings(lowest_hz=50.0, per_octave=6, count=45)
    noise = np.random.default_rng(5).normal(0.0, NOISE, (1, POINTS, SAMPLES))
    clean = (direct() + decay(0.01, 0.05, 60.0))[None]
    session = session_of(clean + noise)
    spectra = condition(session, grid)
    frequency_hz = spectra.frequency_hz
    counts = counts_of(clean + noise, frequency_hz)
    added = spectra.pressure_pa - condition(session_of(clean), grid).pressure_pa
    power = np.mean(np.abs(added[:, 0] / 2.83) ** 2, axis=1)
    expected = np.array([NOISE**2 * np.sum(weights_of(int(count), SAMPLES) ** 2) for count in counts])
    assert counts.max() < 0.6 * SAMPLES
    # 150 points: 0.35 dB (standard deviation) a row
    np.testing.assert_allclose(10 * np.log10(power / expected), np.zeros(len(power)), rtol=0, atol=1.3)
    np.testing.assert_allclose(10 * np.log10(power.sum() / expected.sum()), 0.0, rtol=0, atol=0.2)
