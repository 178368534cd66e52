"""Squared pressures averaged over log frequency: sums by hand, closed forms, and errors taken the long way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldproc.conventions import POLAR_ANGLES_DEG, REFERENCE_PRESSURE_PA, polar_directions
from fieldproc.records import FarField, FarFieldErrors, Table, Verdict
from fieldproc.settings import TableSettings
from fieldproc.tables import octave_bands, smoothed, tabulate
from fieldproc.tables.averages import averaged, overlaps, share_edges
from fieldproc.tables.bands import with_bands
from fieldproc.tables.cta2034a import curve_columns
from fieldproc.tables.fractional_octaves import OCTAVE_RATIO, band_weights, bands_between
from fieldproc.tables.smoothing import smoothing_weights

FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)


def field_of(
    power: np.ndarray, frequency_hz: np.ndarray = FREQUENCY_HZ, errors: np.ndarray | None = None
) -> FarField:
    """The same squared pressure re 20 uPa (frequency,) in all directions, one channel; relative errors (frequency,
    vector) of the pressure, each a cause of its own."""
    pressure_pa = np.repeat((REFERENCE_PRESSURE_PA * np.sqrt(power))[:, None, None], 72, axis=2).astype(complex)
    made = None
    if errors is not None:
        relative = np.concatenate([np.zeros((len(power), 1)), errors], axis=1)
        made = FarFieldErrors(
            pressure_pa[:, :, None] * relative[:, None, :, None],
            2.0 * relative[:, None],
            np.zeros((len(power), 1), dtype=np.int64),
            1,
            tuple(f"cause {index}" for index in range(errors.shape[1])),
        )
    power_w = 1e-3 * power[:, None]
    return FarField(frequency_hz, polar_directions(), pressure_pa, power_w, np.inf, ("woofer",), errors=made)


def table_of(far_field: FarField, **settings: object) -> Table:
    (table,) = smoothed(far_field, TableSettings.model_validate(settings), {})
    return table


def bands_of(far_field: FarField, per_octave: int) -> Table:
    (table,) = octave_bands(far_field, TableSettings(bands_per_octave=per_octave), {})
    return table


def rippled(seed: int = 5) -> np.ndarray:
    return 10.0 ** np.random.default_rng(seed).normal(8.0, 0.4, FREQUENCY_HZ.size)


def mean_by_sampling(power: np.ndarray, lower_hz: float, upper_hz: float, frequency_hz: np.ndarray) -> float:
    """Mean of the nearest frequency's value (in octaves) at many places of the window: the twin."""
    places = np.linspace(np.log2(lower_hz), np.log2(upper_hz), 40_002)
    places = (places[1:] + places[:-1]) / 2.0
    nearest = np.argmin(np.abs(places[:, None] - np.log2(frequency_hz)[None]), axis=1)
    return float(power[nearest].mean())


# A place on the wrong side of an edge: one in 40,000, of values that differ by up to 30 times.
SAMPLED = 2e-3


# --- shares and windows ---------------------------------------------------------------------------------


def test_shares_meet_midway_and_end_as_far_out_as_in() -> None:
    np.testing.assert_allclose(share_edges(np.array([0.0, 1.0, 4.0])), [-0.5, 0.5, 2.5, 5.5], rtol=1e-15)
    np.testing.assert_array_equal(share_edges(np.array([3.0])), [3.0, 3.0])


def test_windows_hold_what_lies_within_of_each_share() -> None:
    held = overlaps(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.25, -1.0, 5.0]), np.array([2.5, 0.5, 6.0]))
    np.testing.assert_allclose(held, [[0.75, 1.0, 0.5], [0.5, 0.0, 0.0], [0.0, 0.0, 0.0]], rtol=1e-15)


# --- smoothing ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("per_octave", [1, 3, 6, 48])
def test_smoothing_is_the_mean_of_squares_over_log_frequency(per_octave: int) -> None:
    power = rippled()
    weights = smoothing_weights(FREQUENCY_HZ, per_octave)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, rtol=1e-12)
    half = 2.0 ** (0.5 / per_octave)
    for row in (24, 100, 215):
        expected = mean_by_sampling(power, FREQUENCY_HZ[row] / half, FREQUENCY_HZ[row] * half, FREQUENCY_HZ)
        assert weights[row] @ power == pytest.approx(expected, rel=SAMPLED)


