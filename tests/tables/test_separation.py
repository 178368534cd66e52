"""Before and after the separation: waves of degree 0 by their closed forms, and what is not told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.crafted import make_expansion
from scanned import AIR

from fieldproc.records import Expansion, ReferenceAxis
from fieldproc.tables.separation import SIDES, nearest_inside, separation_table

FREQUENCY_HZ = np.array([100.0, 1000.0, 8000.0])
# Two surfaces; off the axes by so little that the inner ones are about as near to them.
POINTS_M = np.array(
    [
        *([0.4, 0, 0], [0.3, 0.01, 0], [0, 0.4, 0], [0, 0.3, 0.01], [-0.4, 0, 0], [-0.3, 0, 0.01]),
        *([0, -0.4, 0], [0, -0.3, 0], [0, 0, 0.4], [0, 0, -0.4]),
    ]
)
INNER = {"front": 1, "left": 3, "behind": 5}
OUTGOING_PA, REGULAR_PA = 0.2 + 0.1j, 0.3 - 0.2j


def degree_zero(**stated: object) -> Expansion:
    shape = (len(FREQUENCY_HZ), 1, 1)
    made = make_expansion(
        FREQUENCY_HZ,
        np.full(shape, OUTGOING_PA),
        np.full(shape, REGULAR_PA),
        points_m=POINTS_M,
        source_radius_m=0.1,
    )
    return replace(made, **stated)  # type: ignore[arg-type]


def closed_form_pa(way_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Own and whole sound: h_0^(2)(x) = i exp(-ix)/x and j_0(x) = sin(x)/x [DLMF 10.49], Y_00 = 1/sqrt(4 pi)."""
    x = 2.0 * np.pi * FREQUENCY_HZ / AIR.sound_speed_m_per_s * way_m
    own = OUTGOING_PA * 1j * np.exp(-1j * x) / x / np.sqrt(4.0 * np.pi)
    return own, own + REGULAR_PA * np.sin(x) / x / np.sqrt(4.0 * np.pi)


def level_db(pressure_pa: np.ndarray) -> np.ndarray:
    return np.asarray(20.0 * np.log10(np.abs(pressure_pa) / 20e-6))


@pytest.mark.parametrize("origin_m", [(0.0, 0.0, 0.0), (0.02, -0.03, 0.01)], ids=["centred", "recentred"])
def test_levels_at_the_innermost_points(origin_m: tuple[float, float, float]) -> None:
    expansion = degree_zero(origin_m=np.tile(origin_m, (3, 1)))
    table = separation_table(expansion, ReferenceAxis(), 0, facts={"calibrated": 1})
    assert table is not None
    assert table.header == ("frequency_hz", *(f"{side}_{what}_db" for side in SIDES for what in ("whole", "own")))
    for side, point in INNER.items():
        own, whole = closed_form_pa(float(np.linalg.norm(POINTS_M[point] - origin_m)))
        # a handful of operations in double precision
        np.testing.assert_allclose(table.column(f"{side}_own_db"), level_db(own), rtol=1e-12)
        np.testing.assert_allclose(table.column(f"{side}_whole_db"), level_db(whole), rtol=1e-12)
        stated = [float(x) for x in str(table.facts[f"{side}_position_m"]).split()]
        np.testing.assert_allclose(stated, POINTS_M[point], rtol=1e-6)


def test_sides_go_by_the_output_axes_seen_from_the_middle_of_the_scan() -> None:
    # facing +y, its left is -x; an axis origin at the front must not matter
    axis = ReferenceAxis(origin_m=np.array([0.0, 0.35, 0.0]), direction=np.array([0.0, 1.0, 0.0]))
    table = separation_table(degree_zero(), axis, 0, facts={})
    assert table is not None
    places = {side: table.facts[f"{side}_position_m"] for side in ("front", "left")}
    assert places == {"front": "0 0.3 0.01", "left": "-0.3 0 0.01"}


def test_nothing_is_told_where_nothing_was_separated() -> None:
    table = separation_table(degree_zero(regular_order=np.array([0, -1, 0])), ReferenceAxis(), 0, facts={})
    assert table is not None
    np.testing.assert_array_equal(np.isnan(table.values[:, 1:]).all(axis=1), [False, True, False])
    # no fit at all leaves zeros
    silent = separation_table(degree_zero(outgoing=np.zeros((3, 1, 1), dtype=complex)), ReferenceAxis(), 0, facts={})
    assert silent is not None
    assert np.isnan(silent.values[:, 1:]).all()


def test_a_side_without_points_stays_empty() -> None:
    table = separation_table(degree_zero(points_m=POINTS_M[[0, 1, 4, 5, 8, 9]]), ReferenceAxis(), 0, facts={})
    assert table is not None
    assert np.isnan(table.column("left_own_db")).all()
    assert "left_position_m" not in table.facts
    assert np.isfinite(table.column("front_own_db")).all()
    assert separation_table(degree_zero(points_m=None), ReferenceAxis(), 0, facts={}) is None


@pytest.mark.parametrize(("radius_m", "told"), [(0.2, True), (0.35, False)], ids=["outside", "inside"])
def test_a_series_that_has_not_converged_near_the_source_is_not_told(radius_m: float, told: bool) -> None:
    """Degree 3 louder than all others, degree 4 silent: no trouble but within the source's sphere."""
    outgoing = np.zeros((3, 1, 25), dtype=np.complex128)
    outgoing[:, :, [0, 15]] = 1e-3, 1.0
    made = make_expansion(
        FREQUENCY_HZ, outgoing, np.ones((3, 1, 1), dtype=complex), points_m=POINTS_M, source_radius_m=radius_m
    )
    table = separation_table(made, ReferenceAxis(), 0, facts={})
    assert table is not None
    assert np.isfinite(table.column("front_own_db")).all() == told


def test_of_points_about_equally_near_the_innermost_counts() -> None:
    front = np.array([1.0, 0.0, 0.0])
    # 0, 3 and 7 degrees off the axis: the last is too far beside the first
    angle = np.radians([0.0, 3.0, 7.0])
    radius = np.array([0.5, 0.4, 0.3])
    points_m = radius[:, None] * np.stack([np.cos(angle), np.sin(angle), np.zeros(3)], axis=1)
    assert nearest_inside(points_m, front) == 1
    assert nearest_inside(points_m[[2]], front) == 0
    assert nearest_inside(points_m, -front) is None
