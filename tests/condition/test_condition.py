"""Calibration, repeats, dropped points and bands: small sessions whose pressures are known by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldproc.condition import condition
from fieldproc.errors import NumericalError
from fieldproc.records import Air, Drive, DroppedPoint, ImpulseResponses, Microphone, Session, TransferFunctions
from fieldproc.settings import SpectraSettings

RATE_HZ = 48000.0
GRID = SpectraSettings(lowest_hz=125.0, per_octave=1, count=7)
FREQUENCY_HZ = 125.0 * 2.0 ** np.arange(7)
# Responses recorded by the test are multiples of this, per volt (or full scale).
UNIT = 0.1
# A few operations in double precision.
ROUNDING = 1e-13


def session_of(values: np.ndarray, **changes: object) -> Session:
    """A session in Pa/V of a response (channel, point, sample), at distinct positions along x."""
    points = values.shape[1]
    session = Session(
        name="scan",
        title="practice scan",
        device="two-way box",
        attributes={},
        positions_m=np.stack([np.linspace(0.3, 0.4, points), np.zeros(points), np.zeros(points)], axis=1),
        response=ImpulseResponses(values, RATE_HZ),
        unit="Pa/V",
        channel_names=tuple(f"way {channel}" for channel in range(len(values))),
        valid=np.ones(points, dtype=np.bool_),
        surface=np.full(points, -1),
    )
    return replace(session, **changes)  # type: ignore[arg-type]


def pulses(*heights: float) -> np.ndarray:
    """One channel, a pulse at sample 0 per point: a flat spectrum."""
    values = np.zeros((1, len(heights), 64))
    values[0, :, 0] = heights
    return values


EQUAL = pulses(*[UNIT] * 6)


@pytest.mark.parametrize(
    ("unit", "microphone", "drive", "expected_pa"),
    [
        # pascal per volt, at the default 2.83 V
        ("Pa/V", Microphone(), Drive(), UNIT * 2.83),
        # the sensitivity has been used already when the unit is pascal
        ("Pa/V", Microphone(sensitivity_v_per_pa=0.05), Drive(voltage_v=2.0), UNIT * 2.0),
        # 0.1 V/V at 50 mV/Pa is 2 Pa/V
        ("V/V", Microphone(sensitivity_v_per_pa=0.05), Drive(voltage_v=2.0), 4.0),
        # 0.1 Pa at full scale, driven 20 dB below it
        ("Pa/FS", Microphone(), Drive(level_dbfs=-20.0), 0.01),
    ],
)
def test_units_and_drive(unit: str, microphone: Microphone, drive: Drive, expected_pa: float) -> None:
    spectra = condition(session_of(EQUAL, unit=unit, microphone=microphone, drive=drive), GRID)
    assert spectra.frequency_hz.tolist() == FREQUENCY_HZ.tolist()
    np.testing.assert_allclose(spectra.pressure_pa, np.full((7, 1, 6), expected_pa), rtol=ROUNDING)


def test_microphone_response_is_divided_out() -> None:
    """Known at 250 and 4000 Hz: gain 1 at 170 degrees, gain 4 at -110 (a turn further, 250)."""
    response = np.array([1.0, 4.0]) * np.exp(1j * np.radians([170.0, -110.0]))
    microphone = Microphone(frequency_hz=np.array([250.0, 4000.0]), response=response)
    spectra = condition(session_of(EQUAL, microphone=microphone), GRID)
    # held outside; between, magnitude in dB and phase on straight lines over log frequency: a quarter per octave
    share = np.array([0.0, 0.0, 0.25, 0.5, 0.75, 1.0, 1.0])
    expected = 4.0**share * np.exp(1j * np.radians(170.0 + 80.0 * share))
    np.testing.assert_allclose(spectra.pressure_pa[:, 0, 0], UNIT * 2.83 / expected, rtol=ROUNDING)


def test_microphone_response_from_0_hz() -> None:
    """A response taken from an FFT starts at 0 Hz, where log frequency ends."""
    microphone = Microphone(
        frequency_hz=np.array([0.0, 500.0, 1000.0]), response=np.array([9.0, 2.0, 2.0], dtype=np.complex128)
    )
    spectra = condition(session_of(EQUAL, microphone=microphone), GRID)
    np.testing.assert_allclose(spectra.pressure_pa[:, 0, 0], np.full(7, UNIT * 2.83 / 2.0), rtol=ROUNDING)


def test_repeats_are_averaged_where_they_first_occur() -> None:
    positions = np.array([[0.5, 0, 0], [0.3, 0, 0], [0.5, 0, 0], [0.4, 0, 0], [0.3, 0, 0], [0.6, 0, 0], [0.5, 0, 0]])
    session = session_of(
        pulses(1.0, 2.0, 3.0, 5.0, 4.0, 6.0, 8.0),
        positions_m=positions,
    )
    spectra = condition(session, GRID)
    assert spectra.file_point.tolist() == [0, 1, 3, 5]
    assert spectra.repeats.tolist() == [3, 2, 1, 1]
    np.testing.assert_array_equal(spectra.positions_m, positions[[0, 1, 3, 5]])
    np.testing.assert_allclose(spectra.pressure_pa[0, 0] / 2.83, [4.0, 3.0, 5.0, 6.0], rtol=ROUNDING)
    # in differing air all records are brought to one
    air = Air(sound_speed_m_per_s=np.array([340.0, 343.0, 341.0, 343.0, 345.0, 343.0, 342.0]))
    mixed = condition(replace(session, air=air), GRID)
    np.testing.assert_allclose(mixed.sound_speed_m_per_s, 2397.0 / 7.0, rtol=ROUNDING)


def test_bad_points_are_dropped_with_the_reason() -> None:
    values = np.repeat(pulses(*[UNIT] * 9), 2, axis=0)
    values[1, 2, 7] = np.nan
    values[:, 4] = 0.0
    values[0, 5, 0] = np.inf
    valid = np.ones(9, dtype=np.bool_)
    valid[[1, 4]] = False
    values[:, 6] = 0.0
    spectra = condition(session_of(values, valid=valid), GRID)
    assert spectra.dropped == (
        DroppedPoint(1, "left out by the session"),
        DroppedPoint(2, "response is not finite"),
        DroppedPoint(4, "left out by the session"),
        DroppedPoint(5, "response is not finite"),
        DroppedPoint(6, "response is silent"),
    )
    assert spectra.file_point.tolist() == [0, 3, 7, 8]
    assert np.isfinite(spectra.pressure_pa).all()


def test_too_few_points_are_refused() -> None:
    values = pulses(UNIT, UNIT, UNIT, 0.0, np.nan)
    with pytest.raises(NumericalError, match="points with a usable response is 3 of 5, limit at least 4"):
        condition(session_of(values), GRID)


def test_nothing_is_made_up_above_half_the_sampling_rate() -> None:
    session = session_of(EQUAL, response=ImpulseResponses(EQUAL, 4000.0))
    spectra = condition(session, GRID)
    # 2 kHz, half the rate, cannot tell a phase from its opposite
    assert spectra.usable.tolist() == [True] * 4 + [False] * 3
    assert np.isnan(spectra.pressure_pa[4:]).all()
    assert np.isfinite(spectra.pressure_pa[:4]).all()


def test_start_time_of_the_record_is_kept() -> None:
    session = session_of(EQUAL, response=ImpulseResponses(EQUAL, RATE_HZ, start_s=0.002))
    spectra = condition(session, GRID)
    expected = UNIT * 2.83 * np.exp(-2j * np.pi * FREQUENCY_HZ * 0.002)
    np.testing.assert_allclose(spectra.pressure_pa[:, 0, 0], expected, rtol=ROUNDING)


def transfer_session(values: np.ndarray) -> Session:
    """Transfer functions (frequency, channel, point) at 100, 200, ... Hz."""
    frequency_hz = 100.0 * np.arange(1, len(values) + 1)
    return session_of(EQUAL, response=TransferFunctions(values, frequency_hz))


def test_transfer_functions_keep_their_frequencies() -> None:
    values = np.random.default_rng(1).normal(size=(5, 1, 6, 2)).view(np.complex128)[..., 0]
    spectra = condition(transfer_session(values), GRID)
    assert spectra.frequency_hz.tolist() == [100.0, 200.0, 300.0, 400.0, 500.0]
    assert spectra.usable.all()
    np.testing.assert_allclose(spectra.pressure_pa, values * 2.83, rtol=ROUNDING)


def test_a_band_without_data_costs_the_band_and_not_the_points() -> None:
    """Measured elsewhere, a file may state nan below the lowest frequency of its sweep, at every point."""
    values = np.full((5, 1, 6), UNIT + 0j)
    values[[0, 3]] = np.nan
    # one point is bad on its own
    values[1, 0, 2] = np.nan
    spectra = condition(transfer_session(values), GRID)
    assert spectra.dropped == (DroppedPoint(2, "response is not finite"),)
    assert spectra.usable.tolist() == [False, True, True, False, True]
    assert np.isnan(spectra.pressure_pa[[0, 3]]).all()
    np.testing.assert_allclose(spectra.pressure_pa[[1, 2, 4]], np.full((3, 1, 5), UNIT * 2.83), rtol=ROUNDING)


def test_no_finite_frequency_at_all_is_refused() -> None:
    with pytest.raises(NumericalError, match="usable response is 0 of 6"):
        condition(transfer_session(np.full((5, 1, 6), np.nan + 0j)), GRID)


def test_what_the_session_says_goes_along() -> None:
    session = session_of(EQUAL, notices=("no integrity check",), surface=np.array([0, 0, 0, 1, 1, 1]))
    spectra = condition(session, GRID)
    assert spectra.notices[0] == "no integrity check"
    assert "20 degrees C assumed" in spectra.notices[1]
    assert spectra.surface.tolist() == [0, 0, 0, 1, 1, 1]
    assert spectra.sound_speed_m_per_s.tolist() == [343.2] * 6


@pytest.mark.parametrize(
    ("samples", "rate_hz", "told"),
    [
        (5, RATE_HZ, "length of the records is 5 samples, limit 16"),
        # kilohertz taken for hertz
        (64, 48.0, "lowest frequency asked for is 125 Hz, limit 21.768 Hz"),
    ],
)
def test_records_that_hold_no_frequency(samples: int, rate_hz: float, told: str) -> None:
    session = session_of(EQUAL[..., :samples], response=ImpulseResponses(EQUAL[..., :samples], rate_hz))
    with pytest.raises(NumericalError, match=told):
        condition(session, GRID)