def test_windows_narrow_on_both_sides_where_the_data_end() -> None:
    weights = smoothing_weights(FREQUENCY_HZ, 3)
    for row, reach in ((0, 0), (1, 1), (3, 3), (4, 4), (5, 4), (238, 1), (239, 0)):
        used = np.flatnonzero(weights[row])
        np.testing.assert_array_equal(used, np.arange(row - reach, row + reach + 1))
    # a single frequency is what it is
    np.testing.assert_array_equal(smoothing_weights(np.array([100.0]), 6), [[1.0]])


def test_a_power_of_frequency_keeps_its_slope() -> None:
    """Mean of f^s over a window of width w in ln f: f^s sinh(s w / 2) / (s w / 2)."""
    exponent, width = 4.0, np.log(2.0) / 6.0
    table = table_of(field_of(FREQUENCY_HZ**exponent))
    rise_db = 10.0 * np.log10(np.sinh(exponent * width / 2.0) / (exponent * width / 2.0))
    inner = slice(2, -2)
    found = table.column("on_axis_db")[inner] - 10.0 * exponent * np.log10(FREQUENCY_HZ[inner])
    # Five shares of 1/24 octave, the outer ones halved, are the trapezoidal rule: (s step)^2 / 12 = 0.0011 too much.
    np.testing.assert_allclose(found, rise_db, rtol=0, atol=0.005)
    step = exponent * np.log(2.0) / 24.0
    by_hand = (1.0 + 2.0 * np.cosh(step) + np.cosh(2.0 * step)) / 4.0
    np.testing.assert_allclose(found, 10.0 * np.log10(by_hand), rtol=0, atol=1e-9)


def test_smoothed_table_has_the_same_columns_and_says_how() -> None:
    far_field = field_of(rippled(), errors=np.full((240, 1), 0.01))
    raw = tabulate(far_field, TableSettings(), {})[0]
    table = table_of(far_field)
    assert table.name == "cta2034a_smoothed"
    assert table.header == raw.header
    np.testing.assert_array_equal(table.column("frequency_hz"), FREQUENCY_HZ)
    assert table.facts["smoothing_per_octave"] == 6
    assert "f 2^(-1/12) to f 2^(1/12)" in str(table.facts["smoothing"])
    assert "both sides" in str(table.facts["smoothing_ends"])
    assert {"coverage_factor", "rear_wall_bounce", "channel", "level_reference"} <= set(table.facts)
    assert smoothed(far_field, TableSettings(smoothing_per_octave="none"), {}) == ()


def test_indices_are_ratios_of_smoothed_curves() -> None:
    """A beam that narrows abruptly: the mean of levels in dB would be another index."""
    power = rippled()
    far_field = field_of(power)
    beam = np.where(np.abs(np.tile(POLAR_ANGLES_DEG, 2)) > 30, 0.1, 1.0)
    pressure_pa = far_field.pressure_pa.copy()
    pressure_pa[120:] *= beam
    table = table_of(replace(far_field, pressure_pa=pressure_pa), smoothing_per_octave=1)
    index = table.column("listening_window_db") - table.column("sound_power_db")
    np.testing.assert_allclose(table.column("sound_power_di_db"), index, rtol=0, atol=1e-9)
    raw = tabulate(replace(far_field, pressure_pa=pressure_pa), TableSettings(), {})[0]
    expected = smoothing_weights(FREQUENCY_HZ, 1) @ 10.0 ** (raw.column("sound_power_db") / 10.0)
    np.testing.assert_allclose(table.column("sound_power_db"), 10.0 * np.log10(expected), rtol=1e-12)


def test_a_frequency_without_a_value_spoils_its_windows_and_no_others() -> None:
    power = rippled()
    power[100] = np.nan
    table = table_of(field_of(power), smoothing_per_octave=3)
    np.testing.assert_array_equal(np.flatnonzero(np.isnan(table.column("on_axis_db"))), np.arange(96, 105))


# --- errors ---------------------------------------------------------------------------------------------


