"""Level, delay and sound speed of records at one place, against what they were rendered with and a slow twin."""

from __future__ import annotations

import numpy as np
import pytest
from condition.drifting import KELVIN, PLACE_M, RATE_HZ, SAMPLES, START_S, render, scene, session_at, with_noise
from scipy import optimize

from fieldproc.condition.gate import emission_s
from fieldproc.condition.returns import DELAY, GAIN, SPEED, Differences, Repeats, differences
from fieldproc.conventions import Floats
from fieldproc.records import ImpulseResponses

ALL = (GAIN, DELAY, SPEED)
RETURNS, SPEED_M_PER_S = 11, 343.2
SHARE = np.linspace(0.0, 1.0, RETURNS)
PLACES_M = np.tile(PLACE_M, (RETURNS, 1))
# Of a tenth of a decibel, as a logarithm; of a sample.
TENTH_DB, SAMPLE_S = 0.1 * np.log(10) / 20, 1.0 / RATE_HZ


def repeats_of(values: np.ndarray, group: np.ndarray | None = None, **known: Floats) -> Repeats | None:
    """Of records (record, sample); by default all at one place, nothing known of their differences."""
    records = len(values)
    session = session_at(np.tile(PLACE_M, (records, 1)), values)
    assert isinstance(session.response, ImpulseResponses)
    kept, late_s = np.arange(records), known.get("late_s", np.zeros(records))
    speed = known.get("speed", np.full(records, SPEED_M_PER_S))
    began_s = emission_s(session, session.response, speed, kept, late_s)
    group = np.zeros(records, dtype=np.int64) if group is None else group
    loudness = known.get("loudness", np.ones(records))
    return Repeats.of(session.response, kept, group, SAMPLES, (speed, began_s, late_s, loudness))


def compared(values: np.ndarray, **known: Floats) -> Differences:
    repeats = repeats_of(values, **known)
    assert repeats is not None
    return differences(repeats, ALL)


def against_the_first(found: Differences) -> np.ndarray:
    return np.asarray(found.value - found.value[:, :1])


@pytest.mark.parametrize(
    ("gain", "late_s", "warmer_k"),
    [(TENTH_DB, 0.0, 0.0), (0.0, SAMPLE_S, 0.0), (0.0, 0.0, 1.0), (0.0, 0.0, 4.0), (TENTH_DB, SAMPLE_S, 1.0)],
)
def test_gain_delay_and_air_are_told_apart(gain: float, late_s: float, warmer_k: float) -> None:
    values = render(scene(), PLACES_M, warmer_k * SHARE, gain * SHARE * 20 / np.log(10), late_s * SHARE)
    found = compared(with_noise(values, -40.0, 1))
    faster = np.sqrt((293.15 + warmer_k * SHARE) / 293.15) - 1.0
    error = found.value - np.stack([gain * SHARE, late_s * SHARE, faster])
    error -= error.mean(axis=1, keepdims=True)
    assert not found.odd.any()
    # when the sound began is known to 0.3 ms; a change of the air by a share passes for a delay by that share of it
    unsure = np.array([0.0, 3e-4 * KELVIN * warmer_k, 0.0])[:, None]
    # 33 numbers: 3.5 standard errors are exceeded in one draw of 60
    assert np.all(np.abs(error) < 3.5 * found.sigma + unsure)
    # a hundredth of what is to be found
    assert np.all(found.sigma[:, 0] < np.array([TENTH_DB / 10, SAMPLE_S / 1000, KELVIN / 30]))


def test_standard_errors_are_those_of_the_noise() -> None:
    values = render(scene(), PLACES_M)
    found = [compared(with_noise(values, -40.0, seed)) for seed in range(12)]
    score = np.array([(one.value - one.value.mean(axis=1, keepdims=True)) / one.sigma for one in found])
    # 12 times 10 free values: a standard deviation is known to 6.5 %
    np.testing.assert_allclose(np.sqrt(np.sum(score**2, axis=(0, 2)) / 120), np.ones(3), rtol=0.2)


