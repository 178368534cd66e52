"""The curve figure: aspect, range, verdict bands, labels."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from fieldproc.conventions import Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import curve_family, panels, style
from fieldproc.report.curves import INDEX_COLUMNS, LEVEL_COLUMNS, decibel_range
from fieldproc.report.lines import spread

MakeTables = Callable[[Floats], dict[str, Table]]


def changed(table: Table, lowest_hz: float, highest_hz: float, level: float) -> Table:
    """The table with every value in a band replaced."""
    values = table.values.copy()
    band = (values[:, 0] >= lowest_hz) & (values[:, 0] <= highest_hz)
    values[band, 1:] = level
    return replace(table, values=values)


def both_panels(figure: Figure) -> list[Axes]:
    """The index panel, then the level panel."""
    return sorted(figure.axes, key=lambda axes: axes.get_position().y0)


def key_words(figure: Figure) -> list[str]:
    return [text.get_text() for legend in figure.legends for text in legend.get_texts()]


def lead_lines(axes: Axes) -> list[Line2D]:
    """The thin lines from the ends of curves to the margin; the sample of each pen lies all in the margin."""
    return [line for line in axes.lines if line.get_transform() == axes.transAxes and line.get_xdata()[0] <= 1.0]


def test_one_decade_is_as_long_as_25_db(tables: dict[str, Table]) -> None:
    # IEC 60263:2020, 4.1: 25 dB per decade is one of the allowed aspect ratios.
    for axes in both_panels(curve_family(tables["cta2034a"], title="")):
        low_db = axes.get_ylim()[0]
        corner, right, up = axes.transData.transform([(100.0, low_db), (1000.0, low_db), (100.0, low_db + 25.0)])
        # 1e-6: rounding of the placement in figure fractions.
        assert up[1] - corner[1] == pytest.approx(right[0] - corner[0], rel=1e-6)


def test_both_panels_share_the_frequency_axis(tables: dict[str, Table]) -> None:
    index, level = both_panels(curve_family(tables["cta2034a"], title=""))
    assert index.get_xlim() == level.get_xlim() == (20.0, 20_000.0)
    # 1e-9: the same numbers go into both placements.
    assert index.transData.transform((1000.0, 0.0))[0] == pytest.approx(
        level.transData.transform((1000.0, 0.0))[0], rel=1e-9
    )
    ticks = ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
    assert [text.get_text() for text in index.get_xticklabels()] == ticks


def test_level_range_is_in_steps_of_5_db_around_the_curves(tables: dict[str, Table]) -> None:
    low_db, high_db = both_panels(curve_family(tables["cta2034a"], title=""))[1].get_ylim()
    highest_db = max(tables["cta2034a"].column(name).max() for name in LEVEL_COLUMNS)
    assert high_db - low_db == 50.0
    assert high_db % 5.0 == 0.0
    assert highest_db < high_db < highest_db + 6.0


@pytest.mark.parametrize("outlier", [np.nan, -np.inf, np.inf, 900.0, -900.0])
def test_what_is_not_to_be_used_does_not_set_the_range(tables: dict[str, Table], outlier: float) -> None:
    broken = changed(tables["cta2034a"], 0.0, 40.0, outlier)
    ranges = [
        [axes.get_ylim() for axes in both_panels(curve_family(table, tables["quality"], title=""))]
        for table in (tables["cta2034a"], broken)
    ]
    assert ranges[0] == ranges[1]


def test_a_notch_stretches_the_range_only_so_far(tables: dict[str, Table]) -> None:
    notched = changed(tables["cta2034a"], 950.0, 1050.0, -300.0)
    low_db, high_db = both_panels(curve_family(notched, title=""))[1].get_ylim()
    assert high_db - low_db == 80.0


@pytest.mark.parametrize(
    ("lowest_db", "expected"),
    [(84.0, (45.0, 95.0)), (77.0, (45.0, 95.0)), (70.0, (40.0, 90.0)), (38.0, (35.0, 90.0))],
)
def test_a_narrow_family_lies_in_the_middle_of_the_upper_half(
    lowest_db: float, expected: tuple[float, float]
) -> None:
    # From 77 to 85 dB: a free step of 5 dB above 75 to 90 dB puts them around 3/4 of 45 to 95 dB.
    assert decibel_range(np.array([[85.0, lowest_db]]), np.array([True]), (50.0, 80.0)) == expected


@pytest.mark.parametrize(("drop_db", "cut"), [(0.0, False), (60.0, False), (200.0, True)])
def test_curves_are_cut_only_below_80_db_and_not_unnoticed(
    tables: dict[str, Table], drop_db: float, cut: bool
) -> None:
    table = tables["cta2034a"]
    values = table.values.copy()
    values[-40:, 1:6] -= np.linspace(0.0, drop_db, 40)[:, np.newaxis]
    level = both_panels(curve_family(replace(table, values=values), title=""))[1]
    low_db = level.get_ylim()[0]
    assert (values[:, 1:6].min() < low_db) == cut
    notes = [text for text in level.texts if text.get_text() == "curves continue below"]
    assert len(notes) == cut
    # Curves that leave the panel have no end for a line to start at.
    assert len(lead_lines(level)) == (0 if cut else 5)
    if cut:
        first_cut_hz = values[(values[:, 1:6] < low_db).any(axis=1), 0].min()
        left, right = (
            level.transData.inverted().transform(edge)[0] for edge in notes[0].get_window_extent().get_points()
        )
        assert 20.0 < left < right < first_cut_hz


def test_dots_are_whole_and_inside(make_tables: MakeTables) -> None:
    table = make_tables(np.geomspace(10.0, 40_000.0, 13))["cta2034a"]
    at_edge = replace(table, values=np.vstack([table.values[:1] * [2.0, *7 * [1.0]], table.values[2:]]))
    for axes in both_panels(curve_family(at_edge, title="")):
        dots = [line for line in axes.lines if line.get_marker() == "o"]
        assert dots
        for line in dots:
            x, y = line.get_data()
            assert not line.get_clip_on()
            assert x.min() == 20.0
            assert x.max() <= 20_000.0
            assert axes.get_ylim()[0] <= y.min() <= y.max() <= axes.get_ylim()[1]


def test_verdict_bands_are_drawn_where_the_quality_table_has_them(tables: dict[str, Table]) -> None:
    figure = curve_family(tables["cta2034a"], tables["quality"], title="")
    for axes in both_panels(figure):
        drawn = {
            (patch.get_hatch() or "grey", *np.round([patch.get_x(), patch.get_x() + patch.get_width()]))
            for patch in axes.patches
        }
        # The fixture changes its verdict at 50, 80, 5600 and 8000 Hz. 3 %: a band ends midway between rows.
        edges = sorted((kind, low, high) for kind, low, high in drawn)
        expected = [
            (style.HATCH, 20, 50),
            (style.HATCH, 8000, 20_000),
            ("grey", 50, 80),
            ("grey", 5600, 8000),
        ]
        assert [kind for kind, *_ in edges] == [kind for kind, *_ in expected]
        np.testing.assert_allclose([limits for _, *limits in edges], [limits for _, *limits in expected], rtol=0.03)
    assert key_words(figure) == ["unmarked: good", "caution", "do not use"]


def test_all_good_differs_from_not_judged(tables: dict[str, Table]) -> None:
    good = replace(tables["quality"], values=tables["quality"].values * [1.0, 0.0])
    assert key_words(curve_family(tables["cta2034a"], good, title="")) == ["unmarked: good"]
    assert key_words(curve_family(tables["cta2034a"], title="")) == ["not judged"]


def test_curves_are_full_weight_only_where_they_may_be_believed(tables: dict[str, Table]) -> None:
    level = both_panels(curve_family(tables["cta2034a"], tables["quality"], title=""))[1]
    lines = [line for line in level.lines if line.get_transform() == level.transData]
    assert len(lines) == 5 * len(LEVEL_COLUMNS)
    widths = style.LINE_WIDTHS_PT
    for line in lines:
        middle_hz = np.median(np.asarray(line.get_xdata()))
        if 80.0 < middle_hz < 5600.0:
            expected = widths[Verdict.GOOD]
        elif 50.0 < middle_hz < 8000.0:
            expected = widths[Verdict.CAUTION]
        else:
            expected = widths[Verdict.DO_NOT_USE]
        assert line.get_linewidth() == expected
    assert widths[Verdict.GOOD] > 1.5 * widths[Verdict.CAUTION] > 2.25 * widths[Verdict.DO_NOT_USE]


def test_every_quantity_has_its_own_colour(tables: dict[str, Table]) -> None:
    index, level = both_panels(curve_family(tables["cta2034a"], title=""))
    curves = [line for axes in (level, index) for line in axes.lines if len(np.asarray(line.get_xdata())) == 240]
    assert [to_hex(line.get_color()) for line in curves] == [
        style.PENS[name].color for name in (*LEVEL_COLUMNS, *INDEX_COLUMNS)
    ]


@pytest.mark.parametrize("together", [False, True])
def test_labels_neither_overlap_nor_leave_the_figure(tables: dict[str, Table], together: bool) -> None:
    table = tables["cta2034a"]
    if together:
        table = replace(table, values=np.column_stack([table.values[:, 0], *7 * [table.values[:, 1]]]))
    figure = curve_family(table, title="")
    for axes in both_panels(figure):
        boxes = sorted((text.get_window_extent() for text in axes.texts), key=lambda box: box.y0)
        assert len(boxes) in (2, 5)
        assert all(below.y1 <= above.y0 for below, above in itertools.pairwise(boxes))
        assert all(box.x1 < figure.bbox.x1 for box in boxes)


def test_curves_that_end_early_get_a_legend(tables: dict[str, Table]) -> None:
    level = both_panels(curve_family(changed(tables["cta2034a"], 9000.0, 1e5, np.nan), title=""))[1]
    legend = level.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == [style.PENS[n].words for n in LEVEL_COLUMNS]
    assert not level.texts


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (
            {"calibrated": 1, "drive_voltage_v": 2.83, "reference_distance_m": 1.0},
            "sound pressure level in dB re 20 µPa, 2.83 V, 1 m",
        ),
        (
            {"drive_voltage_v": 2.0, "reference_distance_m": 2.5},
            "sound pressure level in dB re 20 µPa, 2 V, 2.5 m",
        ),
        ({"reference_distance_m": float("inf")}, "sound pressure level in dB re 20 µPa"),
        ({"calibrated": 0, "drive_voltage_v": 2.83}, "relative level in dB"),
    ],
)
def test_level_words_state_what_the_facts_say(facts: dict[str, float], words: str) -> None:
    assert panels.level_words(facts) == words


def test_columns_that_are_missing_are_named(tables: dict[str, Table]) -> None:
    with pytest.raises(KeyError, match="no column on_axis_db"):
        curve_family(tables["horizontal"], title="")


@given(st.lists(st.floats(0.0, 50.0), min_size=1, max_size=8))
def test_spread_keeps_order_distance_and_limits(places: list[float]) -> None:
    moved = spread(np.array(places), 5.0, (0.0, 50.0))
    order = np.argsort(moved)
    # 1e-9 of the pitch: rounding.
    assert np.all(np.diff(moved[order]) >= 5.0 * (1 - 1e-9))
    assert np.all(np.diff(np.array(places)[order]) >= 0.0)
    assert moved.min() >= 2.5 * (1 - 1e-9)
    assert moved.max() <= 47.5 * (1 + 1e-9)


def test_spread_leaves_what_is_far_apart() -> None:
    np.testing.assert_array_equal(spread(np.array([30.0, 10.0, 20.0]), 5.0, (0.0, 50.0)), [30.0, 10.0, 20.0])


def test_equal_places_keep_the_first_on_top() -> None:
    # Least squares: three equal places open symmetrically. 1e-12: rounding of a mean of three.
    np.testing.assert_allclose(spread(np.full(3, 25.0), 5.0, (0.0, 50.0)), [30.0, 25.0, 20.0], rtol=1e-12)
