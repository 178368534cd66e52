"""Sound speed and density of the air from what the session states.

Temperature alone: c = 343.2 sqrt(T / 293.15 K), ISO 9613-1:1993 A.5. With humidity: the polynomial of
Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, eq. (15) and table III, 0 to 30 degrees C, uncertainty below
300 ppm; the CO2 mole fraction is taken as 0.000314, his standard air.
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import DEFAULT_TEMPERATURE_C, Floats
from fieldproc.records import Air

STANDARD_PRESSURE_PA = 101_325.0
_CO2_MOLE_FRACTION = 314e-6
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
