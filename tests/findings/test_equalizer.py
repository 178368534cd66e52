"""What an equaliser should undo, what it should leave alone, and how sure it may be of what it does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from fieldproc.conventions import amplitude_db
from fieldproc.errors import NumericalError, UsageError
from fieldproc.findings.curves import Curve
from fieldproc.findings.equalizer import Equalizer, EqualizerLimits, equalize, wanted_change_db
from fieldproc.findings.section_fit import Reach, SectionFit
from fieldproc.findings.sections import Section, response

RATE_HZ = 48000.0
# 24 to the octave
FREQUENCY_HZ = np.geomspace(20.0, 20000.0, 240)
FLAT = np.zeros(240)
EVERYWHERE = np.ones(240)
NO_ERRORS = np.zeros((0, 240))
BUMP = Section("peaking", 2900.0, 3.0, 3.0)
NULL = Section("peaking", 1200.0, -15.0, 6.0)


def levels_db(*sections: Section) -> np.ndarray:
    return amplitude_db(np.abs(response(sections, FREQUENCY_HZ, RATE_HZ)))


def curve(level_db: np.ndarray, errors_db: np.ndarray = NO_ERRORS, draws: int | None = None) -> Curve:
    draws = len(errors_db) if draws is None else draws
    return Curve(FREQUENCY_HZ, level_db, errors_db, draws, np.ones(240, dtype=bool))


def noise(seed: int, deviation_db: float = 0.1, curves: int = 2) -> np.ndarray:
    return deviation_db * np.random.default_rng(seed).standard_normal((curves, 240))


def smooth_noise(generator: np.random.Generator, deviation_db: float, curves: int) -> np.ndarray:
    """Errors that neighbours share: over a sixth of an octave or so."""
    rough = gaussian_filter1d(generator.standard_normal((curves, 240)), 2.0, axis=1)
    # deviation of independent numbers after a Gaussian of that width
    return deviation_db * rough * np.sqrt(2.0 * np.sqrt(np.pi) * 2.0)


def equalized(
    window_db: np.ndarray, room_db: np.ndarray, correctable: np.ndarray = EVERYWHERE, **limits: object
) -> Equalizer:
    told = EqualizerLimits(**limits)  # type: ignore[arg-type]
    return equalize(curve(window_db), curve(room_db), (FLAT, FLAT), correctable, told, RATE_HZ)


@pytest.mark.parametrize("seed", range(4))
def test_one_section_undoes_a_bump(seed: int) -> None:
    window, room = levels_db(BUMP) + noise(seed)
    for most in (8, 1):
        result = equalized(window, room, most_sections=most)
        (section,) = result.sections
        assert section.kind == "peaking"
        assert section.gain_db == pytest.approx(-3.0, abs=0.2)
        assert section.frequency_hz == pytest.approx(2900.0, rel=0.05)
        assert section.q == pytest.approx(3.0, rel=0.3)
        # the noise of 240 frequencies is 0.1 dB within 5 %, and a section takes away 3 of its 240 degrees of freedom
        assert result.listening_window.after_db == pytest.approx(0.1, rel=0.15)
        assert result.listening_window.before_db > 0.5


def test_without_noise_the_section_is_the_opposite_of_the_bump() -> None:
    (section,) = equalized(levels_db(BUMP), levels_db(BUMP)).sections
    found = [section.gain_db, section.frequency_hz, section.q]
    # the fit ends where another step would change the cost by 1e-6 of itself
    np.testing.assert_allclose(found, [-3.0, 2900.0, 3.0], rtol=1e-4)


def test_planted_resonances_are_undone() -> None:
    generator = np.random.default_rng(7)
    for _ in range(12):
        planted = Section(
            "peaking",
            float(np.exp(generator.uniform(np.log(300.0), np.log(8000.0)))),
            float(generator.uniform(1.5, 4.0) * generator.choice([-1, 1])),
            float(generator.uniform(3.0, 12.0)),
        )
        window, room = levels_db(planted) + 0.1 * generator.standard_normal((2, 240))
        (section,) = equalized(window, room, largest_q=(12.0, 12.0), most_boost_db=6.0).sections
        assert section.gain_db == pytest.approx(-planted.gain_db, abs=0.4)
        assert section.frequency_hz == pytest.approx(planted.frequency_hz, rel=0.03)
        assert section.q == pytest.approx(planted.q, rel=0.25)


@pytest.mark.parametrize("kind", ["low shelf", "high shelf"])
def test_shelves_are_undone_by_shelves(kind: str) -> None:
    planted = Section(kind, 400.0 if kind == "low shelf" else 4000.0, 2.5, 0.6)  # type: ignore[arg-type]
    window, room = levels_db(planted) + noise(5)
    (section,) = equalized(window, room).sections
    assert section.kind == kind
    assert section.gain_db == pytest.approx(-2.5, abs=0.1)


def test_several_departures_take_as_many_sections() -> None:
    planted = [
        Section("peaking", 63.0, 5.0, 3.0),
        Section("peaking", 700.0, -2.5, 1.5),
        Section("peaking", 3500.0, 3.0, 4.0),
        Section("high shelf", 9000.0, 2.0, 0.7),
    ]
    window, room = levels_db(*planted) + noise(1)
    found = equalized(window, room).sections
    assert [section.kind for section in found] == [section.kind for section in planted]
    assert all(s.gain_db == pytest.approx(-p.gain_db, abs=0.3) for s, p in zip(found, planted, strict=True))


@pytest.mark.parametrize("deep", ["window", "room"])
def test_a_null_of_one_curve_is_left_alone(deep: str) -> None:
    window, room = noise(2)
    if deep == "window":
        window = window + levels_db(NULL)
    else:
        room = room + levels_db(NULL)
    assert equalized(window, room).sections == ()


def test_a_null_that_is_not_correctable_is_left_alone() -> None:
    null_db = levels_db(NULL)
    window, room = null_db + levels_db(Section("peaking", 6000.0, 4.0, 2.0)) + noise(3)
    correctable = np.where(null_db < -0.5, 0.0, 1.0)
    result = equalized(window, room, correctable)
    (section,) = result.sections
    assert section.frequency_hz == pytest.approx(6000.0, rel=0.02)
    # the allowed 0.3 dB, softly
    assert np.abs(levels_db(section)[correctable == 0]).max() < 0.35
    # left to itself it would lift the null by all that it may
    assert max(s.gain_db for s in equalized(window, room).sections) == pytest.approx(3.0)


def test_where_nothing_may_be_corrected_the_response_stays_within_what_was_said() -> None:
    """A broad excess, half of which is out of bounds: the sections get steeper, or do less."""
    excess_db = levels_db(Section("peaking", 1000.0, 6.0, 0.7))
    correctable = np.where(FREQUENCY_HZ < 1000.0, 1.0, 0.0)
    for outside_db in (0.3, 1.0):
        result = equalized(excess_db, excess_db, correctable, outside_db=outside_db)
        worst_db = np.abs(levels_db(*result.sections)[correctable == 0]).max()
        # a soft limit; this excess, 6 dB at its very edge, presses against it as nothing else would
        assert worst_db < outside_db + 0.1
        assert result.listening_window.after_db < result.listening_window.before_db - 0.3


@pytest.mark.parametrize("deviation_db", [0.1, 1.0])
def test_noise_alone_gives_no_section(deviation_db: float) -> None:
    for seed in range(5):
        window, room = noise(seed, deviation_db)
        assert equalized(window, room).sections == ()


def test_errors_that_neighbours_share_give_no_section() -> None:
    """Both curves off by the same smooth 0.6 dB, as a scan's errors are: stated, no departures."""
    untold: list[Section] = []
    for seed in range(8):
        generator = np.random.default_rng(seed)
        errors_db, off_db = smooth_noise(generator, 0.6, 30), smooth_noise(generator, 0.6, 1)[0]
        both, silent = curve(off_db, errors_db), curve(off_db)
        assert equalize(both, both, (FLAT, FLAT), EVERYWHERE, EqualizerLimits(), RATE_HZ).sections == ()
        untold += equalize(silent, silent, (FLAT, FLAT), EVERYWHERE, EqualizerLimits(), RATE_HZ).sections
    # taken for true, some would be corrected
    assert untold


