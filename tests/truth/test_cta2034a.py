"""ANSI/CTA-2034-A against closed forms: sound power weights, and the curves of patterns with known answers.

Sources. Weights: the printed nine digits of Appendix C are quoted from memory; that the closed form for the
area between great circles gives all of them is the evidence. Curves: closed-form averages of the patterns,
worked in double precision outside this project, printed to five decimals. Coverage and directivity
index of first-order patterns: closed forms, which agree with handbook tables of microphone patterns.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace

import mpmath
import numpy as np
import pytest

from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    REFERENCE_PRESSURE_PA,
    directions_from_angles,
    horizontal_directions,
    vertical_directions,
)
from fieldproc.extrapolate import extrapolate
from fieldproc.records import Expansion, FarField, Quality, ReferenceAxis, Table
from fieldproc.settings import ExtrapolationSettings, TableSettings
from fieldproc.tables import tabulate
from fieldproc.tables.cta2034a import ALL_MEASUREMENTS, appendix_c_weight

DENSITY_KG_PER_M3, SOUND_SPEED_M_PER_S = 1.204, 343.2

# Half a unit of the fifth printed decimal, plus rounding of our own; the smallest non-zero value is 0.00727.
PRINTED_DB = 5.1e-6


@dataclass(frozen=True)
class Pattern:
    """Far-field pressure constant + gradient . direction, re 20 uPa; ``front_only``: silent behind x = 0."""

    constant: float
    gradient: tuple[float, float, float] = (0.0, 0.0, 0.0)
    front_only: bool = False

    def pressure_pa(self, directions: np.ndarray) -> np.ndarray:
        amplitude = self.constant + directions @ np.array(self.gradient)
        if self.front_only:
            # 90 degrees itself belongs to the front; cos 90 degrees is 6e-17 in double precision.
            amplitude = np.where(directions[:, 0] > -1e-12, amplitude, 0.0)
        return REFERENCE_PRESSURE_PA * amplitude.astype(complex)

    @property
    def mean_square_pa2(self) -> float:
        """Mean over the sphere: a^2 + |b|^2 / 3, and half of it for a constant heard in front only."""
        full = self.constant**2 + np.dot(self.gradient, self.gradient) / 3.0
        return float(REFERENCE_PRESSURE_PA**2 * full * (0.5 if self.front_only else 1.0))


PATTERNS = {
    "monopole": Pattern(1.0),
    "cardioid": Pattern(0.5, (0.5, 0.0, 0.0)),
    "dipole": Pattern(0.0, (1.0, 0.0, 0.0)),
    "tilted": Pattern(1.0, (0.0, 0.0, 0.5)),
    "step": Pattern(1.0, front_only=True),
}


def far_field_from_arrays(pattern: Pattern) -> FarField:
    """The pattern sampled in the directions of the two polars, with its closed-form sound power."""
    angles = np.array(POLAR_ANGLES_DEG, dtype=float)
    directions = np.concatenate([horizontal_directions(angles), vertical_directions(angles)])
    impedance = DENSITY_KG_PER_M3 * SOUND_SPEED_M_PER_S
    return FarField(
        frequency_hz=np.array([1000.0]),
        directions=directions,
        pressure_pa=pattern.pressure_pa(directions)[np.newaxis, np.newaxis, :],
        sound_power_w=np.array([[4.0 * np.pi * pattern.mean_square_pa2 / impedance]]),
        distance_m=np.inf,
        channel_names=("full range",),
        air_density_kg_per_m3=DENSITY_KG_PER_M3,
        sound_speed_m_per_s=SOUND_SPEED_M_PER_S,
    )


def far_field_from_coefficients(pattern: Pattern) -> FarField:
    """The pattern as outgoing waves of degree 0 and 1, by hand, through ``extrapolate``.

    P(s) = (1/k) sum i^(n+1) c_nm Y_nm with Y_00 = (4 pi)^(-1/2), x = a (Y_1-1 - Y_11), y = i a (Y_1-1 + Y_11),
    z = sqrt(2) a Y_10, a = sqrt(2 pi / 3).
    """
    frequency_hz = 1000.0
    k = 2 * np.pi * frequency_hz / SOUND_SPEED_M_PER_S
    x, y, z = np.array(pattern.gradient) * np.sqrt(2 * np.pi / 3)
    first_degree = -k * np.array([x + 1j * y, np.sqrt(2) * z, -x + 1j * y])
    coefficients = np.concatenate([[-1j * k * np.sqrt(4 * np.pi) * pattern.constant], first_degree])
    per_channel, per_frequency = np.zeros((1, 1)), np.zeros(1)
    expansion = Expansion(
        frequency_hz=np.array([frequency_hz]),
        outgoing=REFERENCE_PRESSURE_PA * coefficients[np.newaxis, np.newaxis, :],
        regular=np.zeros((1, 1, 0), dtype=complex),
        outgoing_order=np.array([1]),
        regular_order=np.array([-1]),
        origin_m=np.zeros((1, 3)),
        acoustic_center_m=np.zeros((1, 3)),
        sound_speed_m_per_s=SOUND_SPEED_M_PER_S,
        air_density_kg_per_m3=DENSITY_KG_PER_M3,
        source_radius_m=0.1,
        channel_names=("full range",),
        quality=Quality(
            residual_db=per_channel,
            leave_one_out_db=per_channel,
            room_to_direct_db=per_channel,
            random_error_db=per_channel,
            level_uncertainty_db=per_channel,
            verdict=np.zeros((1, 1), dtype=int),
            condition=per_frequency + 1.0,
            noise_gain_db=per_frequency,
            truncation_db=per_frequency,
            regularisation=per_channel,
            scattering_db=per_channel,
            overlap_difference_db=per_channel,
            gated_share=per_frequency,
            point_residual_db=np.zeros((1, 4)),
        ),
    )
    angles = np.array(POLAR_ANGLES_DEG, dtype=float)
    directions = np.concatenate([horizontal_directions(angles), vertical_directions(angles)])
    return extrapolate(expansion, ReferenceAxis(), directions, ExtrapolationSettings())


# Ways to make a far field of a pattern, each with the patterns it can make.
PROVIDERS: dict[str, tuple[Callable[[Pattern], FarField], tuple[str, ...]]] = {
    "arrays": (far_field_from_arrays, tuple(PATTERNS)),
    # a half-space step has no finite expansion, so it tests the averaging alone
    "coefficients": (far_field_from_coefficients, tuple(name for name in PATTERNS if name != "step")),
}
CASES = [(provider, pattern) for provider, (_, patterns) in PROVIDERS.items() for pattern in patterns]


def tables_of(far_field: FarField, rear_wall: str = "three", early: str = "groups") -> dict[str, Table]:
    settings = TableSettings.model_validate({"rear_wall": rear_wall, "early_reflections": early})
    return {table.name: table for table in tabulate(far_field, settings, {})}


def levels_of(provider: str, pattern: str, rear_wall: str = "three", early: str = "groups") -> dict[str, float]:
    """Columns of the curves and the index at the one frequency; polar levels are ``horizontal +030``."""
    far_field_of, _ = PROVIDERS[provider]
    tables = tables_of(far_field_of(PATTERNS[pattern]), rear_wall, early)
    levels = dict(zip(tables["cta2034a"].header, tables["cta2034a"].values[0].tolist(), strict=True))
    # ``sound_power_db`` of this table is in dB re 1 pW and not the standard's curve.
    levels["directivity_index_db"] = float(tables["directivity"].column("directivity_index_db")[0])
    for plane in ("horizontal", "vertical"):
        for angle in POLAR_ANGLES_DEG:
            column = tables[plane].column(f"level_{angle:+04d}_db")
            levels[f"{plane} {angle:+04d}"] = float(column[0])
    return levels


# --- Appendix C --------------------------------------------------------------------------------------

# Angle from the axis: closed form to 12 decimals, printed table to 9.
WEIGHTS = {
    0: (0.000604486115, 0.000604486),
    10: (0.004730188491, 0.004730189),
    20: (0.008955026973, 0.008955027),
    30: (0.012387353595, 0.012387354),
    40: (0.014989611493, 0.014989611),
    50: (0.016868153553, 0.016868154),
    60: (0.018165962183, 0.018165962),
    70: (0.019006743737, 0.019006744),
    80: (0.019477787208, 0.019477787),
    90: (0.019629373304, 0.019629373),
}


def square_solid_angle(half_angle_deg: float) -> mpmath.mpf:
    """Solid angle of the spherical square, as two triangles by Van Oosterom and Strackee (IEEE Trans. Biomed.
    Eng. 30, 1983), in 30 digits: not the formula that the package uses."""
    tangent = mpmath.tan(mpmath.radians(half_angle_deg))
    corners = [mpmath.matrix([1, y * tangent, z * tangent]) for y, z in ((1, 1), (-1, 1), (-1, -1), (1, -1))]
    corners = [corner / mpmath.norm(corner) for corner in corners]

    def dot(a: mpmath.matrix, b: mpmath.matrix) -> mpmath.mpf:
        return (a.T * b)[0]

    def triangle(a: mpmath.matrix, b: mpmath.matrix, c: mpmath.matrix) -> mpmath.mpf:
        triple = mpmath.det(mpmath.matrix([list(a), list(b), list(c)]))
        return 2 * mpmath.atan2(abs(triple), 1 + dot(a, b) + dot(b, c) + dot(c, a))

    a, b, c, d = corners
    return triangle(a, b, c) + triangle(a, c, d)


@pytest.mark.parametrize("angle", WEIGHTS)
def test_weight_against_closed_form_and_printed_digits(angle: int) -> None:
    closed_form, printed = WEIGHTS[angle]
    for same in {angle, -angle, 180 - angle, angle - 180}:
        weight = appendix_c_weight(same)
        # Half a unit of the last digit given; the smallest weight is 6e-4.
        assert weight == pytest.approx(closed_form, abs=0.51e-12, rel=0)
        assert weight == pytest.approx(printed, abs=0.52e-9, rel=0)


def test_weights_are_the_areas_between_spherical_squares() -> None:
    with mpmath.workdps(30):
        edges = [square_solid_angle(edge) if edge else mpmath.mpf(0) for edge in (0, *range(5, 86, 10))]
        rings = [outer - inner for inner, outer in itertools.pairwise(edges)]
        rings.append(2 * (2 * mpmath.pi - edges[-1]))
        expected = [float(ring / (16 * mpmath.pi)) for ring in rings]
    weights = [appendix_c_weight(angle) for angle in range(0, 91, 10)]
    # Double precision, with differences of areas up to 6 sr against rings of 0.03 sr.
    np.testing.assert_allclose(weights, expected, rtol=1e-12, atol=0)


def test_seventy_weights_and_their_sums() -> None:
    angles = ALL_MEASUREMENTS.horizontal + ALL_MEASUREMENTS.vertical
    weights = np.array([appendix_c_weight(angle) for angle in angles])
    assert weights.size == 70
    # Ten printed decimals.
    assert weights.sum() == pytest.approx(0.9963730833, abs=0.6e-10, rel=0)
    # Counted in all four planes of the closed form, 0 and 180 degrees complete the sphere exactly.
    assert weights.sum() + 6 * appendix_c_weight(0) == pytest.approx(1.0, rel=1e-13)
    # What a monopole would lose without the division by the sum.
    assert 10 * np.log10(weights.sum()) == pytest.approx(-0.01578, abs=PRINTED_DB)


# --- curves ------------------------------------------------------------------------------------------

NAMES = tuple(PATTERNS)
# Values in the order of PATTERNS.
EITHER_READING = {
    "on_axis_db": (0, 0, 0, 0, 0),
    "listening_window_db": (0, -0.21683, -0.43329, 0.00727, 0),
    "floor_bounce_db": (0, -0.63680, -1.30798, -2.44067, 0),
    "ceiling_bounce_db": (0, -1.72433, -3.80211, 2.79694, 0),
    "front_wall_bounce_db": (0, -0.26083, -0.52305, 0, 0),
    "side_wall_bounce_db": (0, -2.50027, -5.53733, 0, 0),
    "vertical_reflections_db": (0, -1.14662, -2.37841, 0.92404, 0),
    "horizontal_reflections_db": (0, -2.80767, -2.62372, 0, -1.53815),
    "sound_power_db": (0, -4.67963, -4.41592, 0.33336, -2.68088),
    "sound_power_di_db": (0, 4.46280, 3.98264, -0.32609, 2.68088),
    # The true power re on axis is printed; the index is its negative.
    "directivity_index_db": (0, 4.77121, 4.77121, -0.34762, 3.01030),
}
BY_READING = {
    "three": {
        "rear_wall_bounce_db": (0, -7.78151, -4.77121, 0, -1.76091),
        "early_reflections_db": (0, -1.92925, -2.74757, 0.39350, -0.29963),
        "early_reflections_di_db": (0, 1.71242, 2.31428, -0.38623, 0.29963),
        "in_room_estimate_db": (0, -2.62705, -2.99733, 0.32229, -1.14637),
    },
    "all": {
        "rear_wall_bounce_db": (0, -11.69859, -3.24511, 0, -9.77724),
        "early_reflections_db": (0, -2.06550, -2.52392, 0.39350, -0.85629),
        "early_reflections_di_db": (0, 1.84867, 2.09064, -0.38623, 0.85629),
        "in_room_estimate_db": (0, -2.69691, -2.89167, 0.32229, -1.43513),
    },
}
# The other reading of the early reflections: the mean of 26 or 42 curves, by the reading of the rear wall.
POOLED = {
    "three": (0, -1.76356, -2.85611, 0.23135, -0.17033),
    "all": (0, -3.65385, -2.91420, 0.14466, -2.25309),
}
# Readings of the standard that are not to be had; they pin what they are worked from.
NOT_TAKEN = {
    "in room in dB": (0, -2.93393, -3.20393, 0.32069, -1.31142),
    "sound power not divided": (-0.01578, -4.69541, -4.43170, 0.31758, -2.69666),
}


@pytest.mark.parametrize(("provider", "pattern"), CASES)
@pytest.mark.parametrize("rear_wall", ["three", "all"])
def test_curves_of_known_patterns(provider: str, pattern: str, rear_wall: str) -> None:
    levels = levels_of(provider, pattern, rear_wall)
    expected = {
        name: values[NAMES.index(pattern)] for name, values in (EITHER_READING | BY_READING[rear_wall]).items()
    }
    found = {name: levels[name] for name in expected}
    assert found == pytest.approx(expected, abs=PRINTED_DB)


@pytest.mark.parametrize(("provider", "pattern"), CASES)
@pytest.mark.parametrize("rear_wall", ["three", "all"])
def test_pooled_early_reflections(provider: str, pattern: str, rear_wall: str) -> None:
    levels = levels_of(provider, pattern, rear_wall, early="pooled")
    column = NAMES.index(pattern)
    expected = {name: values[column] for name, values in EITHER_READING.items()}
    rear = BY_READING[rear_wall]["rear_wall_bounce_db"][column]
    pooled = POOLED[rear_wall][column]
    found = {name: levels[name] for name in (*expected, "rear_wall_bounce_db", "early_reflections_db")}
    assert found == pytest.approx(
        expected | {"rear_wall_bounce_db": rear, "early_reflections_db": pooled}, abs=PRINTED_DB
    )
    # what rests on them, worked from printed values: two roundings
    window, power = expected["listening_window_db"], expected["sound_power_db"]
    assert levels["early_reflections_di_db"] == pytest.approx(window - pooled, abs=2 * PRINTED_DB)
    in_room = 0.12 * 10 ** (window / 10) + 0.44 * 10 ** (pooled / 10) + 0.44 * 10 ** (power / 10)
    assert levels["in_room_estimate_db"] == pytest.approx(10 * np.log10(in_room), abs=2 * PRINTED_DB)


@pytest.mark.parametrize(("rear_wall", "curves"), [("three", 26), ("all", 42)])
def test_the_table_says_how_early_reflections_were_read(rear_wall: str, curves: int) -> None:
    far_field = far_field_from_arrays(PATTERNS["monopole"])
    pooled = tables_of(far_field, rear_wall, "pooled")["cta2034a"].facts
    assert pooled["early_reflections"] == f"all {curves} curves of the five groups with equal weight"
    groups = tables_of(far_field, rear_wall)["cta2034a"].facts
    assert groups["early_reflections"] == "five group averages with equal weight"


@pytest.mark.parametrize(("provider", "pattern"), CASES)
def test_readings_not_taken_follow_from_the_same_curves(provider: str, pattern: str) -> None:
    levels = levels_of(provider, pattern)
    in_room = (
        0.12 * levels["listening_window_db"] + 0.44 * levels["early_reflections_db"] + 0.44 * levels["sound_power_db"]
    )
    found = {
        "in room in dB": in_room,
        "sound power not divided": levels["sound_power_db"] + 10 * np.log10(0.9963730833),
    }
    expected = {name: values[NAMES.index(pattern)] for name, values in NOT_TAKEN.items()}
    assert found == pytest.approx(expected, abs=PRINTED_DB)


@pytest.mark.parametrize("provider", PROVIDERS)
def test_up_is_positive_and_the_ceiling_is_above(provider: str) -> None:
    levels = levels_of(provider, "tilted")
    assert levels["vertical +090"] == pytest.approx(20 * np.log10(1.5), rel=1e-9)
    assert levels["vertical -090"] == pytest.approx(20 * np.log10(0.5), rel=1e-9)
    assert levels["ceiling_bounce_db"] > 2.7
    assert levels["floor_bounce_db"] < -2.4


@pytest.mark.parametrize("provider", PROVIDERS)
def test_left_is_positive(provider: str) -> None:
    far_field_of, _ = PROVIDERS[provider]
    table = tables_of(far_field_of(Pattern(1.0, (0.0, 0.5, 0.0))))["horizontal"]
    # 1 + 0.5 sin a: louder to the left, where angles are positive.
    for angle in (-90, -30, 30, 90):
        expected = 20 * np.log10(1 + 0.5 * np.sin(np.radians(angle)))
        assert table.column(f"level_{angle:+04d}_db")[0] == pytest.approx(expected, rel=1e-9)


# --- first-order patterns A + (1 - A) cos --------------------------------------------------------------

# A: directivity index in dB, full angle at -6 dB in degrees.
FIRST_ORDER = {
    0.7: (2.83997, 263.014),
    0.5: (4.77121, 179.728),
    (np.sqrt(3) - 1) / 2: (5.71948, 155.380),
    0.25: (6.02060, 140.865),
    0.0: (4.77121, 119.843),
}


@pytest.mark.parametrize("provider", PROVIDERS)
@pytest.mark.parametrize("constant", FIRST_ORDER)
def test_index_and_coverage_of_first_order_patterns(provider: str, constant: float) -> None:
    far_field_of, _ = PROVIDERS[provider]
    table = tables_of(far_field_of(Pattern(constant, (1 - constant, 0.0, 0.0))))["directivity"]
    index_db, coverage_deg = FIRST_ORDER[constant]
    assert table.column("directivity_index_db")[0] == pytest.approx(index_db, abs=PRINTED_DB)
    for plane in ("horizontal", "vertical"):
        # printed to three decimals; polynomials between 10-degree steps are within 1e-5 degrees
        assert table.column(f"{plane}_coverage_deg")[0] == pytest.approx(coverage_deg, abs=6e-4)


@pytest.mark.parametrize("provider", PROVIDERS)
def test_coverage_that_is_not_reached_is_nan(provider: str) -> None:
    far_field_of, _ = PROVIDERS[provider]
    # 1 + 0.2 cos: 3.5 dB down at the rear.
    table = tables_of(far_field_of(Pattern(1.0, (0.2, 0.0, 0.0))))["directivity"]
    assert np.isnan(table.column("horizontal_coverage_deg")[0])
    assert np.isnan(table.column("vertical_coverage_deg")[0])


def test_sound_power_level_of_a_monopole() -> None:
    # L_W = L_p(1 m) + 10.8511 dB at rho c = 413.2 Pa s/m (here 413.2128), free-field relation.
    table = tables_of(far_field_from_arrays(PATTERNS["monopole"]))["directivity"]
    assert table.column("sound_power_db")[0] == pytest.approx(10.8511, abs=2e-4)


@pytest.mark.parametrize("name", ["monopole", "cardioid", "dipole", "tilted"])
def test_directivity_index_from_directions_alone(name: str) -> None:
    """A full sphere of imported directions, no sound power: 5-degree grid, poles at z."""
    azimuth, elevation = np.meshgrid(np.arange(0.0, 360.0, 5.0), np.arange(-90.0, 91.0, 5.0))
    directions = directions_from_angles(azimuth.ravel(), elevation.ravel())
    far_field = replace(
        far_field_from_arrays(PATTERNS[name]),
        directions=directions,
        pressure_pa=PATTERNS[name].pressure_pa(directions)[np.newaxis, np.newaxis, :],
        sound_power_w=np.array([[np.nan]]),
    )
    tables = tables_of(far_field)
    expected = EITHER_READING["directivity_index_db"][NAMES.index(name)]
    assert tables["directivity"].column("directivity_index_db")[0] == pytest.approx(expected, abs=PRINTED_DB)
    # the air is stated: on axis less the index, and 10.8511 dB for rho c as above
    expected_power = tables["cta2034a"].column("on_axis_db")[0] - expected + 10.8511
    assert tables["directivity"].column("sound_power_db")[0] == pytest.approx(expected_power, abs=2e-4)
    power = EITHER_READING["sound_power_db"][NAMES.index(name)]
    assert tables["cta2034a"].column("sound_power_db")[0] == pytest.approx(power, abs=PRINTED_DB)
