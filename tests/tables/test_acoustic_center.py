"""The acoustic centre per octave: edges of the standard, medians of what may be believed."""

from __future__ import annotations

import numpy as np
import pytest
from expand.crafted import make_expansion

from fieldproc.records import Expansion, Table, Verdict
from fieldproc.tables import acoustic_center_table

FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)


def expansion_of(center_m: np.ndarray, verdict: int | np.ndarray = Verdict.GOOD) -> Expansion:
    outgoing = np.ones((240, 1, 1), dtype=np.complex128)
    return make_expansion(FREQUENCY_HZ, outgoing, verdict=verdict, acoustic_center_m=center_m)


def center_of(table: Table, stem: str = "acoustic_center") -> np.ndarray:
    return np.stack([table.column(f"{stem}_{name}_m") for name in "xyz"], axis=1)


def test_edges_are_those_of_the_standard() -> None:
    # IEC 61260-1:2014, equations (1), (2), (4) and (5), evaluated elsewhere to six decimals
    table = acoustic_center_table(expansion_of(np.zeros((240, 3))), 0, facts={})
    names = ("nominal_frequency_hz", "frequency_hz", "lower_edge_hz", "upper_edge_hz")
    nominal_hz, middle_hz, lower_hz, upper_hz = (table.column(name) for name in names)
    assert nominal_hz.tolist() == [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000]
    np.testing.assert_allclose(middle_hz[[0, 5, 9]], [31.622777, 1000.0, 15848.931925], rtol=2e-8)
    np.testing.assert_allclose(lower_hz[[0, 5, 9]], [22.387211, 707.945784, 11220.184543], rtol=2e-8)
    np.testing.assert_allclose(upper_hz[[0, 5, 9]], [44.668359, 1412.537545, 22387.211386], rtol=2e-8)


def test_a_centre_that_stays_and_one_that_moves() -> None:
    center_m = np.tile([0.05, -0.02, 0.3], (240, 1))
    center_m[:, 2] += 0.01 * np.log2(FREQUENCY_HZ / 1000.0)
    table = acoustic_center_table(expansion_of(center_m), 0, facts={"session": "x"})
    assert table.name == "acoustic_center"
    assert table.facts["session"] == "x"
    # 24 rows to an octave, 23 or 24 to one of 10^0.3
    assert set(table.column("frequencies_used")[1:-1]) <= {23.0, 24.0}
    np.testing.assert_allclose(center_of(table)[:, :2], np.tile([0.05, -0.02], (10, 1)), rtol=1e-12)
    np.testing.assert_allclose(center_of(table, "spread")[:, :2], 0.0, atol=1e-15)
    whole = slice(0, 9)
    expected = 0.3 + 0.01 * np.log2(table.column("frequency_hz") / 1000.0)
    # the middle row of the octave is within half a step of its middle
    np.testing.assert_allclose(center_of(table)[whole, 2], expected[whole], rtol=0, atol=0.01 / 48.0)
    # rows evenly spread over an octave: 0.6826 of it, halved; one step is a twenty-fourth
    np.testing.assert_allclose(center_of(table, "spread")[whole, 2], 0.01 * 0.3413, rtol=0.06)


def test_only_what_may_be_believed_counts() -> None:
    center_m = np.zeros((240, 3))
    verdict = np.zeros(240, dtype=np.int64)
    # 500 Hz: a third wrong and not to be used; 1 kHz: none to be used; 2 kHz: caution counts, one has no centre
    in_500, in_1k, in_2k = (
        np.flatnonzero((low < FREQUENCY_HZ) & (high > FREQUENCY_HZ))
        for low, high in ((354.9, 707.9), (708.0, 1412.5), (1412.6, 2818.3))
    )
    center_m[in_500[::3]], verdict[in_500[::3]] = 9.0, Verdict.DO_NOT_USE
    verdict[in_1k] = Verdict.DO_NOT_USE
    center_m[in_2k], verdict[in_2k] = 0.1, Verdict.CAUTION
    center_m[in_2k[0]] = np.nan
    table = acoustic_center_table(expansion_of(center_m, verdict), 0, facts={})
    nominal_hz = table.column("nominal_frequency_hz").tolist()
    rows = [nominal_hz.index(hz) for hz in (500, 1000, 2000)]
    np.testing.assert_array_equal(center_of(table)[rows], [[0.0] * 3, [np.nan] * 3, [0.1] * 3])
    used = table.column("frequencies_used")[rows]
    assert used.tolist() == [len(in_500) - len(in_500[::3]), 0, len(in_2k) - 1]
    assert np.isnan(center_of(table, "spread")[rows[1]]).all()


def test_an_outlier_does_not_move_an_octave() -> None:
    center_m = np.zeros((240, 3))
    center_m[[140, 141]] = 5.0
    table = acoustic_center_table(expansion_of(center_m), 0, facts={})
    np.testing.assert_array_equal(center_of(table), 0.0)
    assert center_of(table, "spread").max() == pytest.approx(0.0, abs=1e-15)