def test_stated_uncertainties_are_those_of_refits() -> None:
    """Gain and improvement over 80 draws of the errors that the curve states."""
    generator = np.random.default_rng(12)
    errors_db = smooth_noise(generator, 0.2, 60)
    both = curve(levels_db(BUMP) + errors_db[0], errors_db)
    limits = EqualizerLimits(most_sections=1)
    stated = equalize(both, both, (FLAT, FLAT), EVERYWHERE, limits, RATE_HZ)
    refits = [
        equalized(*2 * [levels_db(BUMP) + off_db], most_sections=1) for off_db in smooth_noise(generator, 0.2, 80)
    ]
    gains_db = [refit.sections[0].gain_db for refit in refits]
    # a deviation of 80 draws is known to 8 %, one of 60 to 9 %: 2.5 standard deviations of their ratio
    assert stated.gain_uncertainty_db[0] == pytest.approx(np.std(gains_db, ddof=1), rel=0.3)
    before_db = [refit.listening_window.before_db for refit in refits]
    assert stated.listening_window.before_uncertainty_db == pytest.approx(np.std(before_db, ddof=1), rel=0.3)


def test_a_systematic_level_error_counts_for_nothing() -> None:
    errors_db = np.full((1, 240), 2.0)
    both = curve(levels_db(BUMP), np.concatenate([noise(0, 0.01, 20), errors_db]), draws=20)
    result = equalize(both, both, (FLAT, FLAT), EVERYWHERE, EqualizerLimits(), RATE_HZ)
    assert len(result.sections) == 1
    # of 0.01 dB of noise; 2 dB of level would leave more than 1 dB
    assert result.gain_uncertainty_db[0] < 0.02
    assert result.listening_window.before_uncertainty_db < 0.01


