"""The table of the responses: order of the points, levels, and the lists beside them."""

from __future__ import annotations

import numpy as np

from fieldproc.records import ReferenceAxis, Waterfall
from fieldproc.tables.responses import responses_table

# Around the origin: in front, left, behind, right on surface 3; behind and in front on surface 1.
POSITIONS_M = np.array([[0.3, 0, 0], [0, 0.3, 0], [-0.3, 0, 0], [0, -0.3, 0], [-0.5, 0, 0], [0.5, 0, 0]])
PICTURE = Waterfall(
    time_s=np.array([-1e-4, 0.0, 1e-4]),
    level_db=np.stack([-np.arange(18.0).reshape(6, 3) - 0.04, -np.arange(18.0).reshape(6, 3) - 30.26]),
    file_point=np.array([4, 9, 12, 15, 30, 31]),
    positions_m=POSITIONS_M,
    surface=np.array([3, 3, 3, 3, 1, 1]),
    direct_s=np.array([0.001, 0.002, 0.003, 0.0035, 0.004, np.nan]),
    gate_end_s=np.array([0.005, 0.006, 0.007, 0.0075, 0.008, np.nan]),
)


def numbers(words: object) -> list[float]:
    return [float(one) for one in str(words).split()]


def test_points_stand_by_surface_then_from_front_to_back() -> None:
    table = responses_table(PICTURE, ReferenceAxis(), 1, facts={"session": "x"})
    assert table.header == ("time_s", *(f"point_{point}_db" for point in (31, 30, 4, 9, 15, 12)))
    assert table.facts["session"] == "x"
    np.testing.assert_array_equal(table.column("time_s"), PICTURE.time_s)
    # tenths of a decibel
    np.testing.assert_allclose(table.column("point_9_db"), [-33.3, -34.3, -35.3], rtol=1e-12)
    assert numbers(table.facts["points"]) == [31, 30, 4, 9, 15, 12]
    assert numbers(table.facts["surfaces"]) == [1, 1, 3, 3, 3, 3]
    assert numbers(table.facts["off_axis_deg"]) == [0, 180, 0, 90, 90, 180]
    np.testing.assert_array_equal(numbers(table.facts["gate_end_s"]), [np.nan, 0.008, 0.005, 0.006, 0.0075, 0.007])
    np.testing.assert_array_equal(numbers(table.facts["direct_s"]), [np.nan, 0.004, 0.001, 0.002, 0.0035, 0.003])


def test_front_is_where_the_axis_points_from_wherever_it_starts() -> None:
    axis = ReferenceAxis(origin_m=np.array([7.0, 0.0, 0.0]), direction=np.array([0.0, 2.0, 0.0]))
    table = responses_table(PICTURE, axis, 0, facts={})
    angles = dict(zip(numbers(table.facts["points"]), numbers(table.facts["off_axis_deg"]), strict=True))
    assert [angles[point] for point in (4, 9, 12, 15, 30, 31)] == [90, 0, 90, 180, 90, 90]
    assert table.column("point_4_db")[0] == 0.0
