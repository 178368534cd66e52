"""Sound speed and density of air against published formulae and tables."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.condition.air import cramer_sound_speed, density, sound_speed, water_mole_fraction
from fieldproc.records import Air

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
