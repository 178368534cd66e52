"""Bands beside the columns of tables: closed forms of errors that are alike, independent, in a null, or of angles."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    REFERENCE_PRESSURE_PA,
    amplitude_db,
    horizontal_directions,
    level_db,
    vertical_directions,
)
from fieldproc.records import FarField, FarFieldErrors, Table, Verdict
from fieldproc.settings import TableSettings
from fieldproc.tables import BAND_FACTS, far_field_bands, pressure_band, tabulate
from fieldproc.tables.bands import COVERAGE_FACTOR, level_band, standard_uncertainty, with_bands
from fieldproc.tables.coverage import Circle, coverage_deg
from fieldproc.tables.cta2034a import LISTENING_WINDOW, appendix_c_weight

ANGLES = np.array(POLAR_ANGLES_DEG, dtype=float)
DIRECTIONS = np.concatenate([horizontal_directions(ANGLES), vertical_directions(ANGLES)])
FREQUENCY_HZ = np.array([100.0, 1000.0])
# dB of a small relative change
DB = 20.0 / np.log(10.0)
# Curvature of the step: a square of the relative errors here, which are a few per cent, times the step of 1e-4.
CLOSE_DB = 1e-5


def field_of(
    pressure_pa: np.ndarray, errors_pa: np.ndarray, power: np.ndarray | float = 0.0, draws: int = 0
) -> FarField:
    """Two equal frequencies, one channel: pressure (direction,), errors (vector, direction), powers (vector,).

    Without draws, every vector is a cause of its own.
    """
    vectors = len(errors_pa)
    whole = np.broadcast_to(errors_pa, (2, 1, *errors_pa.shape)).astype(complex)
    # zeros drawn at random add nothing
    drawn = np.zeros((2, 1, 0 if draws else 1, errors_pa.shape[1]), dtype=complex)
    powers = np.broadcast_to(power, (2, 1, vectors))
    errors = FarFieldErrors(
        np.concatenate([drawn, whole], axis=2),
        np.concatenate([np.zeros(drawn.shape[:3]), powers], axis=2),
        np.zeros((2, 1), dtype=np.int64),
        draws or 1,
        tuple(f"cause {cause}" for cause in range(vectors - draws)),
    )
    return FarField(
        frequency_hz=FREQUENCY_HZ,
        directions=DIRECTIONS,
        pressure_pa=np.broadcast_to(pressure_pa, (2, 1, 72)).astype(complex),
        sound_power_w=np.full((2, 1), 1e-3),
        distance_m=np.inf,
        channel_names=("woofer",),
        air_density_kg_per_m3=1.204,
        sound_speed_m_per_s=343.2,
        errors=errors,
    )


def tables_of(far_field: FarField) -> dict[str, Table]:
    return {table.name: table for table in tabulate(far_field, TableSettings(), {})}


def band(table: Table, name: str, row: int = 0) -> np.ndarray:
    """Low and high re the value."""
    stem, unit = name.rsplit("_", 1)
    return np.array([table.column(f"{stem}_{end}_{unit}")[row] - table.column(name)[row] for end in ("low", "high")])


def level_reach(relative: float) -> list[float]:
    """Low and high of a level, in dB re it, whose amplitude has this relative standard uncertainty."""
    return [float(amplitude_db(1.0 - 2.0 * relative)), float(amplitude_db(1.0 + 2.0 * relative))]


def column(plane: str, angle: int) -> int:
    return POLAR_ANGLES_DEG.index(angle) + (0 if plane == "horizontal" else 36)


def beam() -> np.ndarray:
    """A pattern in pascal that falls off from the axis at different rates, with a phase of its own."""
    angle = np.abs(np.concatenate([ANGLES, ANGLES]))
    rate = np.repeat([0.020, 0.013], 36)
    return np.exp(-rate * angle + 0.0314j * angle)


def test_every_column_has_its_band_by_name() -> None:
    tables = tables_of(field_of(beam(), 0.01 * beam()[None], 0.02))
    for table in tables.values():
        assert table.header[0] == "frequency_hz"
        bare = [name for name in table.header[1:] if not re.search("_(low|high|verdict)_", name)]
        stems = [name.rsplit("_", 1) for name in bare]
        bands = [f"{stem}_{end}_{unit}" for stem, unit in stems for end in ("low", "high")]
        verdicts = [f"{stem}_verdict_code" for stem, unit in stems if unit == "db"]
        assert list(table.header[1:]) == [*bare, *bands, *verdicts]
        for name in bare:
            low, high = band(table, name)
            # rounding of a level to amplitude and back
            assert low <= 1e-12
            assert high >= -1e-12
        assert table.facts["coverage_factor"] == 2.0
        assert "JCGM 100:2008" in str(table.facts["bands"])
    assert {"on_axis_low_db", "sound_power_di_high_db"} < set(tables["cta2034a"].header)
    assert {"level_+030_low_db", "phase_+030_high_deg"} < set(tables["horizontal"].header)
    assert {"directivity_index_low_db", "horizontal_coverage_low_deg"} < set(tables["directivity"].header)


def test_errors_that_are_not_known_have_no_columns() -> None:
    far_field = field_of(beam(), 0.01 * beam()[None])
    bare = tables_of(replace(far_field, errors=None))
    for name, table in tables_of(far_field).items():
        levels = sum(title.endswith("_db") for title in bare[name].header)
        assert len(table.header) == 1 + 3 * (len(bare[name].header) - 1) + levels
        for title in bare[name].header:
            np.testing.assert_array_equal(table.column(title), bare[name].column(title))
        assert not set(BAND_FACTS) & set(bare[name].facts)


@pytest.mark.parametrize("relative", [0.02, 0.02 - 0.03j, -0.05j])
def test_one_factor_for_all_directions(relative: complex) -> None:
    """The same band for every level, none for whatever is a ratio, and the turn of every phase."""
    tables = tables_of(field_of(beam(), relative * beam()[None], 2.0 * relative.real))
    found = 0
    for table in tables.values():
        for name in table.header[1:]:
            if re.search("_(low|high|verdict)_", name):
                continue
            if name.endswith("_deg"):
                turned = 0.0 if "coverage" in name else 2.0 * np.degrees(abs(relative.imag))
                expected = [-turned, turned]
            else:
                expected = [0.0, 0.0] if "_di_" in name or "index" in name else level_reach(abs(relative.real))
            np.testing.assert_allclose(band(table, name), expected, rtol=0, atol=CLOSE_DB, err_msg=name)
            found += 1
    assert found == 14 + 72 + 72 + 8


def test_independent_errors_within_an_average() -> None:
    """Of equal levels, an error of one of nine curves is an error of a ninth of the mean square."""
    window = [column("horizontal", angle) for angle in LISTENING_WINDOW.horizontal]
    errors = np.zeros((2, 72), dtype=complex)
    errors[0, window[3]], errors[1, window[5]] = 0.03, 0.04j + 0.04
    cta = tables_of(field_of(np.ones(72), errors))["cta2034a"]
    expected = level_reach(np.hypot(0.03, 0.04) / 9.0)
    np.testing.assert_allclose(band(cta, "listening_window_db"), expected, rtol=0, atol=CLOSE_DB)
    # alike, amplitudes add up
    cta = tables_of(field_of(np.ones(72), errors.sum(axis=0, keepdims=True)))["cta2034a"]
    np.testing.assert_allclose(band(cta, "listening_window_db"), level_reach(0.07 / 9.0), rtol=0, atol=CLOSE_DB)
    # opposite, they cancel
    errors[1] *= -0.75
    cta = tables_of(field_of(np.ones(72), errors.sum(axis=0, keepdims=True)))["cta2034a"]
    np.testing.assert_allclose(band(cta, "listening_window_db"), [0.0, 0.0], rtol=0, atol=CLOSE_DB)
    np.testing.assert_allclose(band(cta, "on_axis_db"), [0.0, 0.0], rtol=0, atol=CLOSE_DB)


def test_an_error_on_axis_within_a_directivity_index() -> None:
    """The power knows nothing of it; with an independent error of the power, variances add."""
    errors = np.zeros((2, 72), dtype=complex)
    errors[0, [column("horizontal", 0), column("vertical", 0)]] = 0.03
    table = tables_of(field_of(np.ones(72), errors, np.array([0.0, 0.08])))["directivity"]
    np.testing.assert_allclose(band(table, "directivity_index_db"), level_reach(0.05), rtol=0, atol=CLOSE_DB)
    np.testing.assert_allclose(band(table, "sound_power_db"), level_reach(0.04), rtol=0, atol=CLOSE_DB)


def test_sound_power_of_the_standard_weighs_errors_as_it_weighs_curves() -> None:
    errors = np.zeros((1, 72), dtype=complex)
    errors[0, column("vertical", 50)] = 0.1
    cta = tables_of(field_of(np.ones(72), errors))["cta2034a"]
    # sum of all weights: the rings at 0 and 180 degrees occur once, not four times
    weights = sum(appendix_c_weight(angle) for angle in POLAR_ANGLES_DEG) * 2.0 - 2.0 * appendix_c_weight(0)
    expected = level_reach(0.1 * appendix_c_weight(50) / weights)
    np.testing.assert_allclose(band(cta, "sound_power_db"), expected, rtol=0, atol=CLOSE_DB)
    # a fifth of the early reflections is the ceiling's, a third of that is at 50 degrees
    np.testing.assert_allclose(band(cta, "early_reflections_db"), level_reach(0.1 / 15), rtol=0, atol=CLOSE_DB)


@pytest.mark.parametrize("depth", [0.0, 1e-30, 1e-9, 1e-5, 1e-4, 1e-3, 1e-2])
def test_a_null_may_be_deeper_and_is_no_louder_than_its_error(depth: float) -> None:
    """Pressure ``depth`` times as large as an error that is in phase with it."""
    pressure = np.ones(72)
    at = column("horizontal", 90)
    pressure[at] = 1e-2 * depth
    errors = np.zeros((1, 72))
    errors[0, at] = 1e-2
    far_field = field_of(pressure, errors)
    table = tables_of(far_field)["horizontal"]
    assert table.column("level_+090_low_db")[0] == -np.inf
    np.testing.assert_allclose(
        table.column("level_+090_high_db")[0], level_db(np.array(1e-2 * (depth + 2.0))), rtol=0, atol=CLOSE_DB
    )
    assert far_field.errors is not None
    low, high = pressure_band(far_field.pressure_pa, far_field.errors.pressure_pa, far_field.errors.draws)
    assert low[0, 0, at] == -np.inf
    np.testing.assert_allclose(high[0, 0, at], table.column("level_+090_high_db")[0], rtol=0, atol=CLOSE_DB)
    # its phase is known to half a turn, or there is none
    if 0.0 < depth < 1e-4:
        assert band(table, "phase_+090_deg").tolist() == [-180.0, 180.0]
    # averages that need it stay what they are
    assert np.isfinite(tables_of(far_field)["cta2034a"].values).all()


def test_silence_without_errors_stays_silence() -> None:
    table = tables_of(field_of(np.zeros(72), np.zeros((1, 72))))["horizontal"]
    for end in ("low", "high"):
        assert (table.column(f"level_+030_{end}_db") == -np.inf).all()
        assert np.isnan(table.column(f"phase_+030_{end}_deg")).all()


def test_levels_and_phases_of_single_directions() -> None:
    """Re and Im of error re pressure, at every angle its own; the band of a phase does not wrap."""
    rng = np.random.default_rng(4)
    pressure = beam()
    errors = 0.03 * pressure * (rng.normal(size=(3, 72)) + 1j * rng.normal(size=(3, 72)))
    # both planes hold the axis and the rear; either copy is the nearest
    errors[:, 36:][:, np.isin(ANGLES, (0, 180))] = errors[:, :36][:, np.isin(ANGLES, (0, 180))]
    far_field = field_of(pressure, errors)
    ratio = errors / pressure
    level = np.sqrt(np.sum(ratio.real**2, axis=0))
    turn_deg = 2.0 * np.degrees(np.sqrt(np.sum(ratio.imag**2, axis=0)))
    tables = tables_of(far_field)
    assert far_field.errors is not None
    quick = pressure_band(far_field.pressure_pa, far_field.errors.pressure_pa, far_field.errors.draws)
    bands = far_field_bands(far_field)
    # single precision
    for found, expected in zip((bands.level_low_db, bands.level_high_db), quick, strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-6)
    about = np.degrees(np.angle(pressure))
    np.testing.assert_allclose(bands.phase_low_deg[0, 0], about - turn_deg, rtol=0, atol=1e-4)
    np.testing.assert_allclose(bands.phase_high_deg[0, 0], about + turn_deg, rtol=0, atol=1e-4)
    wrapped = 0
    for plane in ("horizontal", "vertical"):
        for angle in POLAR_ANGLES_DEG:
            at = column(plane, angle)
            name = f"level_{angle:+04d}_db"
            np.testing.assert_allclose(band(tables[plane], name), level_reach(level[at]), rtol=0, atol=CLOSE_DB)
            value = tables[plane].column(name)[0]
            found = [one[0, 0, at] - value for one in quick]
            np.testing.assert_allclose(found, level_reach(level[at]), rtol=0, atol=1e-9)
            reach = band(tables[plane], f"phase_{angle:+04d}_deg")
            np.testing.assert_allclose(reach, [-turn_deg[at], turn_deg[at]], rtol=1e-5)
            wrapped += tables[plane].column(f"phase_{angle:+04d}_high_deg")[0] > 180.0
    assert wrapped > 0


def test_a_phase_of_half_a_turn_is_no_less_known_than_others() -> None:
    """Errors take it to either side of 180 and -180 degrees."""
    table = tables_of(field_of(np.full(72, -1.0), np.full((1, 72), 0.02j)))["vertical"]
    assert table.column("phase_-040_deg")[0] == 180.0
    reach = 2.0 * np.degrees(0.02)
    np.testing.assert_allclose(band(table, "phase_-040_deg"), [-reach, reach], rtol=1e-6)


def full_coverage_deg(pressure_pa: np.ndarray) -> np.ndarray:
    """Of pressures at ``POLAR_ANGLES_DEG``."""
    circle = np.roll(np.abs(pressure_pa) ** 2, -POLAR_ANGLES_DEG.index(0))
    left, right = coverage_deg(Circle(10, circle[None]))
    return left + right


@pytest.mark.parametrize("plane", ["horizontal", "vertical"])
def test_coverage_moves_by_its_slope(plane: str) -> None:
    """Against the coverage of pressures with a hundredth of each error, up and down."""
    rng = np.random.default_rng(9)
    errors = 0.02 * beam() * (rng.normal(size=(2, 72)) + 1j * rng.normal(size=(2, 72)))
    errors[:, 36 + POLAR_ANGLES_DEG.index(0)] = errors[:, POLAR_ANGLES_DEG.index(0)]
    table = tables_of(field_of(beam(), errors))["directivity"]
    part = slice(0, 36) if plane == "horizontal" else slice(36, 72)
    slopes = [
        (full_coverage_deg((beam() + 0.01 * one)[part]) - full_coverage_deg((beam() - 0.01 * one)[part])) / 0.02
        for one in errors
    ]
    reach = 2.0 * float(np.sqrt(np.sum(np.square(slopes))))
    assert reach > 1.0
    # the step of 2e-4 leaves its square
    np.testing.assert_allclose(band(table, f"{plane}_coverage_deg"), [-reach, reach], rtol=1e-4)


def test_coverage_stays_within_a_full_turn() -> None:
    falling = np.exp(-0.0045 * np.abs(np.concatenate([ANGLES, ANGLES])))
    errors = np.zeros((1, 72))
    # the level falls off slowly: half of the amplitude at 154 degrees, and the axis moves it by far
    errors[0, [column("horizontal", 0), column("vertical", 0)]] = 0.3
    table = tables_of(field_of(falling, errors))["directivity"]
    assert 300.0 < table.column("horizontal_coverage_deg")[0] < 320.0
    assert table.column("horizontal_coverage_high_deg")[0] == 360.0
    assert table.column("horizontal_coverage_low_deg")[0] > 0.0
    # one side of it, half a turn
    assert table.column("vertical_coverage_up_high_deg")[0] == 180.0


def test_vectors_drawn_at_random_are_a_sample_of_one_cause() -> None:
    """Unit numbers times one vector: the uncertainty of the cause times their rms, in every column."""
    rng = np.random.default_rng(12)
    vector = 0.02 * beam() * (rng.normal(size=72) + 1j * rng.normal(size=72))
    unit = rng.normal(size=24)
    rms = np.sqrt(np.mean(unit**2))
    # known to 1 / sqrt(2 * 24), three times that
    assert abs(rms - 1.0) < 3.0 / np.sqrt(48)
    drawn = tables_of(field_of(beam(), unit[:, None] * vector, 0.03 * unit, draws=24))
    caused = tables_of(field_of(beam(), rms * vector[None], 0.03 * rms))
    for name, table in caused.items():
        # linear, but for the curvature of the step
        np.testing.assert_allclose(drawn[name].values, table.values, rtol=0, atol=1e-4)
    both = standard_uncertainty(np.array([[3.0], [-3.0], [3.0], [4.0]]), 3)
    np.testing.assert_allclose(both, [5.0], rtol=1e-12)


def test_a_level_by_hand() -> None:
    low, high = level_band(np.array([1.0, 10.0, 1.0, 0.0]), np.array([0.25, 1.0, 0.5, 0.5]))
    np.testing.assert_allclose(low, [-6.0206, 18.0618, -np.inf, -np.inf], rtol=0, atol=5e-5)
    np.testing.assert_allclose(high, [3.5218, 21.5836, 6.0206, 0.0], rtol=0, atol=5e-5)


def test_frequencies_and_directions_that_are_not_known_spoil_no_others() -> None:
    far_field = field_of(beam(), 0.02 * beam()[None], 0.04)
    usual = tables_of(far_field)
    assert far_field.errors is not None
    pressure, errors, power = (
        values.copy() for values in (far_field.pressure_pa, far_field.errors.pressure_pa, far_field.errors.power)
    )
    pressure[0], errors[0], power[0] = np.nan, np.nan, np.nan
    blank = replace(
        far_field,
        pressure_pa=pressure,
        sound_power_w=np.array([[np.nan], [1e-3]]),
        errors=replace(far_field.errors, pressure_pa=errors, power=power),
    )
    for name, table in tables_of(blank).items():
        verdicts = np.array([title.endswith("_code") for title in table.header])
        assert np.isnan(table.values[0, ~verdicts][1:]).all()
        assert np.all(table.values[0, verdicts] == Verdict.DO_NOT_USE)
        np.testing.assert_array_equal(table.values[1], usual[name].values[1])

    kept = np.arange(72) != column("vertical", -30)
    fewer = replace(
        far_field,
        directions=DIRECTIONS[kept],
        pressure_pa=far_field.pressure_pa[..., kept],
        errors=replace(far_field.errors, pressure_pa=far_field.errors.pressure_pa[..., kept]),
    )
    vertical = tables_of(fewer)["vertical"]
    unknown = {name for name in vertical.header if np.isnan(vertical.column(name)).any()}
    assert unknown == {name for name in vertical.header if "_-030_" in name and not name.endswith("_code")}
    assert np.all(vertical.column("level_-030_verdict_code") == Verdict.DO_NOT_USE)


def test_a_channel_has_its_own_errors() -> None:
    one = field_of(beam(), 0.02 * beam()[None], 0.04)
    assert one.errors is not None
    two = replace(
        one,
        pressure_pa=np.concatenate([one.pressure_pa, 3.0 * one.pressure_pa], axis=1),
        sound_power_w=np.full((2, 2), 1e-3),
        channel_names=("woofer", "tweeter"),
        errors=replace(
            one.errors,
            pressure_pa=np.concatenate([one.errors.pressure_pa, 0.3 * one.errors.pressure_pa], axis=1),
            power=np.concatenate([one.errors.power, 0.1 * one.errors.power], axis=1),
            verdict=np.zeros((2, 2), dtype=np.int64),
        ),
    )
    for channel, relative in enumerate((0.02, 0.002)):
        cta = tabulate(two, TableSettings(), {}, channel)[0]
        np.testing.assert_allclose(band(cta, "on_axis_db"), level_reach(relative), rtol=0, atol=CLOSE_DB)


def test_columns_alone_where_there_are_no_errors() -> None:
    far_field = replace(field_of(beam(), np.zeros((1, 72))), errors=None)
    on_axis = with_bands(far_field, lambda one: {"level_db": level_db(np.abs(one.pressure_pa[:, 0, 17]))}, 0)
    assert list(on_axis) == ["level_db"]
    np.testing.assert_allclose(on_axis["level_db"], 2 * [amplitude_db(1.0 / REFERENCE_PRESSURE_PA)], rtol=1e-12)


def test_a_cell_is_as_good_as_its_band_is_narrow() -> None:
    """Two standard uncertainties lower a level by 1 and by 3 dB at these shares of it."""
    limits = [(1.0 - 10.0 ** (-reach_db / 20.0)) / COVERAGE_FACTOR for reach_db in (1.0, 3.0)]
    for share, expected in (
        (0.99 * limits[0], Verdict.GOOD),
        (1.01 * limits[0], Verdict.CAUTION),
        (0.99 * limits[1], Verdict.CAUTION),
        (1.01 * limits[1], Verdict.DO_NOT_USE),
    ):
        table = tables_of(field_of(beam(), share * beam()[None]))["horizontal"]
        assert np.all(table.column("level_+030_verdict_code") == expected)


def test_no_cell_is_better_than_its_frequency() -> None:
    far_field = field_of(beam(), 0.001 * beam()[None])
    assert far_field.errors is not None
    doubtful = replace(far_field.errors, verdict=np.array([[Verdict.CAUTION], [Verdict.DO_NOT_USE]]))
    table = tables_of(replace(far_field, errors=doubtful))["cta2034a"]
    np.testing.assert_array_equal(table.column("sound_power_verdict_code"), [Verdict.CAUTION, Verdict.DO_NOT_USE])
