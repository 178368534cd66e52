"""What repeats tell of drifts goes into all records, in words and numbers; clean scans are left alone."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from condition.drifting import KELVIN, RATE_HZ, START_S, cylinders_with_returns, render, scene, session_at, with_noise
from condition.test_condition import session_of

from fieldproc.condition import condition
from fieldproc.conventions import amplitude_db
from fieldproc.records import ImpulseResponses, Room, Session, Spectra, TransferFunctions
from fieldproc.settings import GateSettings, SpectraSettings

GRID = SpectraSettings(lowest_hz=100.0, per_octave=3, count=11)
POSITIONS_M, _ = cylinders_with_returns(24, 4, 12)
RECORDS = len(POSITIONS_M)
SHARE = np.linspace(0.0, 1.0, RECORDS)
NONE = np.zeros(RECORDS)
BACK = np.flatnonzero(np.all(POSITIONS_M[0] == POSITIONS_M, axis=1))
TOLD, UNLIKE = "drift shown by 12 records of 1 place", "records unlike the others of their place"
# What is found of a slope or step, with its standard error.
FOUND = {
    name: re.compile(rf"{name} by ([\d.]+) {unit} \+- ([\d.]+(?:e[+-]\d+)?)")
    for name, unit in {"gain": "dB", "delay": "us", "sound speed": "%"}.items()
}
EXPECTED = {"gain": 0.1, "delay": 1e6 / RATE_HZ, "sound speed": 100 * KELVIN}


def scan(warmer_k: np.ndarray, gain_db: np.ndarray, late_s: np.ndarray, noise_db: float = -50.0) -> Session:
    values = render(scene(), POSITIONS_M, warmer_k, gain_db, late_s)
    return session_at(POSITIONS_M, with_noise(values, noise_db, 1))


def assert_found(words: str, *names: str) -> None:
    """These drifts and no others, within 10 % and three standard errors, of which words give one digit."""
    assert words.startswith(TOLD)
    found = {name: match for name, pattern in FOUND.items() if (match := pattern.search(words))}
    # when the sound began is known to 0.3 ms: a kelvin may pass for half a microsecond besides
    if "sound speed" in found and "delay" not in names and "delay" in found:
        assert float(found.pop("delay")[1]) < 0.6
    assert list(found) == list(names)
    for name, match in found.items():
        assert float(match[1]) == pytest.approx(EXPECTED[name], rel=0.1)
        assert abs(float(match[1]) - EXPECTED[name]) < 3 * float(match[2]) + 0.002 * EXPECTED[name]


def told(spectra: Spectra) -> list[str]:
    """What is said of repeats."""
    return [one for one in spectra.notices if one.startswith(("drift shown", "repeats differ", UNLIKE))]


def test_clean_scans_raise_no_false_alarm() -> None:
    values = render(scene(), POSITIONS_M)
    for seed in range(20):
        session = session_at(POSITIONS_M, with_noise(values, -40.0, seed))
        spectra = condition(session, GRID, drift=True)
        assert told(spectra) == []
        if seed == 0:
            np.testing.assert_array_equal(spectra.pressure_pa, condition(session, GRID).pressure_pa)


@pytest.mark.parametrize("course", [SHARE, 1.0 * (SHARE > 0.52)], ids=["slope", "step"])
def test_drifts_are_found_and_told_apart(course: np.ndarray) -> None:
    for drifting, names in (
        ((NONE, 0.1 * course, NONE), ("gain",)),
        ((NONE, NONE, course / RATE_HZ), ("delay",)),
        ((course, NONE, NONE), ("sound speed",)),
        ((course, 0.1 * course, course / RATE_HZ), ("gain", "delay", "sound speed")),
    ):
        (words,) = told(condition(scan(*drifting), GRID, drift=True))
        assert_found(words, *names)
        assert "order of the file" not in words


def test_drifts_are_taken_out_of_all_records() -> None:
    drifting = scan(SHARE, 0.1 * SHARE, SHARE / RATE_HZ)
    spectra = condition(drifting, GRID, drift=True)
    # brought to the mean of the air: the field depends on the wavenumber alone, so that of a steady scan is the same
    # at lower frequencies, in denser air
    faster = float(spectra.sound_speed_m_per_s[0]) / 343.2
    assert faster - 1.0 == pytest.approx(0.5 * KELVIN, rel=0.1)
    steady = condition(scan(NONE, NONE, NONE), GRID.model_copy(update={"lowest_hz": 100.0 / faster}))
    before_db, after_db = (
        amplitude_db(np.linalg.norm(one - steady.pressure_pa) / np.linalg.norm(steady.pressure_pa))
        for one in (condition(drifting, GRID).pressure_pa, spectra.pressure_pa)
    )
    # noise lies 50 dB below; the drive, which delays these monopoles, keeps its pace
    assert before_db > -10.0
    assert after_db < -45.0


def test_gates_follow_a_latency() -> None:
    """By three whole samples between two returns at once, for onsets are found by the sample."""
    positions_m = np.insert(POSITIONS_M, BACK[6], POSITIONS_M[0], axis=0)
    after = 1.0 * (np.arange(RECORDS + 1) > BACK[6])
    stated = Room(first_reflection_s=np.full(RECORDS + 1, 4e-3))
    steady, late = (
        session_at(positions_m, with_noise(render(scene(), positions_m, late_s=one), -60.0, 1), room=stated)
        for one in (0.0, 3.0 / RATE_HZ * after)
    )
    grid = GRID.model_copy(update={"lowest_hz": 250.0, "count": 7})
    expected, found, before = (
        condition(one, grid, GateSettings(), drift=drift).gated
        for one, drift in ((steady, True), (late, True), (late, False))
    )
    assert expected is not None
    assert found is not None
    assert before is not None
    np.testing.assert_allclose(found.length_s, expected.length_s, rtol=1e-9)
    after_db, before_db = (
        amplitude_db(np.linalg.norm(one.pressure_pa - expected.pressure_pa) / np.linalg.norm(expected.pressure_pa))
        for one in (found, before)
    )
    # the noise of -60 dB is not as late as the sound
    assert after_db < -50.0
    assert before_db > -10.0


def test_noise_from_repeats_is_that_of_a_steady_scan() -> None:
    def without_lead(session: Session) -> Session:
        # 56 samples are left, too few to tell noise
        assert isinstance(session.response, ImpulseResponses)
        values = session.response.values[:, :, 200:]
        return replace(session, response=ImpulseResponses(values, RATE_HZ, START_S + 200 / RATE_HZ))

    steady, drifting = scan(NONE, NONE, NONE), scan(SHARE, 0.1 * SHARE, SHARE / RATE_HZ)
    expected, found, inflated = (
        condition(without_lead(one), GRID, drift=drift).noise_pa
        for one, drift in ((steady, True), (drifting, True), (drifting, False))
    )
    assert expected is not None
    assert found is not None
    assert inflated is not None
    ratio, before = (20 * np.log10(np.mean(one / expected)) for one in (found, inflated))
    # three parameters of each of 12 records are fitted to the noise: 1 % of it
    assert abs(ratio) < 1.0
    assert before > 6.0


def test_a_bump_bends_nothing_and_is_named() -> None:
    bumped = BACK[7]
    for gain_db, moved_m in ((0.5, 0.0), (0.0, 0.005)):
        positions_m = POSITIONS_M.copy()
        positions_m[bumped, 1] += moved_m
        values = render(
            scene(), positions_m, SHARE, 0.1 * SHARE + np.where(np.arange(RECORDS) == bumped, gain_db, 0.0)
        )
        spectra = condition(session_at(POSITIONS_M, with_noise(values, -50.0, 5)), GRID, drift=True)
        drift, unlike = told(spectra)
        assert_found(drift, "gain", "sound speed")
        assert unlike.startswith(UNLIKE)
        assert unlike.endswith(f": {bumped}")


def test_times_and_what_is_covered_are_said() -> None:
    drifting = scan(NONE, SHARE, NONE)
    (untimed,) = told(condition(replace(drifting, measured_at_s=None), GRID, drift=True))
    assert untimed.endswith("the order of the file was taken for that of time")
    # the returns crowd within the first part of the scan
    assert drifting.measured_at_s is not None
    late = np.where(np.arange(RECORDS) > BACK[4], 1e5, 0.0) * (POSITIONS_M[0] != POSITIONS_M).any(axis=1)
    (partly,) = told(condition(replace(drifting, measured_at_s=drifting.measured_at_s + late), GRID, drift=True))
    assert "cover 0 % of the scan's time" in partly


def test_repeats_that_scatter_without_order_are_told_and_left_alone() -> None:
    scatter_db = 0.2 * np.random.default_rng(6).choice([-1.0, 1.0], RECORDS)
    session = scan(NONE, scatter_db, NONE)
    spectra = condition(session, GRID, drift=True)
    assert any("differ in gain by 0.2" in one and "in no order of time" in one for one in told(spectra))
    np.testing.assert_array_equal(spectra.pressure_pa, condition(session, GRID).pressure_pa)


def test_only_where_asked_for_and_with_responses() -> None:
    session = scan(SHARE, SHARE, NONE)
    assert told(condition(session, GRID)) == []
    values = np.random.default_rng(7).normal(size=(3, 1, RECORDS, 2)).view(np.complex128)[..., 0]
    response = TransferFunctions(values, 100.0 * np.arange(1, 4))
    spectra = condition(replace(session, response=response), GRID, drift=True)
    assert not any("drift" in one or "unlike" in one for one in spectra.notices)


def test_copies_and_short_records_tell_nothing() -> None:
    """Records that agree to the bit, of 1.3 and of 85 ms: no noise, and hardly a frequency."""
    for samples in (64, 4096):
        values = np.zeros((1, 8, samples))
        values[0, :, 10] = 0.1
        places_m = np.repeat(np.eye(4, 3) + 1.0, 2, axis=0)
        places_m[:4] = 1.0
        session = session_of(values, positions_m=places_m)
        spectra = condition(session, GRID, drift=True)
        assert told(spectra) == []
        np.testing.assert_array_equal(spectra.pressure_pa, condition(session, GRID).pressure_pa)
