"""What the end of a record cuts off, against longer records of the same synthetic modes."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from condition.test_condition import session_of

from fieldproc.condition import condition
from fieldproc.condition.late import CAUTION_DB, TOLD_DB, late_level_db
from fieldproc.condition.spectra import log_frequency_grid, spectra_at
from fieldproc.records import ImpulseResponses
from fieldproc.settings import SpectraSettings
from fieldproc.simulate import NAMED_SCENES, simulate

RATE_HZ, SAMPLES, POINTS = 3000.0, 512, 200  # 171 ms
FREQUENCY_HZ = log_frequency_grid(30.0, 12, 50)
GRID = SpectraSettings(lowest_hz=30.0, per_octave=12, count=50)
DIRECT_AT = 15


def modes(decay_60_db_s: float, seed: int) -> np.ndarray:
    """Responses (point, sample) eight times as long: a direct pulse, then modes of random place, level and phase."""
    generator = np.random.default_rng(seed)
    # spacing from 8 Hz at the bottom to 2 Hz at the top, as in a small room
    spacing_hz = 8.0 * generator.exponential(size=250) / np.linspace(1.0, 4.0, 250)
    frequency_hz = 25.0 + np.cumsum(spacing_hz)
    frequency_hz = frequency_hz[frequency_hz < 800.0]
    time_s = np.arange(8 * SAMPLES - DIRECT_AT) / RATE_HZ
    decay = 3.0 * np.log(10.0) / decay_60_db_s
    waves = np.exp((2j * np.pi * frequency_hz[:, None] - decay) * time_s)
    strength = 0.05 * generator.normal(size=(POINTS, len(frequency_hz), 2)).view(np.complex128)[..., 0]
    responses = np.zeros((POINTS, 8 * SAMPLES))
    responses[:, DIRECT_AT:] = (strength @ waves).real
    responses[:, DIRECT_AT] += 1.0
    return responses


@cache
def true_and_found_db(decay_60_db_s: float, noise: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """In octaves: power of what is missing re the whole, from the long record, and the estimate from the cut one."""
    long = modes(decay_60_db_s, seed)
    cut = long[:, :SAMPLES] + noise * np.random.default_rng(seed).normal(size=(POINTS, SAMPLES))
    whole = spectra_at(long, RATE_HZ, 0.0, FREQUENCY_HZ)
    missing = whole - spectra_at(long[:, :SAMPLES], RATE_HZ, 0.0, FREQUENCY_HZ)
    true = []
    for middle_hz in FREQUENCY_HZ:
        # rows lie evenly over log frequency, a band is one of linear frequency
        weight = FREQUENCY_HZ * (np.abs(np.log2(FREQUENCY_HZ / middle_hz)) < 0.5 + 1e-9)
        power = [weight @ np.mean(np.abs(part) ** 2, axis=1) for part in (missing, whole)]
        true.append(10 * np.log10(power[0] / power[1]))
    found = late_level_db(cut[None], RATE_HZ, FREQUENCY_HZ, np.arange(POINTS))
    return np.array(true), found[:, 0]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("noise", [0.0, 1e-3], ids=["no noise", "-60 dB"])
def test_tail_of_minus_20_db_at_60_hz(noise: float, seed: int) -> None:
    """60 dB in 0.51 s: 20 dB in the 171 ms of the record."""
    true, found = true_and_found_db(0.51, noise, seed)
    near = np.abs(np.log2(FREQUENCY_HZ / 60.0)) < 0.5
    np.testing.assert_allclose(true[near], -20.0, rtol=0, atol=1.5)
    # an estimate from beating modes; asked for: 3 dB
    np.testing.assert_allclose(found[near].mean(), true[near].mean(), rtol=0, atol=3.0)
    assert np.all(found[near] > CAUTION_DB)


@pytest.mark.parametrize(("decay_60_db_s", "level_db"), [(0.3, -34.0), (0.7, -14.5), (1.0, -10.2)])
def test_shorter_and_longer_decays(decay_60_db_s: float, level_db: float) -> None:
    true, found = true_and_found_db(decay_60_db_s, 1e-3, 1)
    np.testing.assert_allclose(np.median(true), level_db, rtol=0, atol=1.0)
    np.testing.assert_allclose(np.median(found), level_db, rtol=0, atol=2.5)


def test_a_single_mode_has_its_tail_everywhere() -> None:
    """exp(-t / tau) cut at T leaves exp(-T / tau) of itself, and of its spectrum; T60 of 0.51 s: -20.1 dB."""
    time_s = np.arange(SAMPLES) / RATE_HZ
    phase = np.random.default_rng(1).uniform(0.0, 2 * np.pi, (20, 1))
    samples = np.exp(-3.0 * np.log(10.0) / 0.51 * time_s) * np.cos(2 * np.pi * 60.0 * time_s + phase)
    found = late_level_db(samples[None], RATE_HZ, np.array([60.0]), np.arange(20))
    np.testing.assert_allclose(found, [[-60.0 * SAMPLES / RATE_HZ / 0.51]], rtol=0, atol=0.5)


@pytest.mark.parametrize("level", [1e-3, 1e-2, 1e-1])
def test_noise_alone_is_no_tail(level: float) -> None:
    for seed in range(5):
        samples = level * np.random.default_rng(seed).normal(size=(1, POINTS, SAMPLES))
        samples[..., DIRECT_AT] += 1.0
        found = late_level_db(samples, RATE_HZ, FREQUENCY_HZ, np.arange(POINTS))
        assert found.max() < TOLD_DB


def test_every_channel_has_its_own_and_trailing_zeros_tell_nothing() -> None:
    short, long = modes(0.2, 4)[:, :SAMPLES], modes(0.8, 4)[:, :SAMPLES]
    both = np.pad(np.stack([short, long]), ((0, 0), (0, 0), (0, 300)))
    found = late_level_db(both, RATE_HZ, FREQUENCY_HZ, np.arange(POINTS))
    for channel, alone in enumerate((short, long)):
        single = late_level_db(alone[None], RATE_HZ, FREQUENCY_HZ, np.arange(POINTS))
        np.testing.assert_allclose(found[:, channel], single[:, 0], rtol=0, atol=1.0)
    assert np.median(found[:, 0]) < TOLD_DB < CAUTION_DB < np.median(found[:, 1])


def test_a_truncated_session_says_so() -> None:
    session = session_of(modes(0.51, 1)[None, :, :SAMPLES])
    session = replace(session, response=ImpulseResponses(modes(0.51, 1)[None, :, :SAMPLES], RATE_HZ))
    spectra = condition(session, GRID)
    assert spectra.late_db is not None
    assert spectra.late_db.shape == (50, 1)
    assert "responses end before the room has died away: between 30 and " in spectra.notices[-1]
    assert "record longer responses" in spectra.notices[-1]


@pytest.mark.parametrize("name", ["point-source", "two-way"])
def test_a_session_that_has_died_away_is_not_flagged(name: str) -> None:
    """The simulator refuses records that the sound outlasts: -120 dB re the peak is left."""
    scene = NAMED_SCENES[name]()
    small = scene.model_copy(update={"scan": scene.scan.model_copy(update={"points": 120})})
    spectra = condition(simulate(small, 1), SpectraSettings(per_octave=6, count=60))
    assert spectra.late_db is not None
    assert np.nanmax(spectra.late_db) < TOLD_DB
    assert "died away" not in " ".join(spectra.notices)
    # what converters pass ends at 10.9 kHz in one of them, half the sampling rate is 12 kHz
    assert not np.isnan(spectra.late_db[spectra.usable]).any()
    top_hz = 0.4535 * (24000.0 if name == "point-source" else 48000.0)
    np.testing.assert_array_equal(spectra.usable, spectra.frequency_hz <= top_hz)
