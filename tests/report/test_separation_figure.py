"""Before and after the separation: three panels of one range, gaps where nothing was separated."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from report.drawn import all_words, svg_bytes

from fieldproc.records import Table
from fieldproc.report.separation_figure import separation_figure

FREQUENCY_HZ = np.geomspace(20.0, 20_000.0, 30)
SIDES = ("front", "left", "behind")


def separation(facts: dict[str, str | float | int] | None = None) -> Table:
    """Own levels of 90, 80 and 70 dB, the whole 4 dB above them; nothing above 1 kHz."""
    columns = {"frequency_hz": FREQUENCY_HZ}
    for at, side in enumerate(SIDES):
        own_db = np.where(FREQUENCY_HZ <= 1000.0, 90.0 - 10.0 * at, np.nan)
        columns |= {f"{side}_whole_db": own_db + 4.0, f"{side}_own_db": own_db}
    return Table.of_columns("separation", columns, facts or {})


def quality() -> Table:
    code = np.where(FREQUENCY_HZ < 50.0, 2.0, 0.0)
    return Table("quality", ("frequency_hz", "verdict_code"), np.column_stack([FREQUENCY_HZ, code]), {})


def drawn(table: Table, quality: Table | None = None) -> Figure:
    figure = separation_figure(table, quality, title="box")
    assert figure is not None
    return figure


def without(*columns: int) -> Table:
    table = separation({"calibrated": 0})
    return Table(
        table.name, table.header, np.where(np.isin(np.arange(7), columns), np.nan, table.values), table.facts
    )


def test_all_points_share_one_range_and_are_named() -> None:
    figure = drawn(separation({"front_position_m": "0.3 -0.02 1e-17"}), quality())
    assert len(figure.axes) == 3
    assert {axes.get_ylim() for axes in figure.axes} == {(60.0, 100.0)}
    words = all_words(figure)
    for told in ("in front, at (0.3, \N{MINUS SIGN}0.02, 0) m", "at its left side", "behind", "whole sound"):
        assert told in words
    assert words.count("not separated above") == 3
    assert "do not use" in words
    # the front is the topmost panel
    top = max(figure.axes, key=lambda axes: axes.get_position().y0)
    assert any(text.get_text().startswith("in front") for text in top.texts)


def test_a_point_without_levels_says_so_and_a_table_without_any_makes_no_figure() -> None:
    words = all_words(drawn(without(5, 6)))
    assert words.count("not known here") == 1
    assert "relative level" in words
    assert separation_figure(without(*range(1, 7)), title="") is None


def test_levels_are_drawn_as_they_are_and_the_same_again() -> None:
    figure = drawn(separation())
    top = max(figure.axes, key=lambda axes: axes.get_position().y0)
    lines = {line.get_label(): np.asarray(line.get_ydata(), dtype=np.float64) for line in top.lines}
    np.testing.assert_array_equal(lines["whole sound"], separation().column("front_whole_db"))
    np.testing.assert_array_equal(lines["the loudspeaker alone"], separation().column("front_own_db"))
    assert svg_bytes(figure) == svg_bytes(drawn(separation()))
