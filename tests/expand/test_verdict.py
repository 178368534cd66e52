"""The verdict is the worst that any measure comes to."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.expand.quality import LIMITS, close_gaps, judge
from fieldproc.records import Verdict

GOOD, CAUTION, STOP = Verdict.GOOD, Verdict.CAUTION, Verdict.DO_NOT_USE
FINE = {
    "leave_one_out_db": -50.0,
    "random_error_db": -50.0,
    "truncation_db": -60.0,
    "late_db": -50.0,
    "condition": 10.0,
    "separation_condition": 10.0,
}


def verdict_of(*, carried: bool = True, separated: bool = True, **changes: float) -> int:
    """Of one frequency and channel."""
    measures = {name: np.array([[value]]) for name, value in {**FINE, **changes}.items()}
    return int(judge(measures, np.array([carried]), np.array([separated]))[0, 0])


def test_all_measures_are_needed() -> None:
    assert set(LIMITS) == set(FINE)
    assert verdict_of() == GOOD


@pytest.mark.parametrize("name", LIMITS)
def test_each_measure_can_spoil_it(name: str) -> None:
    caution, stop = LIMITS[name]
    assert verdict_of(**{name: caution}) == GOOD
    assert verdict_of(**{name: np.nextafter(caution, np.inf)}) == CAUTION
    assert verdict_of(**{name: stop}) == (CAUTION if np.isfinite(stop) else verdict_of(**{name: np.inf}))
    if np.isfinite(stop):
        assert verdict_of(**{name: np.nextafter(stop, np.inf)}) == STOP


@pytest.mark.parametrize("name", LIMITS)
def test_an_unknown_measure_is_not_to_be_used(name: str) -> None:
    assert verdict_of(**{name: np.nan}) == STOP


def test_without_separation_it_is_caution_at_best() -> None:
    assert verdict_of(separated=False) == CAUTION
    assert verdict_of(separated=False, leave_one_out_db=0.0) == STOP


def test_what_the_points_cannot_carry_is_not_to_be_used() -> None:
    assert verdict_of(carried=False) == STOP


def test_one_verdict_per_channel() -> None:
    measures = {name: np.array([[value]]) for name, value in FINE.items()}
    measures["leave_one_out_db"] = np.array([[-50.0, -20.0, -10.0], [-20.0, np.nan, -50.0]])
    found = judge(measures, np.array([True, True]), np.array([True, False]))
    assert found.tolist() == [[GOOD, CAUTION, STOP], [CAUTION, STOP, CAUTION]]


def test_narrow_gaps_between_worse_verdicts_are_closed() -> None:
    frequency_hz = 1000.0 * 2.0 ** (np.arange(24) / 24.0)
    verdict = np.zeros((24, 2), dtype=np.int64)
    # channel 0: good for six rows (a quarter of an octave) between cautions; channel 1: for seven
    verdict[[5, 12], 0] = 1
    verdict[[5, 13], 1] = 1
    closed = close_gaps(verdict, frequency_hz)
    assert closed[:, 0].tolist() == [0] * 5 + [1] * 8 + [0] * 11
    np.testing.assert_array_equal(closed[:, 1], verdict[:, 1])


@pytest.mark.parametrize("row", [0, 2, 9, 21, 23])
def test_a_bad_row_stays_alone(row: int) -> None:
    """Also near the ends of the grid, where there is nothing beyond it to close a gap towards."""
    verdict = np.zeros((24, 1), dtype=np.int64)
    verdict[row] = 2
    np.testing.assert_array_equal(close_gaps(verdict, 1000.0 * 2.0 ** (np.arange(24) / 24.0)), verdict)


def test_rows_far_apart_have_no_gaps() -> None:
    verdict = np.array([[1], [0], [1]])
    np.testing.assert_array_equal(close_gaps(verdict, np.array([100.0, 200.0, 400.0])), verdict)
