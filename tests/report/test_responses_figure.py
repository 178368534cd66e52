"""Responses over time: levels where they belong, the gate of every point in its row."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from report.drawn import all_words, svg_bytes

from fieldproc.records import Table
from fieldproc.report.responses_figure import responses_figure

TIME_S = 1e-4 * np.arange(-10, 90)
GATE_S = np.array([3e-3, 4e-3, 5e-3, 6e-3])
FACTS = {
    "points": "3 14 15 92",
    "surfaces": "0 0 1 1",
    "off_axis_deg": "0 90 10 170",
    "direct_s": "0 0.0002 0.0001 0.0003",
    "gate_end_s": " ".join(str(end) for end in GATE_S),
}


def responses() -> Table:
    """A pulse 20 bins into the first row, later by 5 from row to row; all else 70 dB below."""
    level_db = np.full((4, len(TIME_S)), -70.0)
    level_db[np.arange(4), 20 + 5 * np.arange(4)] = 0.0
    columns = {f"point_{point}_db": level_db[at] for at, point in enumerate((3, 14, 15, 92))}
    return Table.of_columns("responses", {"time_s": TIME_S, **columns}, FACTS)


def strokes(figure: Figure) -> list[np.ndarray]:
    """Segments of the upper of the two layers of gate lines."""
    layers = [drawn for drawn in figure.axes[0].collections if isinstance(drawn, LineCollection)]
    return [np.asarray(path.vertices) for path in layers[-1].get_paths()] if layers else []


def test_levels_lie_at_their_time_and_in_the_row_of_their_point() -> None:
    axes = responses_figure(responses(), title="").axes[0]
    image = axes.images[0]
    shown = np.asarray(image.get_array())
    left, right, bottom, top = image.get_extent()
    assert (bottom, top) == (3.5, -0.5)
    for row in range(4):
        loudest = int(np.argmax(shown[row]))
        middle_ms = left + (loudest + 0.5) * (right - left) / shown.shape[1]
        assert abs(middle_ms - 1e3 * TIME_S[20 + 5 * row]) < 1e-9
    # what lies below the scale is at its end
    assert shown.min() == -60.0


def test_every_gate_ends_in_its_own_row() -> None:
    figure = responses_figure(responses(), title="")
    for row, (segment, end_s) in enumerate(zip(strokes(figure), GATE_S, strict=True)):
        np.testing.assert_allclose(segment, [[1e3 * end_s, row - 0.5], [1e3 * end_s, row + 0.5]], rtol=1e-12)
    words = all_words(figure)
    for told in ("the gate has closed", "4 points, evenly over the scan", "angle of the point off the axis"):
        assert told in words
    assert [label.get_text() for label in figure.axes[0].get_yticklabels()] == ["0°", "90°", "10°", "170°"]


def test_without_a_gate_the_figure_says_so() -> None:
    ungated = replace(responses(), facts={**FACTS, "gate_end_s": "nan nan nan nan"})
    figure = responses_figure(ungated, title="")
    assert strokes(figure) == []
    assert "no gate" in all_words(figure)


def test_without_facts_points_are_numbered() -> None:
    figure = responses_figure(replace(responses(), facts={}), title="")
    assert [label.get_text() for label in figure.axes[0].get_yticklabels()] == ["3", "14", "15", "92"]


def test_the_same_bytes_again() -> None:
    assert svg_bytes(responses_figure(responses(), title="t")) == svg_bytes(responses_figure(responses(), title="t"))
