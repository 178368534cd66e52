"""A point source of known volume velocity, from a session file in volts to sound pressure levels.

p = rho f Q / (2 r) of a monopole, any textbook of acoustics. With rho = 1.204 kg/m3, c = 343.2 m/s and
Q = 1e-3 m3/s at 1 kHz, by hand: 0.602 Pa = 89.5713 dB at 1 m; radiated power rho c k^2 Q^2 / (4 pi) =
11.021 mW = 100.4223 dB re 1 pW.

The source has constant volume acceleration, so its pressure is a pulse that arrives at r / c. The sampling
rate is such that 1 m is 140 samples: the records are exact without any filter.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fieldproc.condition import condition
from fieldproc.conventions import horizontal_directions, level_db, power_db, vertical_directions, wavenumber
from fieldproc.expand import expand
from fieldproc.extrapolate import extrapolate, pressure_at
from fieldproc.records import Air, Drive, ImpulseResponses, KnownSource, Microphone, Session
from fieldproc.session import open_input, write_session
from fieldproc.settings import Settings, SpectraSettings

SOUND_SPEED_M_PER_S = 343.2
SAMPLES_PER_METRE = 140
RATE_HZ = SOUND_SPEED_M_PER_S * SAMPLES_PER_METRE
PRESSURE_AT_1_M_PA = 0.602
LEVEL_AT_1_M_DB = 89.5713
POWER_DB = 100.4223
# The digits printed above.
DIGITS_DB = 1e-4
# Of an instrument: 12.5 mV/Pa, driven with 2 V, recorded from 16 samples before the excitation.
SENSITIVITY_V_PER_PA = 0.0125
VOLTAGE_V = 2.0
LEAD_IN = 16
SETTINGS = Settings(spectra=SpectraSettings(lowest_hz=250.0, per_octave=1, count=3))


def spiral(count: int) -> np.ndarray:
    """Directions spread evenly over the sphere, by the golden angle."""
    height = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    azimuth = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    across = np.sqrt(1.0 - height**2)
    return np.stack([across * np.cos(azimuth), across * np.sin(azimuth), height], axis=1)


def scan(path: Path, radii_m: tuple[float, ...], points: int) -> Session:
    """Spheres about the source, written to a file and read back."""
    values = np.zeros((1, len(radii_m) * points, 256))
    for layer, radius_m in enumerate(radii_m):
        at = LEAD_IN + round(radius_m * SAMPLES_PER_METRE)
        volts_per_volt = PRESSURE_AT_1_M_PA / radius_m * SENSITIVITY_V_PER_PA / VOLTAGE_V
        values[0, layer * points : (layer + 1) * points, at] = volts_per_volt
    total = len(radii_m) * points
    session = Session(
        name="point source",
        title="Point source in free field",
        device="practice source",
        attributes={},
        positions_m=np.concatenate([radius_m * spiral(points) for radius_m in radii_m]),
        response=ImpulseResponses(values, RATE_HZ, start_s=-LEAD_IN / RATE_HZ),
        unit="V/V",
        channel_names=("full range",),
        valid=np.ones(total, dtype=np.bool_),
        surface=np.repeat(np.arange(len(radii_m)), points),
        air=Air(temperature_c=np.full(total, 20.0)),
        microphone=Microphone(sensitivity_v_per_pa=SENSITIVITY_V_PER_PA),
        drive=Drive(voltage_v=VOLTAGE_V),
        known_source=KnownSource(np.zeros(3)),
    )
    write_session(session, path)
    read = open_input(path)
    assert isinstance(read, Session)
    return read


def test_level_at_1_m_of_a_session_in_volts(tmp_path: Path) -> None:
    spectra = condition(scan(tmp_path / "scan.h5", (1.0,), 12), SETTINGS.spectra)
    # flat over frequency, and the same at every point
    np.testing.assert_allclose(
        level_db(spectra.pressure_pa), np.full((3, 1, 12), LEVEL_AT_1_M_DB), rtol=0, atol=DIGITS_DB
    )
    # the sound left at time 0 and took 1 m / c: rounding of about a turn
    k = wavenumber(spectra.frequency_hz, SOUND_SPEED_M_PER_S)
    turned_back = spectra.pressure_pa * np.exp(1j * k * 1.0)[:, None, None]
    np.testing.assert_allclose(turned_back, np.full((3, 1, 12), PRESSURE_AT_1_M_PA), rtol=1e-12)


@pytest.mark.parametrize(("radii_m", "separated"), [((0.25, 0.3), True), ((0.25,), False)])
def test_level_at_1_m_of_its_expansion(tmp_path: Path, radii_m: tuple[float, ...], separated: bool) -> None:
    spectra = condition(scan(tmp_path / "scan.h5", radii_m, 100), SETTINGS.spectra)
    expansion = expand(spectra, SETTINGS)
    assert (expansion.regular_order >= 0).all() == separated
    angles = np.arange(-170.0, 181.0, 10.0)
    directions = np.concatenate([horizontal_directions(angles), vertical_directions(angles)])
    far_field = extrapolate(expansion, spectra.axis, directions, SETTINGS.extrapolation)
    for pressure in (far_field.pressure_pa, pressure_at(expansion, spectra.axis, directions, 1.0)):
        np.testing.assert_allclose(level_db(pressure), np.full((3, 1, 72), LEVEL_AT_1_M_DB), rtol=0, atol=DIGITS_DB)
    # propagation removed, a source that radiates at time 0 has no phase left
    np.testing.assert_allclose(far_field.pressure_pa, np.full((3, 1, 72), PRESSURE_AT_1_M_PA), rtol=1e-9)
    # air of 20 degrees C is within 0.05 % of 1.204 kg/m3, and so 0.002 dB
    np.testing.assert_allclose(
        power_db(far_field.sound_power_w / 1e-12), np.full((3, 1), POWER_DB), rtol=0, atol=2e-3
    )


def test_the_printed_numbers_follow_from_the_closed_form() -> None:
    rho, frequency_hz, volume_velocity = 1.204, 1000.0, 1e-3
    k = 2 * np.pi * frequency_hz / SOUND_SPEED_M_PER_S
    pressure = rho * frequency_hz * volume_velocity / 2
    power_w = rho * SOUND_SPEED_M_PER_S * k**2 * volume_velocity**2 / (4 * np.pi)
    np.testing.assert_allclose(20 * np.log10(pressure / 20e-6), LEVEL_AT_1_M_DB, rtol=0, atol=DIGITS_DB)
    np.testing.assert_allclose(10 * np.log10(power_w / 1e-12), POWER_DB, rtol=0, atol=DIGITS_DB)
