"""Sections against worked values, the formulas of the note written out, and two independent transforms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import bilinear, freqz

from fieldproc.conventions import amplitude_db
from fieldproc.errors import UsageError
from fieldproc.findings.sections import KINDS, SHELF_Q, Section, bandwidth_octaves, q_of_bandwidth, response

RATE_HZ = 48000.0
# W3C, Audio EQ Cookbook, Working Group Note, 8 June 2021: its formulas worked at 48 kHz, normalised by a0.
WORKED = {
    Section("peaking", 1000.0, 6.0, 1.0): (
        (1.043953086990, -1.895320723937, 0.867722284760, -1.895320723937, 0.911675371750),
        {100.0: 0.065187, 500.0: 1.879381, 1000.0: 6.0, 2000.0: 1.865991, 10000.0: 0.047602},
    ),
    Section("peaking", 1000.0, -6.0, 1.0): (
        (0.957897450050, -1.815522888486, 0.873291513873, -1.815522888486, 0.831188963923),
        {1000.0: -6.0},
    ),
    Section("peaking", 100.0, -4.5, 2.0): (
        (0.998292844333, -1.991385174611, 0.993262951694, -1.991385174611, 0.991555796027),
        {100.0: -4.5, 20.0: -0.050419},
    ),
    Section("low shelf", 100.0, 6.0, SHELF_Q): (
        (1.003217895737, -1.984364430777, 0.981386698749, -1.984424329139, 0.984544696124),
        {10.0: 5.999351, 50.0: 5.623585, 100.0: 3.0, 200.0: 0.376370},
    ),
    Section("high shelf", 8000.0, 6.0, SHELF_Q): (
        (1.571670188571, -1.248879926747, 0.448691733076, -0.433510141577, 0.204992136478),
        {4000.0: 0.284653, 8000.0: 3.0, 16000.0: 5.921106},
    ),
}
VARIED = [Section(kind, *values) for kind in KINDS for values in ((31.5, -7.0, 0.5), (2900.0, 3.0, 3.0), (9e3, 1, 9))]
FREQUENCY_HZ = np.geomspace(20.0, 20000.0, 61)


def as_the_note_has_it(section: Section, rate_hz: float) -> np.ndarray:
    """b0, b1, b2, a1, a2 by the formulas of the note, one after the other."""
    a = 10 ** (section.gain_db / 40)
    w0 = 2 * np.pi * section.frequency_hz / rate_hz
    cos, alpha = np.cos(w0), np.sin(w0) / (2 * section.q)
    root = 2 * np.sqrt(a) * alpha
    if section.kind == "peaking":
        b = [1 + alpha * a, -2 * cos, 1 - alpha * a]
        under = [1 + alpha / a, -2 * cos, 1 - alpha / a]
    elif section.kind == "low shelf":
        b = [a * (a + 1 - (a - 1) * cos + root), 2 * a * (a - 1 - (a + 1) * cos), a * (a + 1 - (a - 1) * cos - root)]
        under = [a + 1 + (a - 1) * cos + root, -2 * (a - 1 + (a + 1) * cos), a + 1 + (a - 1) * cos - root]
    else:
        b = [a * (a + 1 + (a - 1) * cos + root), -2 * a * (a - 1 + (a + 1) * cos), a * (a + 1 + (a - 1) * cos - root)]
        under = [a + 1 - (a - 1) * cos + root, 2 * (a - 1 - (a + 1) * cos), a + 1 - (a - 1) * cos - root]
    return np.array(b + under[1:]) / under[0]


def level_db(section: Section, frequency_hz: float) -> float:
    return float(amplitude_db(np.abs(response([section], np.array(frequency_hz), RATE_HZ))))


@pytest.mark.parametrize("section", WORKED)
def test_worked_coefficients(section: Section) -> None:
    # the values are given to 12 decimals
    np.testing.assert_allclose(section.coefficients(RATE_HZ), WORKED[section][0], rtol=0, atol=1e-12)


@pytest.mark.parametrize("section", WORKED)
def test_worked_levels(section: Section) -> None:
    # given to 6 decimals
    for frequency_hz, expected_db in WORKED[section][1].items():
        assert level_db(section, frequency_hz) == pytest.approx(expected_db, rel=0, abs=5.1e-7)


@pytest.mark.parametrize("section", VARIED)
@pytest.mark.parametrize("rate_hz", [44100.0, 192000.0])
def test_coefficients_are_those_of_the_note(section: Section, rate_hz: float) -> None:
    # both round where poles lie close to 1: 31.5 Hz at 192 kHz
    np.testing.assert_allclose(section.coefficients(rate_hz), as_the_note_has_it(section, rate_hz), rtol=1e-13)


@pytest.mark.parametrize("section", VARIED)
def test_response_is_that_of_the_coefficients(section: Section) -> None:
    b0, b1, b2, a1, a2 = section.coefficients(RATE_HZ)
    _, expected = freqz([b0, b1, b2], [1.0, a1, a2], worN=FREQUENCY_HZ, fs=RATE_HZ)
    # 1 - cos w is 3e-6 at 20 Hz: the polynomials in z lose 11 of 16 digits when squared
    np.testing.assert_allclose(response([section], FREQUENCY_HZ, RATE_HZ), expected, rtol=1e-9)


def test_digital_is_bilinear_of_analogue() -> None:
    """The prototype of a low shelf as the note writes it, through another implementation of the transform."""
    section = Section("low shelf", 200.0, 5.0, 0.6)
    a, w0 = 10 ** (5.0 / 40), 2 * RATE_HZ * np.tan(np.pi * 200.0 / RATE_HZ)
    middle = np.sqrt(a) / 0.6
    b, under = bilinear(a * np.array([1 / w0**2, middle / w0, a]), np.array([a / w0**2, middle / w0, 1]), fs=RATE_HZ)
    expected = np.concatenate([b, under[1:]]) / under[0]
    np.testing.assert_allclose(section.coefficients(RATE_HZ), expected, rtol=1e-10)


def test_prototypes_are_those_of_the_note() -> None:
    a, s = 10 ** (4.0 / 40), 1j * FREQUENCY_HZ / 700.0
    q, root = 1.5, np.sqrt(a) / 1.5
    expected = {
        "peaking": (s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1),
        "low shelf": a * (s**2 + root * s + a) / (a * s**2 + root * s + 1),
        "high shelf": a * (a * s**2 + root * s + 1) / (s**2 + root * s + a),
    }
    for kind in KINDS:
        np.testing.assert_allclose(response([Section(kind, 700.0, 4.0, q)], FREQUENCY_HZ), expected[kind], rtol=1e-13)


def test_a_high_rate_is_analogue() -> None:
    # the stretch is (pi f / fs)^2 / 3 of the frequency: 1e-7 at 20 kHz and 100 MHz
    for section in VARIED:
        digital, analogue = (response([section], FREQUENCY_HZ, rate) for rate in (1e8, None))
        np.testing.assert_allclose(digital, analogue, rtol=1e-5)


@pytest.mark.parametrize("section", VARIED)
def test_boost_and_cut_cancel(section: Section) -> None:
    opposite = Section(section.kind, section.frequency_hz, -section.gain_db, section.q)
    product = response([section, opposite], FREQUENCY_HZ, RATE_HZ)
    np.testing.assert_allclose(product, 1.0, rtol=0, atol=1e-12)


def test_half_gain_frequencies_and_bandwidth() -> None:
    section = Section("peaking", 1000.0, 6.0, 1.0)
    low_hz, high_hz = (brentq(lambda f: level_db(section, f) - 3.0, *ends) for ends in ((100, 1e3), (1e3, 1e4)))
    # given to 4 decimals
    assert low_hz == pytest.approx(618.5798, abs=5.1e-5)
    assert high_hz == pytest.approx(1614.3144, abs=5.1e-5)
    # at 48 kHz; the prototype's is 1.38848
    assert np.log2(high_hz / low_hz) == pytest.approx(1.38389, abs=5.1e-6)
    ends = 1000.0 * 2.0 ** (np.array([-0.5, 0.5]) * bandwidth_octaves(1.0))
    np.testing.assert_allclose(amplitude_db(np.abs(response([section], ends))), 3.0, rtol=1e-12)


def test_q_of_a_bandwidth() -> None:
    octaves = np.array([1 / 3, 1 / 2, 1, 2])
    q = q_of_bandwidth(octaves)
    np.testing.assert_allclose(q, [4.318473, 2.871000, 1.414214, 0.666667], rtol=0, atol=5.1e-7)
    np.testing.assert_allclose(bandwidth_octaves(q), octaves, rtol=1e-14)


def test_q_of_the_poles() -> None:
    """Poles have the classic quality A Q, A = 10^(gain/40): above 1 for a boost, below for a cut."""
    for gain_db in (6.0, -6.0):
        a = 10 ** (gain_db / 40)
        *_, a1, a2 = Section("peaking", 100.0, gain_db, 2.0).coefficients(1e6)
        pole = np.log(np.roots([1.0, a1, a2])[0]) * 1e6
        # the transform stretches by 3e-8 at this rate; the pole is 1e-3 from 1, and its root loses digits
        assert -abs(pole) / (2 * pole.real) == pytest.approx(2.0 * a, rel=1e-6)


def test_no_sections_leave_all_as_it_is() -> None:
    np.testing.assert_array_equal(response([], FREQUENCY_HZ, RATE_HZ), 1.0)


def test_too_low_a_rate_is_refused() -> None:
    with pytest.raises(UsageError, match="found a sampling rate of 32000 Hz for frequencies up to 20000 Hz; needed"):
        response(VARIED, FREQUENCY_HZ, 32000.0)
    with pytest.raises(UsageError, match="needed more than 18000 Hz"):
        VARIED[-1].coefficients(18000.0)
