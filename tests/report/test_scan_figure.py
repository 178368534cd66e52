"""The scan: surfaces, points that took no part and why, the box, left and right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from matplotlib.collections import PathCollection, PolyCollection
from report.drawn import all_words, svg_bytes

from fieldproc.records import Table
from fieldproc.report.scan_figure import scan_figure

HEADER = ("point", "x_m", "y_m", "z_m", "surface", "residual_db", "kept", "reason_code")
FACTS = {
    "axis_origin_m": "0.1 0 0",
    "axis_direction": "1 0 0",
    "up_direction": "0 0 1",
    "cabinet_size_m": "0.2 0.3 0.4",
    "cabinet_center_m": "0 0 0",
    "reason_0": "took part",
    "reason_1": "repeat, averaged into the first record at its position",
    "reason_2": "response is clipped",
    "reason_3": "left out by the session",
}


def points_table(count: int = 40) -> Table:
    angle = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)
    rows = np.zeros((count, len(HEADER)))
    rows[:, 0] = np.arange(count)
    rows[:, 1:4] = 0.4 * np.stack([np.cos(angle), np.sin(angle), np.sin(3 * angle)], axis=1)
    rows[:, 4] = np.arange(count) % 2
    rows[:, 6] = 1.0
    return Table("points", HEADER, rows, FACTS)


def with_codes(table: Table, codes: dict[int, int]) -> Table:
    values = table.values.copy()
    for point, code in codes.items():
        values[point, 6:] = code < 2, code
    return replace(table, values=values)


def test_surfaces_are_counted_and_points_left_out_are_explained() -> None:
    # a repeat takes part
    table = with_codes(points_table(), {4: 1, 7: 2, 9: 3, 11: 3})
    words = all_words(scan_figure(table, title="a scan"))
    assert "surface 0: 20 points" in words
    assert "surface 1: 20 points" in words
    assert "left out: 3" in words
    assert "a   response is clipped: 1 point\n" in words
    assert "b   left out by the session: 2 points" in words
    for label in ("7 a", "9 b", "11 b"):
        # in both views
        assert words.count(label) == 2
    assert "4 " not in [line[:2] for line in words.splitlines()]


def test_more_reasons_than_lines_and_more_surfaces_than_marks() -> None:
    codes = {point: 2 + point for point in range(6)}
    facts = {**FACTS, **{f"reason_{code}": f"reason number {code}" for code in codes.values()}}
    values = with_codes(points_table(), codes).values.copy()
    values[:, 4] = np.arange(len(values)) % 9
    words = all_words(scan_figure(Table("points", HEADER, values, facts), title=""))
    assert "and 2 more reasons: tables/points.csv" in words
    assert "and 5 more" in words


def test_the_view_from_above_has_the_front_at_the_top_and_left_at_the_left() -> None:
    table = points_table(4)
    values = table.values.copy()
    values[:, 1:4] = [[0.5, 0.0, 0.0], [0.0, 0.3, 0.1], [-0.5, 0.0, 0.0], [0.0, -0.3, 0.1]]
    values[:, 4] = -1
    figure = scan_figure(replace(table, values=values), title="")
    assert "4 points" in all_words(figure)
    above = figure.axes[1]
    places = np.concatenate(
        [np.asarray(drawn.get_offsets()) for drawn in above.collections if isinstance(drawn, PathCollection)]
    )
    # x counts from the axis origin at 0.1 m; right of the picture is right of the loudspeaker
    expected = [[0.0, 0.4], [-0.3, -0.1], [0.0, -0.6], [0.3, -0.1]]
    assert sorted(places.round(9).tolist()) == sorted(expected)
    # the tick at the left is to the loudspeaker's left, positive
    ticks = {label.get_text(): label.get_position()[0] for label in above.get_xticklabels()}
    assert ticks["0.5"] < 0.0 < ticks["\N{MINUS SIGN}0.5"]


def test_the_box_is_drawn_where_the_cabinet_is_known() -> None:
    def boxes(table: Table) -> list[int]:
        figure = scan_figure(table, title="")
        return [
            len(drawn.get_paths())
            for axes in figure.axes
            for drawn in axes.collections
            if isinstance(drawn, PolyCollection)
        ]

    # three faces from a corner, one from straight above
    assert boxes(points_table()) == [3, 1]
    assert boxes(replace(points_table(), facts={})) == []


def test_the_same_bytes_again_and_nothing_of_a_hostile_reason() -> None:
    table = with_codes(points_table(), {3: 2})
    table = replace(table, facts={**table.facts, "reason_2": "$\\frac{1$ \u202e\n<script>" + "x" * 500})
    assert svg_bytes(scan_figure(table, title="t")) == svg_bytes(scan_figure(table, title="t"))
