"""Coverage angles against closed forms: first-order patterns, the piston in a wall, and beams that lean to one side.

Printed angles: first-order patterns A + (1 - A) cos and D = 2 J1(x)/x, worked from their closed forms; -6 dB is
10^(-6/20), where 2 J1(x)/x has x = 2.2117850.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.interpolate import lagrange
from scipy.optimize import brentq
from scipy.special import j1

from fieldproc.conventions import REFERENCE_PRESSURE_PA, Floats, fine_polar_directions, polar_directions
from fieldproc.records import FarField, Table
from fieldproc.settings import TableSettings
from fieldproc.tables import tabulate
from fieldproc.tables.coverage import Circle, circle_of, coverage_deg

DROP = 10**-0.6
COLUMNS = (
    "horizontal_coverage_left_deg",
    "horizontal_coverage_right_deg",
    "vertical_coverage_up_deg",
    "vertical_coverage_down_deg",
)
# A: full angle at -6 dB
FIRST_ORDER = {0.7: 263.014, 0.5: 179.728, (np.sqrt(3) - 1) / 2: 155.380, 0.25: 140.865, 0.0: 119.843}
# ka: full angle at -6 dB
PISTON = {2.5: 124.433, 3: 94.997, 4: 67.139, 5: 52.509, 8: 32.100, 10: 25.557, 20: 12.699}
# half a unit of the last digit printed, and what the method may err by
PRINTED_DEG = 6e-4

Pattern = Callable[[Floats], Floats]


def circle(pattern: Pattern, step_deg: int) -> Circle:
    return Circle(step_deg, pattern(np.radians(np.arange(0, 360, step_deg)))[None] ** 2)


def first_order(constant: float) -> Pattern:
    return lambda angle: constant + (1 - constant) * np.cos(angle)


def piston(ka: float) -> Pattern:
    """The pattern in front of the wall, and its mirror image behind: what the waves of the field in front are."""

    def pattern(angle: Floats) -> Floats:
        x = ka * np.abs(np.sin(angle))
        return np.where(x < 1e-9, 1.0, 2 * j1(x) / np.where(x < 1e-9, 1.0, x))

    return pattern


def full_deg(of: Circle) -> float:
    left, right = coverage_deg(of)
    return float(left[0] + right[0])


@pytest.mark.parametrize("constant", FIRST_ORDER)
def test_first_order_patterns(constant: float) -> None:
    exact = 2 * np.degrees(np.arccos((10**-0.3 - constant) / (1 - constant)))
    assert exact == pytest.approx(FIRST_ORDER[constant], abs=5e-4)
    for step_deg in (1, 2, 5, 10):
        # as the module says
        assert full_deg(circle(first_order(constant), step_deg)) == pytest.approx(exact, abs=1e-5)


@pytest.mark.parametrize("ka", PISTON)
def test_a_piston_in_a_wall(ka: float) -> None:
    assert full_deg(circle(piston(ka), 1)) == pytest.approx(PISTON[ka], abs=PRINTED_DEG)
    # as the module says of coarser steps
    for step_deg, steps, error_deg in ((5, 5, 0.02), (10, 5, 0.05), (10, 2.5, 1.0)):
        if PISTON[ka] >= steps * step_deg:
            assert full_deg(circle(piston(ka), step_deg)) == pytest.approx(PISTON[ka], abs=error_deg)


def test_what_lies_behind_a_baffle_has_no_say() -> None:
    def shaded(angle: Floats) -> Floats:
        return np.where(np.cos(angle) < -1e-9, 0.0, piston(4)(angle))

    assert full_deg(circle(shaded, 1)) == full_deg(circle(piston(4), 1))


@pytest.mark.parametrize("pattern", [np.ones_like, piston(2.0)], ids=["monopole", "broad piston"])
def test_not_reached_is_nan(pattern: Pattern) -> None:
    # 2 J1(2) / 2 is 4.8 dB down
    assert all(np.isnan(side[0]) for side in coverage_deg(circle(pattern, 1)))


def test_each_side_is_for_itself_and_the_first_crossing_counts() -> None:
    level = np.zeros(36)
    # left: 12 dB down at 40, loud again beyond. Right: -6 dB exactly at 60.
    level[4], level[-6] = -12.0, -6.0
    left, right = coverage_deg(Circle(10, 10 ** (level[None] / 10)))
    assert 30.0 < left[0] < 40.0
    # halvings of a step of 10 degrees
    assert right[0] == pytest.approx(60.0, abs=1e-9)


def test_where_data_lack() -> None:
    power = np.tile(circle(first_order(0.25), 10).power, (3, 1))
    exact = np.degrees(np.arccos((10**-0.3 - 0.25) / 0.75))
    # between 70 and 80: beyond the crossing a nan leaves the two directions around it, before it, all is open
    power[1, 10] = power[2, 3] = np.nan
    left, right = coverage_deg(Circle(10, power))
    np.testing.assert_allclose(right, exact, rtol=0, atol=1e-5)
    assert left[0] == pytest.approx(exact, abs=1e-5)
    share = (power[0, 7] / power[0, 0] - DROP) / ((power[0, 7] - power[0, 8]) / power[0, 0])
    assert left[1] == pytest.approx(70.0 + 10.0 * share, abs=1e-9)
    assert np.isnan(left[2])


def test_against_polynomials_worked_one_by_one() -> None:
    rng = np.random.default_rng(3)
    rows = np.stack([circle(first_order(constant), 5).power[0] for constant in (0.1, 0.3, 0.5)])
    rows = rows * (1 + 0.02 * rng.normal(size=rows.shape))
    left, _ = coverage_deg(Circle(5, rows))
    for row, found in zip(rows / rows[:, :1], left, strict=True):
        outer = int(np.argmax(row <= DROP))
        at = np.arange(outer - 4, outer + 4)
        # about the middle, where a polynomial in powers keeps its digits
        polynomial = lagrange(at - outer, row[at])
        crossing = outer + brentq(lambda x, p=polynomial: p(x) - DROP, -1.0, 0.0, xtol=1e-13)
        assert found == pytest.approx(5 * crossing, abs=1e-8)


def far_field_of(pressure: Callable[[Floats], Floats], directions: Floats) -> FarField:
    return FarField(
        frequency_hz=np.array([1000.0]),
        directions=directions,
        pressure_pa=REFERENCE_PRESSURE_PA * pressure(directions)[None, None].astype(np.complex128),
        sound_power_w=np.full((1, 1), np.nan),
        distance_m=np.inf,
        channel_names=("full range",),
    )


def leaning(directions: Floats) -> Floats:
    """A hypercardioid that looks 20 degrees to the left, and one plane on, 10 degrees down."""
    towards = np.array([1.0, np.tan(np.radians(20)), -np.tan(np.radians(10))])
    return np.asarray(0.25 + 0.75 * directions @ (towards / np.linalg.norm(towards)))


def directivity(coarse: FarField, circles: FarField | None) -> Table:
    return {table.name: table for table in tabulate(coarse, TableSettings(), {}, circles=circles)}["directivity"]


@pytest.mark.parametrize("fine", [True, False])
def test_sides_by_name(fine: bool) -> None:
    coarse = far_field_of(leaning, polar_directions())
    table = directivity(coarse, far_field_of(leaning, fine_polar_directions()) if fine else None)
    size = np.linalg.norm([1.0, np.tan(np.radians(20)), np.tan(np.radians(10))])
    on_axis = 0.25 + 0.75 / size
    expected = {}
    for names, lean_deg in ((COLUMNS[:2], 20.0), (COLUMNS[2:], -10.0)):
        # in a plane: 0.25 + B cos(angle - lean), B = 0.75 / (size cos lean)
        away = np.degrees(np.arccos((10**-0.3 * on_axis - 0.25) / (0.75 / size) * np.cos(np.radians(lean_deg))))
        expected |= dict(zip(names, (away + lean_deg, away - lean_deg), strict=True))
    # 1e-5 degrees at any step, as above
    assert {name: table.column(name)[0] for name in COLUMNS} == pytest.approx(expected, abs=1e-5)
    for plane, pair in (("horizontal", COLUMNS[:2]), ("vertical", COLUMNS[2:])):
        assert table.column(f"{plane}_coverage_deg")[0] == sum(table.column(name)[0] for name in pair)
        assert table.facts[f"{plane}_coverage_step_deg"] == (1 if fine else 10)


def test_the_finest_step_held_throughout() -> None:
    directions = fine_polar_directions()
    whole = far_field_of(leaning, directions)
    assert circle_of(whole, 0, "horizontal").step_deg == circle_of(whole, 0, "vertical").step_deg == 1
    # 3 degrees up is on no other grid of 1, 2, 5 and 10
    without = far_field_of(leaning, directions[np.abs(directions[:, 2] - np.sin(np.radians(3))) > 1e-9])
    assert circle_of(without, 0, "horizontal").step_deg == 1
    assert circle_of(without, 0, "vertical").step_deg == 2
    bare = far_field_of(leaning, polar_directions()[1:])
    assert circle_of(bare, 0, "horizontal").step_deg == 10
    assert np.flatnonzero(np.isnan(circle_of(bare, 0, "horizontal").power[0])).tolist() == [19]
