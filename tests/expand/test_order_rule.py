"""The order rule against truncation numbers worked independently, and against its own budget."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldproc.expand.order import (
    COARSEST_DB,
    NEAREST_SHARE,
    Reach,
    automatic_orders,
    degree_priors,
    far_field_truncation,
    monopole_truncation,
    order_at,
    truncation_db,
    unknown_count,
)

# Energy left beyond degree N, 1 - sum (2n+1) j_n^2(kr), worked in double precision from the closed form:
# kr, N = ceil(kr), its residual in dB, the first N at -40 dB and at -80 dB.
RESIDUAL_ENERGY = [
    (1, 1, -17.03, 3, 5),
    (2, 2, -15.58, 4, 7),
    (5, 5, -14.52, 8, 11),
    (10, 10, -14.17, 14, 18),
    (20, 20, -14.10, 25, 30),
    (50, 50, -14.35, 57, 63),
    (100, 100, -14.73, 108, 117),
]
# A monopole at distance d seen on a sphere of radius r, kd and r/d: first N at -40 and -60 dB mean-square error.
NEAR_FIELD = {
    1: {1.2: (17, 28), 1.5: (8, 13), 2.0: (5, 8), 4.0: (3, 4)},
    5: {1.2: (18, 29), 1.5: (10, 14), 2.0: (9, 11), 4.0: (8, 10)},
    10: {1.2: (20, 30), 1.5: (15, 18), 2.0: (14, 16), 4.0: (14, 16)},
    20: {1.2: (28, 36), 1.5: (25, 28), 2.0: (25, 28), 4.0: (25, 28)},
}
REACH = Reach(source_radius_m=0.15, inner_radius_m=0.3, outer_radius_m=0.4, room_distance_m=0.9)
WAVENUMBER = np.geomspace(0.4, 180.0, 40)


def first_below(error: np.ndarray, limit_db: float) -> int:
    return int(np.argmax(error <= 10 ** (limit_db / 20)))


@pytest.mark.parametrize(("kr", "degree", "residual_db", "at_40", "at_80"), RESIDUAL_ENERGY)
def test_residual_energy(kr: float, degree: int, residual_db: float, at_40: int, at_80: int) -> None:
    error = far_field_truncation(np.array([kr]), 1.0)[0]
    # half of the last digit printed
    np.testing.assert_allclose(20 * np.log10(error[degree]), residual_db, rtol=0, atol=0.005)
    assert (first_below(error, -40.0), first_below(error, -80.0)) == (at_40, at_80)


@pytest.mark.parametrize("kd", NEAR_FIELD)
def test_near_field_needs_more(kd: float) -> None:
    for ratio, expected in NEAR_FIELD[kd].items():
        error = monopole_truncation(np.array([kd]), 1.0, ratio)[0]
        assert (first_below(error, -40.0), first_below(error, -60.0)) == expected


def test_orders_are_the_smallest_that_meet_the_target() -> None:
    plan = automatic_orders(WAVENUMBER, REACH, separate=True, budget=10**6, target_db=-60.0)
    near = monopole_truncation(WAVENUMBER, REACH.source_radius_m, REACH.inner_radius_m)
    far = far_field_truncation(WAVENUMBER, REACH.source_radius_m)
    room = monopole_truncation(WAVENUMBER, REACH.outer_radius_m, REACH.room_distance_m)
    for row in range(len(WAVENUMBER)):
        assert plan.outgoing[row] == max(first_below(near[row], -60.0), first_below(far[row], -60.0))
        assert plan.regular[row] == first_below(room[row], -60.0)
    assert plan.carried.all()
    assert (plan.truncation_db <= -60.0).all()


def test_a_scan_close_to_the_cabinet_follows_part_of_its_near_field() -> None:
    close = Reach(0.28, 0.3, 0.4, 0.9)
    plan = automatic_orders(np.array([2.0]), close, separate=False, budget=10**6, target_db=-60.0)
    near = monopole_truncation(np.array([2.0]), NEAREST_SHARE * 0.3, 0.3)[0]
    assert plan.outgoing[0] == first_below(near, -60.0)
    assert plan.regular.tolist() == [-1]


budgets = st.integers(1, 3000)
lengths = st.floats(0.02, 1.0)


@settings(max_examples=40)
@given(
    budget=budgets,
    separate=st.booleans(),
    target_db=st.floats(-120.0, -20.0),
    source_m=lengths,
    gaps=st.tuples(st.floats(1.05, 3.0), st.floats(1.0, 2.0), st.floats(1.05, 3.0)),
)
def test_budget_is_never_exceeded(
    budget: int, separate: bool, target_db: float, source_m: float, gaps: tuple[float, float, float]
) -> None:
    inner, outer, room = source_m * np.cumprod(gaps)
    wavenumber = np.array([0.4, 5.0, 60.0, 300.0])
    plan = automatic_orders(wavenumber, Reach(source_m, inner, outer, room), separate, budget, target_db)
    assert (unknown_count(plan.outgoing, plan.regular) <= budget).all()
    assert (plan.outgoing >= 0).all()
    # what is carried meets the coarsest target, with both sets where both are wanted
    assert (plan.truncation_db[plan.carried] <= COARSEST_DB).all()
    assert ((plan.regular >= 0) == (plan.carried & separate)).all()


def test_what_cannot_be_carried_is_said() -> None:
    plan = automatic_orders(WAVENUMBER, REACH, separate=True, budget=200, target_db=-60.0)
    # once the sets have outgrown the points they stay so
    first = int(np.argmin(plan.carried))
    assert 0 < first < len(WAVENUMBER)
    assert not plan.carried[first:].any()
    # a sixteenth of the budget: the largest order whose count fits 12
    assert plan.outgoing[first:].tolist() == [2] * (len(WAVENUMBER) - first)
    assert (plan.regular[first:] == -1).all()
    # just before, a coarser target than the one asked for
    assert -60.0 < plan.truncation_db[first - 1] <= COARSEST_DB


def test_truncation_of_given_orders_is_that_of_the_far_field() -> None:
    # kr = 5, N = 5 in the table above
    k = np.array([5.0 / 0.15])
    np.testing.assert_allclose(truncation_db(k, REACH, np.array([5])), [-14.52], rtol=0, atol=0.005)


def test_orders_from_a_number_or_a_table() -> None:
    frequency_hz = np.array([20.0, 99.0, 100.0, 150.0, 1000.0, 5000.0])
    assert order_at(4, frequency_hz).tolist() == [4] * 6
    # each order holds from its frequency on; the first also below
    assert order_at(((100.0, 2), (1000.0, 7)), frequency_hz).tolist() == [2, 2, 2, 2, 7, 7]


def test_prior_falls_as_one_over_degree_plus_one() -> None:
    third, half = 1 / 3, 1 / 2
    assert degree_priors((2, 1)).tolist() == [1.0, *[half] * 3, *[third] * 5, 1.0, *[half] * 3]
    assert degree_priors((1, -1)).tolist() == [1.0, *[half] * 3]