def test_targets_are_those_of_either_curve() -> None:
    falling_db = -0.8 * np.log2(FREQUENCY_HZ / 1000.0)
    window, room = levels_db(BUMP), levels_db(BUMP) + falling_db
    result = equalize(curve(window), curve(room), (FLAT, falling_db), EVERYWHERE, EqualizerLimits(), RATE_HZ)
    assert len(result.sections) == 1
    assert result.in_room.after_db < 0.01


def test_limits_are_kept_and_told() -> None:
    window = levels_db(Section("peaking", 300.0, -8.0, 2.0), Section("peaking", 5000.0, 8.0, 10.0))
    told = equalized(window, window, most_boost_db=2.0, most_cut_db=5.0, largest_q=(8.0, 4.0), most_sections=2)
    dip, peak = told.sections
    # the fit may leave a bound by rounding
    assert dip.gain_db <= 2.0 + 1e-6
    assert peak.gain_db >= -5.0 - 1e-6
    assert peak.q <= 4.0 + 1e-6
    assert levels_db(*told.sections).max() < 2.05
    assert told.limited_by[0] == "no more than 2 sections were asked for"
    assert any("its gain is at its limit" in words for words in told.limited_by)
    assert any("its Q is at its limit" in words for words in told.limited_by)


def test_outside_the_band_and_where_nothing_is_known_nothing_is_done() -> None:
    window = levels_db(Section("peaking", 60.0, 6.0, 3.0), Section("peaking", 12000.0, 6.0, 3.0), BUMP)
    broken = replace(curve(np.where(FREQUENCY_HZ < 200, np.nan, window)), usable=FREQUENCY_HZ >= 200)
    limits = EqualizerLimits(band_hz=(100.0, 6000.0))
    result = equalize(broken, curve(window), (FLAT, FLAT), EVERYWHERE, limits, RATE_HZ)
    (section,) = result.sections
    assert section.frequency_hz == pytest.approx(2900.0, rel=0.02)
    outside = (FREQUENCY_HZ < 200) | (FREQUENCY_HZ > 6000)
    assert np.abs(levels_db(section)[outside]).max() < 0.35


def test_wanted_change_makes_no_curve_worse() -> None:
    departures_db = np.array([[3.0, 3.0, 3.0, -9.0, -2.0, 0.0], [3.0, 2.0, 0.5, 0.1, -1.0, 4.0]])
    wanted = wanted_change_db(departures_db, np.array([0.5, 0.5]))
    np.testing.assert_allclose(wanted, [-3.0, -2.5, -1.0, 0.0, 1.5, 0.0], rtol=1e-12)
    # a curve without weight has no say
    np.testing.assert_allclose(wanted_change_db(departures_db, np.array([1.0, 0.0])), -departures_db[0])


def test_slopes_of_the_fit_are_those_of_its_response() -> None:
    """The slow twin: one parameter of one section at a time, through the whole response."""
    fit = SectionFit(
        FREQUENCY_HZ, FLAT, EVERYWHERE, FLAT - 9, FLAT + 9, Reach((20, 2e4), 6, 6, (10, 6), 500), RATE_HZ
    )
    sections = (Section("low shelf", 150.0, 2.0, 0.6), BUMP, Section("peaking", 800.0, -4.0, 1.0))
    step, columns = 2e-5, []
    for at, one in enumerate(sections):
        for changed in (
            lambda of, h: replace(of, frequency_hz=of.frequency_hz * np.exp(h)),
            lambda of, h: replace(of, gain_db=of.gain_db + h),
            lambda of, h: replace(of, q=of.q * np.exp(h)),
        ):
            above, below = (levels_db(*sections[:at], changed(one, h), *sections[at + 1 :]) for h in (step, -step))
            columns.append((above - below) / (2 * step))
    # central differences both: of slopes up to 12, errors of (2 Q step)^2 by their steps, 1e-9 by rounding
    np.testing.assert_allclose(fit._slopes(sections), np.array(columns).T, rtol=0, atol=1e-6)


def test_it_is_deterministic() -> None:
    window, room = levels_db(BUMP, Section("peaking", 90.0, 4.0, 2.0)) + noise(4)
    first, second = (equalized(window, room) for _ in range(2))
    assert first.sections == second.sections


def test_a_section_may_go_where_another_q_is_allowed() -> None:
    """Its start, 12 to the octave, may lie on the other side of 500 Hz, where less is allowed."""
    for frequency_hz in (470.0, 490.0, 499.0, 501.0, 515.0):
        window = levels_db(Section("peaking", frequency_hz, 4.0, 9.0))
        (section,) = equalized(window, window, largest_q=(10.0, 2.0), most_sections=1).sections
        if frequency_hz < 500.0:
            assert section.q == pytest.approx(9.0, rel=0.01)
        else:
            # half a semitone lower it may be as narrow as it should be: that is worth more
            assert section.q <= (10.0 if section.frequency_hz < 500.0 else 2.0)


def test_refusals() -> None:
    with pytest.raises(NumericalError, match="what may be corrected from 20 to 20000 Hz is nothing"):
        equalized(FLAT, FLAT, np.zeros(240))
    with pytest.raises(UsageError, match="needed more than 40000 Hz"):
        equalize(curve(FLAT), curve(FLAT), (FLAT, FLAT), EVERYWHERE, EqualizerLimits(), 32000.0)
