"""Sound speed, density and absorption of the air from what the session states.

Temperature alone: c = 343.2 sqrt(T / 293.15 K), ISO 9613-1:1993 A.5. With humidity: the polynomial of
Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, eq. (15) and table III, 0 to 30 degrees C, uncertainty below
300 ppm; the CO2 mole fraction is taken as 0.000314, his standard air.

Absorption: ISO 9613-1:1993, eqs. (3) to (5) and annex B, pure tones, within 10 % from -20 to 50 degrees C for 0.05
to 5 % of water vapour.
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import DEFAULT_TEMPERATURE_C, Floats
from fieldproc.records import Air

STANDARD_PRESSURE_PA = 101_325.0
# Assumed where absorption is asked for and no humidity is stated: an ordinary room.
DEFAULT_HUMIDITY_PERCENT = 50.0
_CO2_MOLE_FRACTION = 314e-6
# Of ISO 9613-1: triple point of water, and the temperature that its coefficients are stated for.
_TRIPLE_POINT_K, _REFERENCE_K = 273.16, 293.15
_CRAMER = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip
_GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
_DRY_AIR_KG_PER_MOL = 0.0289655  # CIPM-2007 at 400 ppm CO2, from memory
_WATER_KG_PER_MOL = 0.01801528


def sound_speed(air: Air, points: int) -> tuple[Floats, str]:
    """Sound speed at every point in m/s, shape (point,), and a sentence that says where it comes from."""
    if air.sound_speed_m_per_s is not None:
        return np.broadcast_to(air.sound_speed_m_per_s, (points,)).copy(), "sound speed as stated in the session"
    if air.temperature_c is None:
        temperature_c = np.full(points, DEFAULT_TEMPERATURE_C)
        told = f"no sound speed and no temperature stated: {DEFAULT_TEMPERATURE_C:g} degrees C assumed"
    else:
        temperature_c = np.broadcast_to(air.temperature_c, (points,)).astype(np.float64)
        told = "sound speed from the stated temperature"
    if air.relative_humidity_percent is None:
        return 343.2 * np.sqrt((temperature_c + 273.15) / 293.15), f"{told} (ISO 9613-1)"
    pressure_pa = air.pressure_pa or STANDARD_PRESSURE_PA
    water = water_mole_fraction(temperature_c, air.relative_humidity_percent, pressure_pa)
    return cramer_sound_speed(temperature_c, water, pressure_pa), f"{told} and humidity (Cramer 1993)"


def water_mole_fraction(temperature_c: Floats, relative_humidity_percent: float, pressure_pa: float) -> Floats:
    """Mole fraction of water vapour; enhancement factor and saturation pressure as in Cramer's appendix."""
    kelvin = temperature_c + 273.15
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_c**2
    saturation_pa = np.exp(1.2811805e-5 * kelvin**2 - 1.9509874e-2 * kelvin + 34.04926034 - 6353.6311 / kelvin)
    return np.asarray(relative_humidity_percent / 100.0 * enhancement * saturation_pa / pressure_pa)


def cramer_sound_speed(
    temperature_c: Floats, water: Floats, pressure_pa: float, co2: float = _CO2_MOLE_FRACTION
) -> Floats:
    """Cramer's eq. (15); temperature in degrees C, mole fractions as ratios, pressure in Pa."""
    a, t = _CRAMER, temperature_c
    return np.asarray(
        a[0] + a[1] * t + a[2] * t**2
        + (a[3] + a[4] * t + a[5] * t**2) * water
        + (a[6] + a[7] * t + a[8] * t**2) * pressure_pa
        + (a[9] + a[10] * t + a[11] * t**2) * co2
        + a[12] * water**2 + a[13] * pressure_pa**2 + a[14] * co2**2 + a[15] * water * pressure_pa * co2
    )  # fmt: skip


def density(air: Air) -> float:
    """Mean density in kg/m^3, ideal gas of dry air and vapour: within 0.05 % of CIPM-2007 near 20 degrees C."""
    temperature_c = np.atleast_1d(DEFAULT_TEMPERATURE_C if air.temperature_c is None else air.temperature_c)
    pressure_pa = air.pressure_pa or STANDARD_PRESSURE_PA
    water = water_mole_fraction(temperature_c, air.relative_humidity_percent or 0.0, pressure_pa)
    molar = _DRY_AIR_KG_PER_MOL * (1.0 - water) + _WATER_KG_PER_MOL * water
    return float(np.mean(pressure_pa * molar / (_GAS_CONSTANT * (temperature_c + 273.15))))


def absorption(air: Air, frequency_hz: Floats) -> tuple[Floats, str]:
    """Attenuation of pure tones in dB/m, (frequency,), and the air it holds for, what was assumed included."""
    assumed = " (assumed)"
    temperature_c = DEFAULT_TEMPERATURE_C if air.temperature_c is None else float(np.mean(air.temperature_c))
    humidity = air.relative_humidity_percent
    relative_humidity_percent = DEFAULT_HUMIDITY_PERCENT if humidity is None else humidity
    pressure_pa = air.pressure_pa or STANDARD_PRESSURE_PA
    told = (
        f"{temperature_c:.4g} degrees C{assumed if air.temperature_c is None else ''}, "
        f"{relative_humidity_percent:g} % relative humidity{assumed if humidity is None else ''}, "
        f"{pressure_pa / 1000.0:g} kPa{'' if air.pressure_pa else assumed} (ISO 9613-1)"
    )
    return iso_absorption(frequency_hz, temperature_c, relative_humidity_percent, pressure_pa), told


def vapour_percent(temperature_c: float, relative_humidity_percent: float, pressure_pa: float) -> float:
    """Molar concentration of water vapour in percent, ISO 9613-1 eqs. (B.1) to (B.3).

    The saturation pressure is divided by the pressure of the air: thin air holds a larger share of water.
    """
    exponent = -6.8346 * (_TRIPLE_POINT_K / (temperature_c + 273.15)) ** 1.261 + 4.6151
    return float(relative_humidity_percent * 10.0**exponent * STANDARD_PRESSURE_PA / pressure_pa)


def relaxation_hz(temperature_c: float, vapour_percent: float, pressure_pa: float) -> tuple[float, float]:
    """Relaxation frequencies of oxygen and nitrogen, ISO 9613-1 eqs. (3) and (4)."""
    pressure, h = pressure_pa / STANDARD_PRESSURE_PA, vapour_percent
    warmth = (temperature_c + 273.15) / _REFERENCE_K
    oxygen = pressure * (24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen = pressure * warmth**-0.5 * (9.0 + 280.0 * h * np.exp(-4.170 * (warmth ** (-1.0 / 3.0) - 1.0)))
    return float(oxygen), float(nitrogen)


def iso_absorption(
    frequency_hz: Floats, temperature_c: float, relative_humidity_percent: float, pressure_pa: float
) -> Floats:
    """Pure-tone attenuation in dB/m, (frequency,), ISO 9613-1 eq. (5)."""
    kelvin, pressure = temperature_c + 273.15, pressure_pa / STANDARD_PRESSURE_PA
    warmth, squared = kelvin / _REFERENCE_K, frequency_hz**2
    vapour = vapour_percent(temperature_c, relative_humidity_percent, pressure_pa)
    oxygen_hz, nitrogen_hz = relaxation_hz(temperature_c, vapour, pressure_pa)
    classical = 1.84e-11 / pressure * warmth**0.5
    oxygen = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen_hz + squared / oxygen_hz)
    nitrogen = 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen_hz + squared / nitrogen_hz)
    return np.asarray(8.686 * squared * (classical + warmth**-2.5 * (oxygen + nitrogen)))
