"""The figure of differences: aspect, range, what is told apart."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from fieldproc.records import Table, Verdict
from fieldproc.report import difference_figure, draw_differences
from fieldproc.report.differences import CURVES

FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)


def table_of(value_db: float | np.ndarray, reach_db: float = 0.5) -> Table:
    value = np.broadcast_to(value_db, 240)
    columns = {"frequency_hz": FREQUENCY_HZ, **dict.fromkeys(CURVES, value)}
    for curve in CURVES:
        stem = curve.removesuffix("_db")
        columns |= {f"{stem}_low_db": value - reach_db, f"{stem}_high_db": value + reach_db}
    return Table.of_columns("difference_cta2034a", columns, {})


def quality_of(codes: np.ndarray) -> Table:
    return Table.of_columns("quality", {"frequency_hz": FREQUENCY_HZ, "verdict_code": codes}, {})


def top_panel(figure: Figure) -> Axes:
    return max(figure.axes, key=lambda axes: axes.get_position().y0)


@pytest.mark.parametrize(
    ("largest_db", "per_decade_db", "limits_db"),
    [
        (0.3, 10.0, (-2.0, 2.0)),
        (2.2, 10.0, (-2.0, 3.0)),
        (-6.5, 10.0, (-7.0, 2.0)),
        (12.0, 25.0, (-5.0, 15.0)),
        (-40.0, 50.0, (-50.0, 10.0)),
        (90.0, 50.0, (-30.0, 30.0)),
    ],
)
def test_aspect_ratios_are_those_of_the_standard(
    largest_db: float, per_decade_db: float, limits_db: tuple[float, float]
) -> None:
    # IEC 60263:2020, 4.1: 10, 20, 25 or 50 dB per decade
    figure = difference_figure([table_of(largest_db)], ["other"], title="")
    assert len(figure.axes) == 4
    for axes in figure.axes:
        assert axes.get_ylim() == limits_db
        corner, right, up = axes.transData.transform([(100.0, 0.0), (1000.0, 0.0), (100.0, per_decade_db)])
        # rounding of the placement in figure fractions
        assert up[1] - corner[1] == pytest.approx(right[0] - corner[0], rel=1e-6)


def test_what_is_not_to_be_used_does_not_set_the_range() -> None:
    value = np.where(FREQUENCY_HZ > 8000.0, 25.0, 0.0)
    codes = np.where(FREQUENCY_HZ > 8000.0, Verdict.DO_NOT_USE, Verdict.GOOD)
    figure = difference_figure([table_of(value)], ["other"], quality_of(codes), title="")
    assert top_panel(figure).get_ylim() == (-2.0, 2.0)
    widths = {line.get_linewidth() for line in top_panel(figure).lines if len(line.get_xdata()) > 2}
    assert len(widths) >= 2


def test_every_result_has_a_line_a_band_and_a_name() -> None:
    figure = difference_figure(
        [table_of(0.1), table_of(-0.2), table_of(0.3)], ["one", "two", "$x_1$ \u202e"], title=""
    )
    for axes in figure.axes:
        lines = [line for line in axes.lines if len(line.get_xdata()) > 2]
        assert len(lines) == len(axes.collections) == 3
        assert len({line.get_color() for line in lines}) == 3
        np.testing.assert_allclose(lines[1].get_ydata(), -0.2)
    legend = top_panel(figure).get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["one", "two", "$x_1$", "band of 95 %"]


def test_without_bands_the_key_has_none_and_infinities_leave_gaps() -> None:
    value = np.zeros(240)
    value[100:110], value[110:120], value[120:130] = np.nan, np.inf, -np.inf
    figure = difference_figure([table_of(value, np.nan)], ["other"], title="")
    legend = top_panel(figure).get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["other"]
    (line,) = (line for line in top_panel(figure).lines if len(line.get_xdata()) > 2)
    assert np.isnan(np.asarray(line.get_ydata(), dtype=float)[100:130]).all()


def test_the_same_tables_give_the_same_bytes() -> None:
    value = np.sin(FREQUENCY_HZ)
    drawn = [draw_differences([table_of(value)], ["other"], quality_of(np.zeros(240)), "Title") for _ in range(2)]
    assert drawn[0] == drawn[1]
    assert set(drawn[0]) == {"differences.svg", "differences.png"}
    assert drawn[0]["differences.png"][:8] == b"\x89PNG\r\n\x1a\n"
    assert drawn[0]["differences.svg"].count(b"<path") > 50