def test_errors_are_those_of_averaging_inside_the_mechanism() -> None:
    """Vectors that go through the average once, against an average of every field that a vector changes."""
    rng = np.random.default_rng(8)
    far_field = field_of(rippled(), errors=0.02 * rng.standard_normal((240, 3)))
    assert far_field.errors is not None
    turned = rng.standard_normal(far_field.errors.pressure_pa.shape) * 1j * 1e-3 * REFERENCE_PRESSURE_PA
    far_field = replace(
        far_field, errors=replace(far_field.errors, pressure_pa=far_field.errors.pressure_pa + turned)
    )
    weights = smoothing_weights(FREQUENCY_HZ, 3)
    twin = with_bands(
        far_field, lambda one: curve_columns(averaged(one, weights, FREQUENCY_HZ), TableSettings(), 0), 0
    )
    table = table_of(far_field, smoothing_per_octave=3)
    for name in ("on_axis", "sound_power", "in_room_estimate", "early_reflections_di"):
        for end in ("low", "high"):
            column = f"{name}_{end}_db"
            # central differences over 1e-4 of the vector on either way
            np.testing.assert_allclose(table.column(column), twin[column], rtol=0, atol=1e-5)


def test_independent_errors_average_out_and_common_ones_do_not() -> None:
    power = np.full(240, 1e8)
    common = table_of(field_of(power, errors=np.full((240, 1), 0.01)), smoothing_per_octave=1)
    independent = table_of(field_of(power, errors=0.01 * np.eye(240)), smoothing_per_octave=1)
    row = 120
    reach_db = 20.0 * np.log10(1.0 + 2 * 0.01)
    assert common.column("on_axis_high_db")[row] - 80.0 == pytest.approx(reach_db, rel=1e-4)
    weights = smoothing_weights(FREQUENCY_HZ, 1)[row]
    reach_db = 20.0 * np.log10(1.0 + 2 * 0.01 * np.sqrt(np.sum(weights**2)))
    assert independent.column("on_axis_high_db")[row] - 80.0 == pytest.approx(reach_db, rel=1e-4)


def test_sound_power_and_its_errors_average_too() -> None:
    far_field = field_of(np.array([1.0, 3.0]), np.array([100.0, 200.0]), errors=np.array([[0.01], [0.03]]))
    mean = averaged(far_field, np.array([[0.5, 0.5]]), np.array([150.0]))
    assert mean.errors is not None
    np.testing.assert_allclose(mean.sound_power_w, [[2e-3]], rtol=1e-12)
    # 2 x 1 % of 1 mW and 2 x 3 % of 3 mW, of 4 mW together
    np.testing.assert_allclose(mean.errors.power[0, 0], [0.0, (0.02 + 0.18) / 4.0], rtol=1e-12, atol=1e-15)


def test_silence_is_as_loud_as_its_errors() -> None:
    far_field = field_of(np.ones(2), np.array([100.0, 200.0]), errors=np.array([[0.3], [0.4]]))
    silent = replace(far_field, pressure_pa=np.zeros_like(far_field.pressure_pa))
    mean = averaged(silent, np.array([[0.5, 0.5]]), np.array([150.0]))
    assert mean.errors is not None
    expected = REFERENCE_PRESSURE_PA * np.sqrt((0.09 + 0.16) / 2.0)
    np.testing.assert_allclose(np.abs(mean.errors.pressure_pa[0, 0, 1]), expected, rtol=1e-12)


def test_a_mean_is_no_better_than_the_worst_that_takes_part() -> None:
    far_field = field_of(np.full(240, 1e8), errors=np.full((240, 1), 1e-4))
    assert far_field.errors is not None
    verdict = np.zeros((240, 1), dtype=np.int64)
    verdict[100] = Verdict.DO_NOT_USE
    far_field = replace(far_field, errors=replace(far_field.errors, verdict=verdict))
    found = table_of(far_field, smoothing_per_octave=3).column("on_axis_verdict_code")
    np.testing.assert_array_equal(np.flatnonzero(found == Verdict.DO_NOT_USE), np.arange(96, 105))
    assert set(found) == {Verdict.GOOD, Verdict.DO_NOT_USE}
    bands = bands_of(far_field, 3)
    half_step = 2.0 ** (1.0 / 48.0)
    held = bands.column("lower_edge_hz") < FREQUENCY_HZ[100] * half_step
    held &= bands.column("upper_edge_hz") > FREQUENCY_HZ[100] / half_step
    assert held.sum() == 2
    filled = np.isfinite(bands.column("on_axis_db"))
    np.testing.assert_array_equal(bands.column("on_axis_verdict_code") == Verdict.DO_NOT_USE, held | ~filled)