def slow_twin(values: np.ndarray, began_s: float) -> np.ndarray:
    """Gain, delay and speed of record 1 re record 0: the Fourier sums at frequencies stretched, all at once."""
    time_s, frequency_hz = START_S + np.arange(SAMPLES) / RATE_HZ, np.arange(40.0, 1500.0, 10.0)

    def spectrum(record: np.ndarray, gain: float, late_s: float, faster: float) -> np.ndarray:
        own_s = began_s + late_s + (1.0 + faster) * (time_s - began_s - late_s)
        turn = np.exp(-2j * np.pi * frequency_hz[:, None] * (own_s - late_s))
        return (1.0 + faster) ** 2 * np.exp(-gain) * turn @ record

    def missed(scaled: np.ndarray) -> np.ndarray:
        left = spectrum(values[1], *(scaled * [1e-2, 1e-5, 1e-3])) - spectrum(values[0], 0.0, 0.0, 0.0)
        return np.concatenate([left.real, left.imag])

    return np.asarray(optimize.least_squares(missed, np.zeros(3), xtol=1e-14, ftol=1e-14).x * [1e-2, 1e-5, 1e-3])


def test_differences_are_those_of_the_slow_twin() -> None:
    ramp = np.array([0.0, 1.0, 0.5])
    values = render(scene(), PLACES_M[:3], 0.5 * ramp, 0.1 * ramp, 2e-5 * ramp)
    repeats = repeats_of(values)
    assert repeats is not None
    found = against_the_first(differences(repeats, ALL))[:, 1]
    expected = slow_twin(values, float(repeats.emission_s[0]))
    # sound speeds are rounded to 4e-6, which at 10 ms is a delay of 40 ns; weights over frequency differ
    assert np.all(np.abs(found - expected) < 0.01 * np.abs(expected) + np.array([1e-5, 4e-8, 4e-6]))


def test_what_is_known_is_not_found_again() -> None:
    values = render(scene(), PLACES_M, 2.0 * SHARE, 0.1 * SHARE, SAMPLE_S * SHARE)
    found = compared(
        with_noise(values, -40.0, 2),
        speed=SPEED_M_PER_S * np.sqrt((293.15 + 2.0 * SHARE) / 293.15),
        late_s=SAMPLE_S * SHARE,
        loudness=np.exp(TENTH_DB * SHARE),
    )
    assert np.all(np.abs(against_the_first(found)) < 3.5 * np.sqrt(2) * found.sigma + np.array([[0], [1e-6], [0]]))


def test_only_what_is_asked_for_is_fitted() -> None:
    repeats = repeats_of(render(scene(), PLACES_M, SHARE))
    assert repeats is not None
    found = differences(repeats, (GAIN, SPEED))
    assert not found.value[DELAY].any()
    # the delay that air seems to bring, for want of the moment when the sound began, goes to its speed
    assert np.ptp(found.value[SPEED]) == pytest.approx(KELVIN, rel=0.05)


def test_a_record_from_elsewhere_is_odd() -> None:
    moved = PLACES_M.copy()
    moved[7] += [0.0, 0.03, 0.0]
    found = compared(with_noise(render(scene(), moved, SHARE), -50.0, 3))
    assert np.flatnonzero(found.odd).tolist() == [7]
    others = np.flatnonzero(~found.odd)
    # it is no part of the mean that the others are compared with
    np.testing.assert_allclose(np.polyfit(SHARE[others], found.value[SPEED, others], 1)[0], KELVIN, rtol=0.02)


def test_places_seen_twice_are_not_asked() -> None:
    values = np.random.default_rng(4).normal(size=(60, SAMPLES))
    assert repeats_of(values, np.arange(60) % 30) is None
    some = repeats_of(values, np.where(np.arange(60) < 50, np.arange(60), 7))
    assert some is not None
    assert some.record.tolist() == [7, *range(50, 60)]
    assert np.ptp(some.group) == 0
    # of very many the number is limited, over all the scan
    every = repeats_of(values[np.arange(300) % 60], np.arange(300) % 100)
    assert every is not None
    assert 50 < len(every.record) <= 64
    assert set(np.bincount(every.group)) == {3}
    assert np.ptp(every.record[:20]) > 70
    alone = repeats_of(values[np.arange(300) % 60], np.zeros(300, dtype=np.int64))
    assert alone is not None
    assert (len(alone.record), alone.record[0], alone.record[-1]) == (64, 0, 299)
