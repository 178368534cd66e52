"""Impulse and step response, group delay: what is shown of them, and what is left out."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from fieldproc.conventions import Floats
from fieldproc.records import Table
from fieldproc.report import time_figure
from fieldproc.report.time_figure import delay_range_ms

FREQUENCY_HZ = np.geomspace(20.0, 20_000.0, 60)


def impulse_table() -> Table:
    """A click of -2 Pa at 3 ms, whose step falls to -2 and stays."""
    time_s = np.arange(-0.02, 0.05, 1.0 / 48_000.0)
    click = np.where(np.arange(len(time_s)) == np.argmin(np.abs(time_s - 0.003)), -2.0, 0.0)
    columns = {"time_s": time_s, "impulse_pa": click, "step_pa": np.cumsum(click)}
    return Table.of_columns("impulse", columns, {"lowest_hz": 20.0, "highest_hz": 19_900.0})


def delay_table(delay_s: Floats) -> Table:
    name = "on_axis_group_delay"
    columns = {"frequency_hz": FREQUENCY_HZ, f"{name}_s": delay_s}
    return Table.of_columns("time", columns | {f"{name}_low_s": delay_s - 1e-4, f"{name}_high_s": delay_s + 1e-4}, {})


def names_of(figure: Figure) -> list[str]:
    return [axes.get_ylabel().split("\n")[0] for axes in sorted(figure.axes, key=lambda a: -a.get_position().y0)]


def test_responses_stand_around_the_largest_sample_re_their_largest_value() -> None:
    figure = time_figure(impulse_table(), delay_table(np.full(60, 2e-4)), title="")
    assert figure is not None
    assert names_of(figure) == ["impulse response", "step response", "group delay"]
    for axes in figure.axes[1:]:
        # 1 ms ahead to 8 ms after; 1e-2 ms: half a sample
        np.testing.assert_allclose(axes.get_xlim(), (2.0, 11.0), atol=1.1e-2)
        x, y = axes.lines[0].get_data()
        np.testing.assert_array_equal(np.asarray(y).min(), -1.0)
        assert "from 20 Hz to 19.9 kHz" in [text.get_text() for text in axes.texts]
        assert np.ptp(np.asarray(x)) == pytest.approx(9.0, abs=0.05)


def test_group_delay_is_in_milliseconds_and_so_is_its_band() -> None:
    figure = time_figure(None, delay_table(np.full(60, 2e-4)), title="")
    assert figure is not None
    (axes,) = figure.axes
    line = next(line for line in axes.lines if len(np.asarray(line.get_xdata())) == 60)
    np.testing.assert_allclose(line.get_ydata(), 0.2, rtol=1e-12)
    band = axes.collections[0].get_paths()[0].vertices[:, 1]
    np.testing.assert_allclose([band.min(), band.max()], [0.1, 0.3], rtol=1e-12)


def test_what_has_no_numbers_is_left_out() -> None:
    unknown = delay_table(np.full(60, np.nan))
    figure = time_figure(impulse_table(), unknown, title="")
    assert figure is not None
    assert names_of(figure) == ["impulse response", "step response"]
    assert time_figure(None, unknown, title="") is None
    assert time_figure(None, None, title="") is None


def test_a_few_wild_delays_do_not_rule_the_range() -> None:
    delay_ms = np.concatenate([np.full(99, 0.5), [400.0]])
    low_ms, high_ms = delay_range_ms(delay_ms, np.ones(100, dtype=np.bool_))
    assert low_ms < 0.0
    assert 0.5 < high_ms < 1.0