# --- bands ----------------------------------------------------------------------------------------------

# IEC 61260-1:2014, equations 1 to 5, G = 10^0.3: nominal (ISO 266), exact, lower and upper edge in Hz, worked in
# double precision outside this project from the equations as open libraries transcribe them.
THIRDS = (
    (20, 19.952623, 17.782794, 22.387211),
    (25, 25.118864, 22.387211, 28.183829),
    (31.5, 31.622777, 28.183829, 35.481339),
    (40, 39.810717, 35.481339, 44.668359),
    (50, 50.118723, 44.668359, 56.234133),
    (63, 63.095734, 56.234133, 70.794578),
    (80, 79.432823, 70.794578, 89.125094),
    (100, 100.0, 89.125094, 112.201845),
    (125, 125.892541, 112.201845, 141.253754),
    (250, 251.188643, 223.872114, 281.838293),
    (500, 501.187234, 446.683592, 562.341325),
    (1000, 1000.0, 891.250938, 1122.018454),
    (2000, 1995.262315, 1778.279410, 2238.721139),
    (3150, 3162.277660, 2818.382931, 3548.133892),
    (4000, 3981.071706, 3548.133892, 4466.835922),
    (8000, 7943.282347, 7079.457844, 8912.509381),
    (10000, 10000.0, 8912.509381, 11220.184543),
    (16000, 15848.931925, 14125.375446, 17782.794100),
    (20000, 19952.623150, 17782.794100, 22387.211386),
)
# ISO 266, as read.
NOMINAL_HZ = (
    "10 12.5 16 20 25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1000 1250 1600 2000 2500 3150 4000 "
    "5000 6300 8000 10000 12500 16000 20000"
)
# Bands to the octave: exact mid-frequencies by the same equations. Those of halves and, from 2 kHz, of twelfths are
# reference values of an open general-purpose library; the others were worked outside this project.
CENTERS_HZ = {
    2: (421.6965034, 595.66214435, 841.3951416, 1188.502227),
    12: (971.62795, 1029.20053, 2053.525026, 2175.204034, 2304.092976, 2440.619068, 4097.321098),
    20: (982.87887, 1017.41937),
    24: (985.71190, 1014.49521),
}


def test_thirds_of_an_octave() -> None:
    bands = bands_between(3, 9.5, 21000.0)
    for nominal, center, lower, upper in THIRDS:
        at = int(np.argmin(np.abs(bands.center_hz - center)))
        # six printed decimals
        found = [bands.center_hz[at], bands.lower_hz[at], bands.upper_hz[at]]
        np.testing.assert_allclose(found, [center, lower, upper], rtol=0, atol=0.51e-6)
        assert bands.nominal_hz[at] == pytest.approx(nominal, rel=1e-12)
    np.testing.assert_allclose(bands.nominal_hz, [float(word) for word in NOMINAL_HZ.split()], rtol=1e-12)


def test_octaves() -> None:
    bands = bands_between(1, 23.0, 15000.0)
    np.testing.assert_allclose(bands.nominal_hz, [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000], rtol=1e-12)
    at = 5
    found = [bands.center_hz[at], bands.lower_hz[at], bands.upper_hz[at]]
    np.testing.assert_allclose(found, [1000.0, 707.94578, 1412.53754], rtol=0, atol=0.51e-5)


@pytest.mark.parametrize("per_octave", CENTERS_HZ)
def test_even_numbers_of_bands_have_none_at_1_khz(per_octave: int) -> None:
    bands = bands_between(per_octave, 300.0, 5000.0)
    for center in CENTERS_HZ[per_octave]:
        # the shortest of them has five printed decimals
        assert np.min(np.abs(bands.center_hz - center)) < 0.51e-5
    # the edge is there instead
    assert np.min(np.abs(bands.upper_hz / 1000.0 - 1.0)) < 1e-12
    assert np.isnan(bands.nominal_hz).all()


