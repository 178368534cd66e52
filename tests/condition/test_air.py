"""Sound speed, density and absorption of air against published formulae and tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from condition.test_condition import EQUAL, GRID, session_of

from fieldproc.condition import condition
from fieldproc.condition.air import (
    absorption,
    cramer_sound_speed,
    density,
    iso_absorption,
    relaxation_hz,
    sound_speed,
    vapour_percent,
    water_mole_fraction,
)
from fieldproc.records import Air, TransferFunctions

# ISO 9613-1:1993, A.5: c = 343.2 sqrt(T / 293.15 K). Worked by hand from the printed formula.
ISO_9613_1 = {
    0.0: 331.2859,
    10.0: 337.2956,
    15.0: 340.2606,
    20.0: 343.2,
    23.0: 344.9516,
    25.0: 346.1145,
    30.0: 349.0046,
}
# Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, eq. (15) and table III, worked independently at 314 ppm CO2 and
# 101 325 Pa; columns: dry, 30, 50, 60, 100 % relative humidity.
HUMIDITIES = (0.0, 30.0, 50.0, 60.0, 100.0)
CRAMER = {
    0.0: (331.4550, 331.5485, 331.6109, 331.6420, 331.7667),
    10.0: (337.4669, 337.6599, 337.7886, 337.8529, 338.1101),
    20.0: (343.3672, 343.7436, 343.9944, 344.1197, 344.6208),
    25.0: (346.2755, 346.7910, 347.1343, 347.3059, 347.9917),
    30.0: (349.1560, 349.8532, 350.3175, 350.5496, 351.4766),
}
# CIPM-2007 (Picard et al., Metrologia 45 (2008) 149), 400 ppm CO2, 101 325 Pa, worked with coefficients from
# memory (high confidence): temperature, relative humidity in percent, density in kg/m3.
CIPM_2007 = [
    (0.0, 0.0, 1.293049),
    (15.0, 0.0, 1.225521),
    (20.0, 0.0, 1.204557),
    (20.0, 50.0, 1.199314),
    (23.0, 50.0, 1.186085),
    (25.0, 50.0, 1.177316),
]
# Half of the last digit printed above.
LAST_DIGIT = 5e-5


@pytest.mark.parametrize(("temperature_c", "expected"), ISO_9613_1.items())
def test_temperature_alone_is_iso_9613_1(temperature_c: float, expected: float) -> None:
    speed, told = sound_speed(Air(temperature_c=np.full(3, temperature_c)), 3)
    np.testing.assert_allclose(speed, np.full(3, expected), rtol=0, atol=LAST_DIGIT)
    assert told == "sound speed from the stated temperature (ISO 9613-1)"


@pytest.mark.parametrize("temperature_c", CRAMER)
def test_humidity_makes_it_cramer(temperature_c: float) -> None:
    for humidity, expected in zip(HUMIDITIES, CRAMER[temperature_c], strict=True):
        air = Air(temperature_c=np.array([temperature_c]), relative_humidity_percent=humidity)
        speed, told = sound_speed(air, 1)
        np.testing.assert_allclose(speed, [expected], rtol=0, atol=LAST_DIGIT)
        assert told == "sound speed from the stated temperature and humidity (Cramer 1993)"


@pytest.mark.parametrize(
    ("temperature_c", "humidity", "pressure_pa", "co2", "expected"),
    [
        (20.0, 60.0, 101_325.0, 314e-6, 344.1667),
        (30.0, 98.9, 101_325.0, 314e-6, 351.5079),
        (20.0, 0.0, 75_212.0, 314e-6, 343.3036),
        (20.0, 0.0, 101_325.0, 0.00988, 342.576),
    ],
)
def test_points_read_off_cramers_figure_1(
    temperature_c: float, humidity: float, pressure_pa: float, co2: float, expected: float
) -> None:
    temperature = np.array([temperature_c])
    water = water_mole_fraction(temperature, humidity, pressure_pa)
    # 300 ppm is the uncertainty the paper states, about what can be read off its figure: 0.1 m/s
    np.testing.assert_allclose(cramer_sound_speed(temperature, water, pressure_pa, co2), [expected], rtol=3e-4)


def test_stated_sound_speed_wins_over_everything() -> None:
    air = Air(np.array([340.0, 341.0]), np.full(2, 25.0), 50.0, 90_000.0)
    speed, told = sound_speed(air, 2)
    assert speed.tolist() == [340.0, 341.0]
    assert told == "sound speed as stated in the session"


def test_nothing_stated_is_20_degrees_and_said_aloud() -> None:
    speed, told = sound_speed(Air(), 2)
    assert speed.tolist() == [343.2, 343.2]
    assert "20 degrees C assumed" in told


def test_thin_air_holds_a_larger_share_of_water() -> None:
    low, high = (Air(None, np.array([20.0]), 50.0, pressure_pa) for pressure_pa in (101_325.0, 75_212.0))
    gained = sound_speed(high, 1)[0] - sound_speed(low, 1)[0]
    # Cramer's eq. (15): 54.15 m/s per unit of water, 1.156 % at sea level and 1.557 % up there: 0.217, less 0.011
    # of the terms in pressure and water squared
    np.testing.assert_allclose(gained, [0.206], rtol=5e-3)


@pytest.mark.parametrize(("temperature_c", "humidity", "expected"), CIPM_2007)
def test_density_is_within_a_thousandth_of_cipm_2007(temperature_c: float, humidity: float, expected: float) -> None:
    air = Air(temperature_c=np.array([temperature_c]), relative_humidity_percent=humidity)
    # an ideal gas misses the compressibility of air: 4e-4 at these conditions
    np.testing.assert_allclose(density(air), expected, rtol=1e-3)


def test_density_of_a_drifting_room_is_the_mean() -> None:
    drift = density(Air(temperature_c=np.array([15.0, 25.0])))
    np.testing.assert_allclose(drift, (1.225521 + 1.184) / 2, rtol=1e-3)


# ISO 9613-1:1993, table 1, third octaves from 50 Hz to 10 kHz, from transcriptions of the standard: (degrees C,
# percent of relative humidity): dB/km. It holds at exact mid-band frequencies, not at the nominal ones printed.
MID_BANDS_HZ = 1000.0 * 10.0 ** (np.arange(-13, 11) / 10.0)
TABLE_1 = {
    (
        -20.0,
        10.0,
    ): "0.589 0.756 0.924 1.08 1.20 1.30 1.37 1.43 1.46 1.49 1.52 1.55 1.59 1.65 1.74 1.88 2.10 2.44 2.99 "
    "3.86 5.24 7.42 10.9 16.4",
    (-15.0, 30.0): "0.212 0.305 0.446 0.660 0.979 1.45 2.10 2.97 4.05 5.27 6.52 7.67 8.65 9.44 10.1 10.6 11.0 11.5 "
    "12.2 13.1 14.6 16.8 20.3 25.9",
    (
        25.0,
        80.0,
    ): "0.0426 0.0673 0.106 0.167 0.262 0.409 0.631 0.963 1.44 2.10 2.95 3.97 5.12 6.35 7.62 9.01 10.7 12.9 "
    "16.2 21.1 28.8 40.8 59.8 89.6",
}
# (degrees C, percent, step of a third octave from 1 kHz): dB/km, single entries of the same table.
ENTRIES = [
    (10.0, 10.0, 0, 21.6),
    (10.0, 10.0, -10, 0.585),
    (-20.0, 30.0, -1, 4.92),
    (35.0, 60.0, 6, 25.8),
    (20.0, 10.0, 7, 133.0),
    (20.0, 80.0, 7, 30.6),
    (50.0, 70.0, 0, 8.03),
]
# ISO 9613-2:1996, table 2, octaves from 63 Hz to 8 kHz, dB/km; from memory.
ISO_9613_2 = {
    (20.0, 70.0): (0.1, 0.3, 1.1, 2.8, 5.0, 9.0, 22.9, 76.6),
    (10.0, 70.0): (0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117.0),
}
# Worked independently from the printed formulae at the exact mid-bands of 63 Hz to 8 kHz, 10 and 16 kHz, 20 degrees C
# and 50 %: dB/km.
WORKED = (0.1228, 0.4453, 1.318, 2.733, 4.665, 9.855, 29.42, 103.9, 158.8, 358.8)
SEA_LEVEL_PA = 101_325.0


@pytest.mark.parametrize("air", TABLE_1)
def test_absorption_is_table_1_of_iso_9613_1(air: tuple[float, float]) -> None:
    expected = np.array(TABLE_1[air].split(), dtype=np.float64)
    # three digits are printed: half of the last of them is 0.5 % at most
    np.testing.assert_allclose(1e3 * iso_absorption(MID_BANDS_HZ, *air, SEA_LEVEL_PA), expected, rtol=0.005)


@pytest.mark.parametrize(("temperature_c", "humidity", "step", "expected"), ENTRIES)
def test_single_entries_of_table_1(temperature_c: float, humidity: float, step: int, expected: float) -> None:
    found = 1e3 * iso_absorption(np.array([1000.0 * 10.0 ** (step / 10)]), temperature_c, humidity, SEA_LEVEL_PA)
    np.testing.assert_allclose(found, [expected], rtol=0.005)


@pytest.mark.parametrize("air", ISO_9613_2)
def test_absorption_is_table_2_of_iso_9613_2(air: tuple[float, float]) -> None:
    octaves_hz = 1000.0 * 10.0 ** (0.3 * np.arange(-4, 4))
    found = 1e3 * iso_absorption(octaves_hz, *air, SEA_LEVEL_PA)
    # half of the last digit printed; the last entry has none after the point
    np.testing.assert_allclose(found[:-1], ISO_9613_2[air][:-1], rtol=0, atol=0.05)
    np.testing.assert_allclose(found[-1], ISO_9613_2[air][-1], rtol=0.005)


def test_absorption_worked_from_the_formulae() -> None:
    at_hz = 1000.0 * 10.0 ** (np.array([-12, -9, -6, -3, 0, 3, 6, 9, 10, 12]) / 10)
    np.testing.assert_allclose(1e3 * iso_absorption(at_hz, 20.0, 50.0, SEA_LEVEL_PA), WORKED, rtol=5e-4)
    oxygen_hz, nitrogen_hz = relaxation_hz(20.0, vapour_percent(20.0, 50.0, SEA_LEVEL_PA), SEA_LEVEL_PA)
    np.testing.assert_allclose([oxygen_hz, nitrogen_hz], [35413.9, 331.85], rtol=1e-5)


def test_vapour_grows_as_the_air_gets_thinner() -> None:
    """ISO 9613-1 eq. (B.1) divides by the pressure of the air; the multiplied form would give 1.024 %."""
    np.testing.assert_allclose(vapour_percent(20.0, 50.0, 90_000.0), 1.298128, rtol=1e-6)
    np.testing.assert_allclose(vapour_percent(20.0, 50.0, SEA_LEVEL_PA), 1.15304, rtol=5e-6)
    # saturation pressure at 20 degrees C: 2.33663045 kPa
    np.testing.assert_allclose(vapour_percent(20.0, 100.0, SEA_LEVEL_PA) * 1013.25, 2336.63045, rtol=1e-8)


def test_relaxation_of_dry_air() -> None:
    assert relaxation_hz(20.0, 0.0, SEA_LEVEL_PA) == pytest.approx((24.0, 9.0), rel=1e-12)


def test_absorption_says_what_it_assumes() -> None:
    frequency_hz = np.array([1000.0, 10_000.0])
    assumed, told = absorption(Air(), frequency_hz)
    assert told == "20 degrees C (assumed), 50 % relative humidity (assumed), 101.325 kPa (assumed) (ISO 9613-1)"
    np.testing.assert_allclose(1e3 * assumed, [4.665, 158.8], rtol=5e-4)
    # a room that drifts has the absorption of its mean
    stated = Air(None, np.array([14.0, 16.0]), 30.0, 95_000.0)
    found, told = absorption(stated, frequency_hz)
    assert told == "15 degrees C, 30 % relative humidity, 95 kPa (ISO 9613-1)"
    np.testing.assert_array_equal(found, iso_absorption(frequency_hz, 15.0, 30.0, 95_000.0))


@pytest.mark.parametrize(("humidity", "expected"), [(None, (337.2956, 344.9516)), (50.0, (337.7886, 347.1343))])
def test_every_point_has_the_air_of_its_own_record(humidity: float | None, expected: tuple[float, float]) -> None:
    """Temperatures of six records, two of them repeats of others: the mean of their sound speeds counts."""
    warm_c = 23.0 if humidity is None else 25.0
    temperature_c = np.array([10.0, warm_c, 10.0, warm_c, 10.0, warm_c])
    session = session_of(EQUAL, air=Air(None, temperature_c, humidity), measured_at_s=np.arange(6.0) ** 2)
    positions = session.positions_m.copy()
    positions[5], positions[4] = positions[0], positions[2]
    # impulse responses would be brought to one air
    response = TransferFunctions(np.ones((2, 1, 6), dtype=np.complex128), np.array([100.0, 200.0]))
    spectra = condition(replace(session, positions_m=positions, response=response), GRID)
    cold, warm = expected
    np.testing.assert_allclose(
        spectra.sound_speed_m_per_s, [(cold + warm) / 2, warm, cold, warm], rtol=0, atol=LAST_DIGIT
    )
    assert spectra.measured_at_s is not None
    assert spectra.measured_at_s.tolist() == [12.5, 1.0, 10.0, 9.0]
    assert spectra.absorption_db_per_m is not None
    np.testing.assert_array_equal(spectra.absorption_db_per_m, absorption(session.air, spectra.frequency_hz)[0])
