"""Gates that end with the sound: decays of known length, white noise of known power, and the errors that are left."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fieldproc.condition import condition
from fieldproc.condition.gate import GateTimes, gate_window
from fieldproc.condition.gate_ending import Sooner, best_gates, end_with_the_sound
from fieldproc.condition.noise import third_octaves
from fieldproc.condition.repeats import mean_of_groups
from fieldproc.conventions import power_db
from fieldproc.records import Gated, ImpulseResponses, Noise, Room, Session, Spectra
from fieldproc.settings import GateSettings, SpectraSettings
from fieldproc.simulate import simulate
from fieldproc.simulate.scene import CylinderModel, FreeFieldModel, ImpulseResponseModel, Scene, TwoWayModel

RATE_HZ, SAMPLES, POINTS = 48000.0, 3072, 60
# Room for five gates, 10 to 2.4 ms and 1.7 ms.
REFLECTION_S = 0.010
SETTINGS = SpectraSettings(lowest_hz=250.0, per_octave=24, count=144)
# Rms of a sample of noise; responses of the two-way scene peak at about 1.
DEVIATION = 3e-4


# --- which gate is best: arrays alone -----------------------------------------------------------------

# Of an array of points, decaying sines on a dense grid, all from time 0.
GATES = [GateTimes(np.zeros(POINTS), np.full(POINTS, REFLECTION_S * 0.7**step), "") for step in range(6)]
TIME_S = np.arange(-48, 1024) / RATE_HZ
WINDOWS = [gate_window(gate, TIME_S) for gate in GATES]
LENGTHS_S = np.array([gate.length_s[0] for gate in GATES])
SQUARES = np.array([np.sum(window[0] ** 2) for window in WINDOWS])
GRID_HZ = 500.0 * 2.0 ** (np.arange(120) / 24)


@cache
def fourier() -> np.ndarray:
    """The plain sum at the wanted frequencies, (frequency, sample)."""
    return np.exp(-2j * np.pi * np.outer(GRID_HZ, TIME_S))


def decaying(decay_s: np.ndarray, seed: int = 1, level: float = 1.0) -> np.ndarray:
    """Responses (point, sample): sines of random size at the frequencies of the grid, each with its own decay."""
    rng = np.random.default_rng(seed)
    phasors = level * (rng.normal(size=(POINTS, len(GRID_HZ))) + 1j * rng.normal(size=(POINTS, len(GRID_HZ))))
    rate = 2j * np.pi * GRID_HZ - 1.0 / decay_s
    # so large that each is as loud as any other in a spectrum
    sines = np.exp(np.outer(rate, np.maximum(TIME_S, 0.0))) / decay_s[:, None]
    return np.where(TIME_S >= 0, (phasors @ sines).real, 0.0) / RATE_HZ


def noise_of(deviation: float, seed: int = 2) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, deviation, (POINTS, len(TIME_S)))


def gated_of(responses: np.ndarray) -> list[np.ndarray]:
    """Spectra (frequency, 1, point) of every gate."""
    return [(fourier() @ (responses * window).T)[:, None] for window in WINDOWS]


def flat_noise(deviation: float, channels: int = 1) -> np.ndarray:
    """The power that a sample of white noise brings to a spectrum is that of the sample."""
    return np.full((len(GRID_HZ), channels, POINTS), deviation**2)


def chosen(spectra: list[np.ndarray], sample_noise: np.ndarray) -> np.ndarray:
    return best_gates(spectra, WINDOWS, sample_noise, GRID_HZ)


# From 4 ms at 500 Hz to 0.125 ms at 16 kHz: eight periods and less than a quarter of the longest gate at the top.
SHORTER_AND_SHORTER_S = 4e-3 * (GRID_HZ / 500.0) ** -1.0
LOUD_NOISE = 2e-3


def error_power(spectra: list[np.ndarray], clean: np.ndarray) -> np.ndarray:
    """Mean square error over a third of an octave and all points, (gate, frequency)."""
    errors = [np.mean(np.abs(spectrum - clean) ** 2, axis=2) for spectrum in spectra]
    return np.array([third_octaves(error, GRID_HZ)[:, 0] for error in errors])


def test_gates_follow_the_decay() -> None:
    sound = decaying(SHORTER_AND_SHORTER_S)
    best = chosen(gated_of(sound + noise_of(LOUD_NOISE)), flat_noise(LOUD_NOISE))
    assert best[0] == 0
    assert best[-1] == len(GATES) - 1
    assert (np.diff(best) >= 0).all()
    # all in between are used as well
    assert set(best) == set(range(len(GATES)))
    # more noise, earlier ends
    louder = chosen(gated_of(sound + noise_of(4 * LOUD_NOISE)), flat_noise(4 * LOUD_NOISE))
    assert (louder >= best).all()
    assert np.mean(louder > best) > 0.3


def test_the_best_gate_is_the_one_an_oracle_takes() -> None:
    """That knows the sound without noise, and takes the gate of the least error."""
    sound = decaying(SHORTER_AND_SHORTER_S)
    whole = (fourier() @ sound.T)[:, None]
    spectra = gated_of(sound + noise_of(LOUD_NOISE))
    best = chosen(spectra, flat_noise(LOUD_NOISE))
    error = error_power(spectra, whole)
    lost_db = power_db(error[best, np.arange(len(best))] / error.min(axis=0))
    # sound counts four times, so a gate longer than the oracle's is taken here and there: 0.7 as long is 1.55 dB
    assert lost_db.max() < 1.55
    assert np.mean(lost_db > 0.1) < 0.3
    # and what it is for: at the top, where the whole record ends with the shortest gate
    promised_db = power_db(SQUARES[0] / SQUARES[-1])
    gained_db = power_db(error[0, -6:] / error[best[-6:], np.arange(-6, 0)])
    # power of 60 points and a dozen independent numbers of an octave's quarter: 4 %
    np.testing.assert_allclose(np.mean(gained_db), promised_db, rtol=0, atol=0.3)


def test_without_noise_the_gate_stays_as_it_is() -> None:
    for decay_s in (SHORTER_AND_SHORTER_S, np.full(len(GRID_HZ), 2e-4)):
        assert not chosen(gated_of(decaying(decay_s)), flat_noise(0.0)).any()


def test_noise_that_is_not_there_is_not_cut_off() -> None:
    """Repeats of a gain that wanders scatter like noise, but hold nothing after the sound."""
    sound = decaying(np.full(len(GRID_HZ), 4e-4))
    assert not chosen(gated_of(sound), flat_noise(LOUD_NOISE)).any()
    assert chosen(gated_of(sound + noise_of(LOUD_NOISE)), flat_noise(LOUD_NOISE)).all()


def test_a_resonance_keeps_the_gate_long_from_there_down() -> None:
    at = int(np.argmin(np.abs(GRID_HZ - 9000.0)))
    decay_s = np.full(len(GRID_HZ), 2e-4)
    short = chosen(gated_of(decaying(decay_s) + noise_of(LOUD_NOISE)), flat_noise(LOUD_NOISE))
    assert (short >= 3).all()
    decay_s[at] = 5e-3
    sound = decaying(decay_s)
    best = chosen(gated_of(sound + noise_of(LOUD_NOISE)), flat_noise(LOUD_NOISE))
    # within its third of an octave; above, the short gate stands
    assert (best[: at + 1] <= 1).all()
    assert (best[GRID_HZ > 9000.0 * 2 ** (0.5)] >= 4).all()
    assert (np.diff(best) >= 0).all()


@pytest.mark.parametrize("nothing", [np.nan, 0.0])
def test_frequencies_that_hold_nothing_decide_nothing(nothing: float) -> None:
    sound = decaying(SHORTER_AND_SHORTER_S)
    spectra, noise = gated_of(sound + noise_of(LOUD_NOISE)), flat_noise(LOUD_NOISE)
    usual = chosen(spectra, noise)
    for empty in (np.s_[100:], np.s_[40:44], np.s_[:10]):
        blank = [spectrum.copy() for spectrum in spectra]
        for spectrum in blank:
            spectrum[empty] = nothing
        unknown = noise.copy()
        unknown[empty] = nothing
        best = chosen(blank, unknown)
        assert (np.diff(best) >= 0).all()
        # a row beside them has lost part of its third of an octave: one gate more or less
        assert np.abs(np.delete(best - usual, empty)).max() <= 1
        assert best.max() <= np.delete(usual, empty).max() + 1
    silent = [np.full_like(spectrum, nothing) for spectrum in spectra]
    assert not chosen(silent, noise).any()


def test_a_loud_channel_does_not_decide_for_a_quiet_one() -> None:
    """60 dB louder, over sooner, its noise as far below it."""
    quiet_s, loud_s = np.full(len(GRID_HZ), 2e-3), np.full(len(GRID_HZ), 2e-4)

    def both(levels: tuple[float, float]) -> np.ndarray:
        channels = [
            gated_of(level * (decaying(decay_s, seed) + noise_of(LOUD_NOISE, 7 + seed)))
            for seed, (level, decay_s) in enumerate(zip(levels, (quiet_s, loud_s), strict=True))
        ]
        spectra = [np.concatenate(pair, axis=1) for pair in zip(*channels, strict=True)]
        sample_noise = flat_noise(LOUD_NOISE, 2) * np.maximum(levels, 1.0)[:, None] ** 2
        return best_gates(spectra, WINDOWS, sample_noise, GRID_HZ)

    alike = both((1.0, 1.0))
    assert alike.max() <= 2
    np.testing.assert_array_equal(both((1.0, 1000.0)), alike)
    np.testing.assert_array_equal(both((1000.0, 1.0)), alike)
    # a channel that is not connected, whatever its noise is said to be
    alone = chosen(gated_of(decaying(loud_s, 1) + noise_of(LOUD_NOISE, 8)), flat_noise(LOUD_NOISE))
    assert alone.min() >= 2
    np.testing.assert_array_equal(both((0.0, 1.0)), alone)


# --- pressures, their noise and what is told ----------------------------------------------------------

# Dead long before the shortest gate begins to close: every gate gives the whole spectrum, and its own noise.
CLICK = decaying(np.full(len(GRID_HZ), 8e-5))
ONE_EACH = np.arange(POINTS)


def ended(
    responses: np.ndarray, sample_noise: np.ndarray, group: np.ndarray = ONE_EACH, late_s: np.ndarray | float = 0.0
) -> tuple[Sooner, np.ndarray]:
    """What the module makes of records (record, sample) that come late, and the pressures of the long gate."""
    times = GateTimes(np.zeros(len(group)) + late_s, np.full(len(group), REFLECTION_S) + late_s, "")
    turn = np.exp(2j * np.pi * np.outer(GRID_HZ, times.direct_s))

    def heard(gate: GateTimes) -> np.ndarray:
        spectra = turn * (fourier() @ (responses * gate_window(gate, TIME_S)).T)
        return mean_of_groups(spectra[:, None], group)

    return end_with_the_sound(times, heard, sample_noise, RATE_HZ, GRID_HZ, group), heard(times)


def test_noise_of_the_pressures_is_that_of_many_scans() -> None:
    whole = (fourier() @ CLICK.T)[:, None]
    ratio, of_long = [], []
    for seed in range(10):
        found, long = ended(CLICK + noise_of(LOUD_NOISE, seed), flat_noise(LOUD_NOISE))
        ratio.append(np.abs(found.pressure_pa - whole) ** 2 / found.noise_pa**2)
        of_long.append(np.abs(long - whole) ** 2 / (LOUD_NOISE**2 * SQUARES[0]))
        assert power_db(LOUD_NOISE**2 * SQUARES[0] / np.mean(found.noise_pa**2)) > 3.0
    # of every octave, and of every ten points; 10 scans hold a thousand independent numbers and more
    for part in (*np.split(np.array(ratio), 5, axis=1), *np.split(np.array(ratio), 6, axis=3), of_long):
        np.testing.assert_allclose(power_db(np.mean(part)), 0.0, atol=0.4)


@pytest.mark.parametrize("apart_s", [0.0, 0.005], ids=["at once", "5 ms apart"])
def test_records_of_one_place_are_one_point(apart_s: float) -> None:
    """Thirty places twice: their mean has half of the noise, of whichever latency each record was."""
    group = np.tile(np.arange(POINTS // 2), 2)
    late_s = np.repeat([0.0, apart_s], POINTS // 2)
    clicks = np.tile(CLICK[: POINTS // 2], (2, 1))
    whole = (fourier() @ CLICK[: POINTS // 2].T)[:, None]
    clicks[POINTS // 2 :] = np.roll(clicks[POINTS // 2 :], round(apart_s * RATE_HZ), axis=1)
    per_sample = np.full((len(GRID_HZ), 1, POINTS // 2), 0.5 * LOUD_NOISE**2)
    ratio = []
    for seed in range(10):
        found, _ = ended(clicks + noise_of(LOUD_NOISE, seed), per_sample, group, late_s)
        assert found.pressure_pa.shape == found.noise_pa.shape == per_sample.shape
        ratio.append(np.abs(found.pressure_pa - whole) ** 2 / found.noise_pa**2)
    np.testing.assert_allclose(power_db(np.mean(ratio)), 0.0, atol=0.3)


def test_pressures_without_noise_are_those_of_the_long_gate_to_the_bit() -> None:
    found, long = ended(decaying(SHORTER_AND_SHORTER_S), flat_noise(0.0))
    np.testing.assert_array_equal(found.pressure_pa, long)
    assert not found.noise_pa.any()
    assert found.told == ()


def test_what_is_told_is_where_and_how_soon() -> None:
    sound = decaying(SHORTER_AND_SHORTER_S) + noise_of(LOUD_NOISE)
    best = chosen(gated_of(sound), flat_noise(LOUD_NOISE))
    found, _ = ended(sound, flat_noise(LOUD_NOISE))
    first_hz = GRID_HZ[np.argmax(best > 0)]
    assert found.told == (
        f"the gate ends sooner from {first_hz:.0f} Hz up, 1.7 ms after the direct sound at last: what comes later "
        "there is noise",
    )
    np.testing.assert_allclose(found.noise_pa[[0, -1], 0, 0], LOUD_NOISE * np.sqrt(SQUARES[[0, -1]]), rtol=1e-12)
    # frequencies above half the sampling rate are nan, and no reason to tell anything
    for spoiled in (sound, decaying(np.full(len(GRID_HZ), 5e-3)) + noise_of(LOUD_NOISE)):
        noise = flat_noise(LOUD_NOISE)
        noise[90:] = np.nan
        told = ended(spoiled, noise)[0].told
        kept = chosen(gated_of(spoiled), flat_noise(LOUD_NOISE))[:90]
        assert bool(told) == bool(kept.any())
        if told:
            last_s = LENGTHS_S[kept.max()]
            assert re.search(rf"from {first_hz:.0f} Hz up, {1e3 * last_s:.1f} ms after", told[0])


# --- within a run -------------------------------------------------------------------------------------


@cache
def scan(deviation: float) -> Session:
    """A two-way box in free field and white noise, of which 24 silent records tell; the session states a gate."""
    scene = Scene(
        title="gate",
        source=TwoWayModel(radius_m=0.12),
        room=FreeFieldModel(),
        scan=CylinderModel(points=POINTS),
        recording=ImpulseResponseModel(sampling_rate_hz=RATE_HZ, samples=SAMPLES),
        noise=None,
    )
    session = simulate(scene, 1)
    assert isinstance(session.response, ImpulseResponses)
    rng = np.random.default_rng(3)
    values = session.response.values + rng.normal(0.0, deviation, session.response.values.shape)
    return replace(
        session,
        response=replace(session.response, values=values),
        noise=Noise(rng.normal(0.0, DEVIATION, (1, 24, SAMPLES)), RATE_HZ),
        room=Room(first_reflection_s=np.full(POINTS, REFLECTION_S)),
    )


def gated_in(spectra: Spectra) -> Gated:
    assert spectra.gated is not None
    return spectra.gated


def test_a_run_gains_what_the_noise_promises_and_loses_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    found = condition(scan(DEVIATION), SETTINGS, GateSettings())
    # silence says that there is noise, responses that there is none
    clean = condition(scan(0.0), SETTINGS, GateSettings())
    monkeypatch.setattr(sys.modules["fieldproc.condition.condition"], "noise_power", lambda *_: None)
    unknown = condition(scan(DEVIATION), SETTINGS, GateSettings())
    untold = condition(scan(0.0), SETTINGS, GateSettings())
    gated, long = gated_in(found), gated_in(unknown)
    assert gated.noise_pa is not None
    assert long.noise_pa is None
    np.testing.assert_array_equal(gated_in(clean).pressure_pa, gated_in(untold).pressure_pa)
    told = [[note for note in one.notices if "ends sooner" in note] for one in (found, clean, unknown)]
    assert [len(notes) for notes in told] == [1, 0, 0]

    octaves = np.split(np.arange(len(found.frequency_hz)), 6)
    errors = np.array(
        [
            [np.mean(np.abs(one.pressure_pa[rows] - clean.pressure_pa[rows]) ** 2) for rows in octaves]
            for one in (gated, long)
        ]
    )
    # a cut tail is tenths of a dB of the noise: sound counts four times
    assert (power_db(errors[0] / errors[1]) < 0.3).all()
    # nothing but noise at the top, in both: 60 points and eight independent frequencies, three times 5 %
    noise = np.mean(gated.noise_pa[octaves[-1]] ** 2)
    np.testing.assert_allclose(power_db(errors[0, -1] / noise), 0.0, atol=0.6)
    per_sample = (scan(0.0).drive.voltage_v * DEVIATION) ** 2
    np.testing.assert_allclose(power_db(errors[1, -1] / (per_sample * SQUARES[0])), 0.0, atol=0.6)
    assert power_db(errors[1, -1] / errors[0, -1]) > 4.0