@pytest.mark.parametrize("per_octave", [1, 2, 3, 5, 12, 24])
def test_bands_tile_the_axis(per_octave: int) -> None:
    bands = bands_between(per_octave, 20.0, 20000.0)
    np.testing.assert_allclose(bands.lower_hz[1:], bands.upper_hz[:-1], rtol=1e-12)
    np.testing.assert_allclose(bands.upper_hz / bands.lower_hz, OCTAVE_RATIO ** (1.0 / per_octave), rtol=1e-12)
    assert bands.lower_hz[0] < 20.0 < bands.upper_hz[0]
    assert bands.lower_hz[-1] < 20000.0 < bands.upper_hz[-1]


@pytest.mark.parametrize("per_octave", [1, 3, 12])
def test_band_levels_are_means_over_log_frequency(per_octave: int) -> None:
    power = rippled()
    table = bands_of(field_of(power), per_octave)
    assert table.name == f"bands_{per_octave}"
    assert table.header[:5] == (
        "frequency_hz",
        "nominal_frequency_hz",
        "lower_edge_hz",
        "upper_edge_hz",
        "on_axis_db",
    )
    for row in (len(table.values) // 3, len(table.values) // 2):
        lower, upper = table.column("lower_edge_hz")[row], table.column("upper_edge_hz")[row]
        expected = 10.0 * np.log10(mean_by_sampling(power, lower, upper, FREQUENCY_HZ))
        for name in ("on_axis_db", "sound_power_db"):
            assert table.column(name)[row] == pytest.approx(expected, abs=4.4 * SAMPLED)


def test_band_of_a_power_of_frequency() -> None:
    """Pink weighting: f_m^s sinh(s w / 2) / (s w / 2) for f^s, w = ln G / 3; weighting by hertz would give more."""
    exponent, width = 4.0, np.log(OCTAVE_RATIO) / 3.0
    table = bands_of(field_of(FREQUENCY_HZ**exponent), 3)
    center = table.column("frequency_hz")
    expected = 40.0 * np.log10(center) + 10.0 * np.log10(np.sinh(exponent * width / 2) / (exponent * width / 2))
    found = table.column("on_axis_db")
    filled = np.isfinite(found)
    # shares that an edge cuts count with the value of their middle: up to half a step of 0.25 dB for an eighth of
    # the band at either end
    np.testing.assert_allclose(found[filled], expected[filled], rtol=0, atol=0.04)


def test_bands_that_the_data_do_not_fill_are_nan() -> None:
    table = bands_of(field_of(rippled()), 3)
    missing = table.column("nominal_frequency_hz")[np.isnan(table.column("on_axis_db"))]
    # 20 Hz to 19.9 kHz: half a step farther out is not enough for 17.8 Hz or 22.4 kHz
    np.testing.assert_array_equal(missing, [20.0, 20000.0])
    # third-octave data hold thirds of an octave, but nothing finer
    thirds_hz = 20.0 * 2.0 ** (np.arange(31) / 3.0)
    coarse = field_of(np.ones(31), thirds_hz)
    thirds = bands_of(coarse, 3)
    np.testing.assert_array_equal(
        thirds.column("nominal_frequency_hz")[np.isnan(thirds.column("on_axis_db"))], [20.0, 25000.0]
    )
    assert np.isnan(bands_of(coarse, 6).column("on_axis_db")).all()
    sixths = field_of(np.ones(61), 20.0 * 2.0 ** (np.arange(61) / 6.0))
    assert np.isnan(bands_of(sixths, 8).column("on_axis_db")).all()
    # a twenty-fourth of a factor of 2 is wider than one of 10^0.3, by little
    assert np.isnan(bands_of(field_of(rippled()), 24).column("on_axis_db")).sum() <= 2


def test_one_frequency_makes_no_band() -> None:
    table = bands_of(field_of(np.ones(1), np.array([100.0])), 3)
    assert table.values.shape[0] == 0
    assert octave_bands(field_of(rippled()), TableSettings(bands_per_octave="none"), {}) == ()


def test_band_weights_sum_to_one_or_nothing() -> None:
    edges = share_edges(np.log2(FREQUENCY_HZ))
    weights = band_weights(edges, bands_between(3, 2.0 ** edges[0], 2.0 ** edges[-1]))
    sums = weights.sum(axis=1)
    np.testing.assert_array_equal(sums[[0, -1]], 0.0)
    np.testing.assert_allclose(sums[1:-1], 1.0, rtol=1e-12)
