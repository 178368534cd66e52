"""Level at the seat: worked numbers, and readings of sensitivity that stay apart."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.errors import UsageError
from fieldproc.findings.level import (
    CAUTION,
    Amplifier,
    Load,
    PowerSensitivity,
    VoltageSensitivity,
    level_at_seat,
    power_w,
)

AMPLIFIER = Amplifier(60.0, Load.rated(6.0))


def test_worked_level_by_voltage() -> None:
    """20 lg(sqrt(360) / 2.83) = 16.526 dB, 20 lg 2.6 = 8.299 dB."""
    found = level_at_seat(VoltageSensitivity(88.0), AMPLIFIER, 2.6)
    # given to 2 decimals
    assert found.level_db == pytest.approx(96.23, abs=0.005)
    assert found.voltage_v == pytest.approx(18.9737, abs=5e-5)


def test_worked_level_by_power() -> None:
    """10 lg 60 = 17.782 dB."""
    assert level_at_seat(PowerSensitivity(88.0), AMPLIFIER, 2.6).level_db == pytest.approx(97.48, abs=0.005)


def test_both_readings_are_one_at_8_ohm_alone() -> None:
    """2.83 V are 1 W into 8 ohm, 2 W into 4."""
    # 2.83 is 0.06 % more than the root of 8, in power twice that
    assert power_w(2.83, 8.0) == pytest.approx(1.0, rel=2e-3)
    assert power_w(2.83, 4.0) == pytest.approx(2.0, rel=2e-3)
    for impedance_ohm, apart_db in ((8.0, 0.0), (4.0, 3.0103)):
        amplifier = Amplifier(50.0, Load.rated(impedance_ohm))
        by_volts, by_watts = (
            level_at_seat(reading(88.0), amplifier, 1.0).level_db
            for reading in (VoltageSensitivity, PowerSensitivity)
        )
        assert by_watts - by_volts == pytest.approx(apart_db, abs=0.01)


def test_a_curve_counts_where_it_is_lowest() -> None:
    load = Load.of_curve(np.array([20.0, 60.0, 180.0, 1000.0]), np.array([np.nan, 30.0, 4.1, 7.0]))
    assert load.impedance_ohm == 4.1
    told = level_at_seat(VoltageSensitivity(88.0), Amplifier(60.0, load), 2.6)
    assert told.voltage_v == pytest.approx(np.sqrt(60.0 * 4.1))
    assert any("the lowest impedance of the curve, 4.1 ohm at 180 Hz" in words for words in told.assumptions)


def test_headroom_and_the_power_that_it_takes() -> None:
    found = level_at_seat(PowerSensitivity(88.0), AMPLIFIER, 1.0, 3.0, wanted_db=98.7815)
    # 88 + 17.7815 + 3 - 98.7815
    assert found.level_db == pytest.approx(108.7815, abs=1e-4)
    assert found.headroom_db == pytest.approx(10.0, abs=1e-4)
    assert found.power_needed_w == pytest.approx(6.0, rel=1e-4)
    unasked = level_at_seat(PowerSensitivity(88.0), AMPLIFIER, 1.0)
    assert np.isnan([unasked.headroom_db, unasked.power_needed_w]).all()


def test_assumptions_are_told() -> None:
    free = " ".join(level_at_seat(VoltageSensitivity(88.0), AMPLIFIER, 2.6).assumptions)
    room = " ".join(level_at_seat(PowerSensitivity(88.0), AMPLIFIER, 2.6, 3.0).assumptions)
    for words in (
        "88 dB at 2.83 V",
        "into this impedance it is 1.33 W",
        "60 W into a rated impedance of 6 ohm",
        "2.6 m",
    ):
        assert words in free
    assert "free field, no room" in free
    assert "+3 dB for the room" in room
    assert "a power into the same impedance" in room
    assert "hearing" in CAUTION
    assert "local rules" in CAUTION


def test_refusals() -> None:
    with pytest.raises(UsageError, match="found distance 0 m; needed more than 0"):
        level_at_seat(VoltageSensitivity(88.0), AMPLIFIER, 0.0)
    with pytest.raises(UsageError, match="found impedance -4 ohm"):
        Amplifier(60.0, Load.rated(-4.0))
    with pytest.raises(UsageError, match="found amplifier power inf W"):
        Amplifier(float("inf"), Load.rated(4.0))
    with pytest.raises(UsageError, match="found voltage of the sensitivity 0 V"):
        VoltageSensitivity(88.0, 0.0)
    with pytest.raises(UsageError, match="found power of the sensitivity nan W"):
        PowerSensitivity(88.0, float("nan"))
