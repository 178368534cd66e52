"""Sentences round to what errors leave, and say what the numbers say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldproc.findings.aim import Aim, Aimed, StandsOut, Tolerance
from fieldproc.findings.departures import Departure
from fieldproc.findings.words import _of_aim, estimate, hertz, span


@pytest.mark.parametrize(
    ("value", "uncertainty", "told"),
    [
        # no finer than a tenth of a decibel, however well it is known; an error is never told smaller than it is
        (2.24, 0.001, "2.2 ± 0.1 dB"),
        (2.24, 0.049, "2.2 ± 0.1 dB"),
        (2.24, 0.051, "2.2 ± 0.2 dB"),
        (2.24, 0.26, "2.2 ± 0.6 dB"),
        (2.6, 0.6, "3 ± 2 dB"),
        (23.4, 7.0, "20 ± 20 dB"),
        (-0.04, 0.01, "0.0 ± 0.1 dB"),
        (1.27, np.nan, "1.3 dB"),
    ],
)
def test_estimates_are_rounded_to_their_errors(value: float, uncertainty: float, told: str) -> None:
    assert estimate(value, uncertainty, "dB") == told


def test_signs_and_finer_units() -> None:
    assert estimate(0.8734, 0.0041, "dB per octave", signed=True, finest=0.01) == "+0.87 ± 0.01 dB per octave"
    assert estimate(-0.8734, np.nan, "dB", signed=True) == "-0.9 dB"


@pytest.mark.parametrize(
    ("frequency_hz", "told"),
    [(879.4, "879 Hz"), (61.02, "61 Hz"), (2281.0, "2.28 kHz"), (999.6, "1 kHz"), (16e3, "16 kHz")],
)
def test_frequencies_have_three_digits(frequency_hz: float, told: str) -> None:
    assert hertz(frequency_hz) == told


def test_a_span_names_its_unit_once() -> None:
    assert span(793.0, 960.0) == "793 to 960 Hz"
    assert span(451.0, 1293.0) == "451 Hz to 1.29 kHz"


def departure_at(peak_hz: float) -> Departure:
    return Departure(peak_hz / 1.1, peak_hz * 1.1, peak_hz, 1.2, 0.4, 0.05, 24.0, False, np.zeros(3))


def test_what_toe_in_makes_worse_is_told_once_at_its_worst() -> None:
    bump = departure_at(6000.0)
    there = [StandsOut(bump, angle, 0.0, 1.2, size) for angle, size in ((25.0, 1.9), (30.0, 2.3), (35.0, 2.1))]
    tried = Aimed(0.0, 0.0, 0.6, 0.9, (1.2,))
    aim = Aim((tried,), tried, (0.0, 15.0), Tolerance(10.0, 12.5, 5.0, np.inf), tuple(there))
    window, tolerance, *warnings = _of_aim(aim)
    assert window.startswith(
        "Toe-in from 0 to 15 degrees keeps the direct sound near its line; at 0 degrees it departs by 0.6 dB"
    )
    assert tolerance.endswith("10 degrees left, 12.5 degrees right, 5 degrees up and beyond what was tried down.")
    assert warnings == [
        "Off axis it stands out more: the departure at 6 kHz is +1.2 dB in the direct sound on axis and +2.3 dB "
        "at 30 degrees of toe-in."
    ]


def test_no_window_is_said_so() -> None:
    tried = Aimed(10.0, 0.0, 4.2, 3.0, ())
    aim = Aim((tried,), tried, None, Tolerance(0.0, 0.0, 0.0, 0.0), ())
    assert next(iter(_of_aim(aim))) == (
        "No toe-in keeps the direct sound near its line; the least departure, 4.2 dB rms, is at 10 degrees."
    )
    higher = replace(aim, recommended=replace(tried, elevation_deg=4.4))
    assert "seen from 4 degrees above the axis" in next(iter(_of_aim(higher)))
