"""Polar diagrams: sides, range, frequencies, and what is not to be trusted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.axes import Axes

from fieldproc.conventions import POLAR_ANGLES_DEG, Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import polar_figure, style
from fieldproc.report.maps import Plane
from fieldproc.report.polar import RANGE_DB, words_of

ANGLES_DEG = np.array(POLAR_ANGLES_DEG, dtype=np.float64)
OCTAVES_HZ = 125.0 * 2.0 ** np.arange(9)
LEVELS = tuple(f"level_{angle:+04d}_db" for angle in POLAR_ANGLES_DEG)
LOBE_DB = 80.0 - 0.05 * np.abs(ANGLES_DEG - 90.0)


def table_of(level_db: Floats, verdict: Floats | None = None) -> Table:
    """The same levels at every octave, with verdicts of theirs."""
    columns = {"frequency_hz": OCTAVES_HZ} | {
        name: np.full(9, level) for name, level in zip(LEVELS, level_db, strict=True)
    }
    if verdict is not None:
        columns |= {
            name.replace("_db", "_verdict_code"): np.full(9, code) for name, code in zip(LEVELS, verdict, strict=True)
        }
    return Table.of_columns("horizontal", columns, {})


def quality_of(unusable_hz: list[float]) -> Table:
    code = np.where(np.isin(OCTAVES_HZ, unusable_hz), Verdict.DO_NOT_USE, Verdict.GOOD)
    return Table.of_columns("quality", {"frequency_hz": OCTAVES_HZ, "verdict_code": code}, {})


def legend_words(axes: Axes) -> list[str]:
    legend = axes.get_legend()
    return [] if legend is None else [text.get_text() for text in legend.get_texts()]


@pytest.mark.parametrize(("plane", "way"), [("horizontal", (-1, 0)), ("vertical", (0, 1))])
def test_positive_angles_are_left_from_above_and_up_from_the_side(plane: Plane, way: tuple[int, int]) -> None:
    figure = polar_figure({plane: table_of(LOBE_DB)}, title="", frequencies_hz=[1000.0])
    assert figure is not None
    (axes,) = figure.axes
    (line,) = axes.lines
    places = axes.transData.transform(line.get_xydata())
    loudest = places[np.argmax(line.get_ydata())] - axes.transData.transform((0.0, axes.get_ylim()[0]))
    # pixels, of a diagram of 270: the direction alone matters
    np.testing.assert_allclose(loudest / np.linalg.norm(loudest), way, atol=1e-9)
    assert "left\n90°" in (words := [text.get_text() for text in axes.get_xticklabels()]) or "up\n90°" in words


@pytest.mark.parametrize(("highest_db", "rim_db"), [(0.0, 0.0), (0.9, 0.0), (1.1, 5.0), (7.0, 10.0)])
def test_the_range_is_30_db_up_to_what_is_loudest(highest_db: float, rim_db: float) -> None:
    level_db = np.where(ANGLES_DEG == 60.0, 80.0 + highest_db, np.where(ANGLES_DEG == 0.0, 80.0, 20.0))
    figure = polar_figure({"horizontal": table_of(level_db)}, title="", frequencies_hz=[1000.0])
    assert figure is not None
    # IEC 60263:2020: 30 dB for relative levels
    assert figure.axes[0].get_ylim() == (rim_db - RANGE_DB, rim_db)
    drawn = np.concatenate([np.asarray(line.get_ydata()) for line in figure.axes[0].lines])
    assert drawn.min() == rim_db - RANGE_DB
    assert drawn.max() == pytest.approx(highest_db)


def test_octaves_that_must_not_be_used_are_named_instead() -> None:
    figure = polar_figure({"horizontal": table_of(LOBE_DB)}, quality_of([500.0, 16_000.0]), title="")
    assert figure is not None
    told = {words for axes in figure.axes for words in legend_words(axes)}
    assert told == {"250 Hz", "1 kHz", "2 kHz", "4 kHz", "8 kHz"}
    words = "level in dB re the axis at one frequency per octave; not to be used: 500 Hz, 16 kHz"
    assert words in [text.get_text() for text in figure.texts]


def test_an_octave_has_its_pen_whatever_else_is_drawn() -> None:
    pens = []
    for unusable_hz in ([], [250.0, 500.0]):
        figure = polar_figure({"horizontal": table_of(LOBE_DB)}, quality_of(unusable_hz), title="")
        assert figure is not None
        samples = {line.get_label(): line for axes in figure.axes for line in axes.get_legend().get_lines()}
        pens.append(samples["4 kHz"].get_color())
    assert pens[0] == pens[1] == style.OCTAVE_LOOKS[4][0]


def test_nothing_to_show_is_no_figure() -> None:
    table = table_of(LOBE_DB)
    assert polar_figure({"horizontal": table}, quality_of(list(OCTAVES_HZ)), title="") is None
    # a sixth of an octave is as near as a frequency must be
    assert polar_figure({"horizontal": table}, title="", frequencies_hz=[1000.0 * 2.0**0.2]) is None
    assert polar_figure({"horizontal": replace(table, values=table.values[:0])}, title="") is None
    assert polar_figure({"horizontal": table_of(np.full(36, np.nan))}, title="") is None


def test_levels_not_to_be_used_leave_a_gap_and_caution_is_thin() -> None:
    verdict = np.where(ANGLES_DEG == 90.0, Verdict.DO_NOT_USE, np.where(ANGLES_DEG == -90.0, Verdict.CAUTION, 0.0))
    figure = polar_figure({"horizontal": table_of(LOBE_DB, verdict)}, title="", frequencies_hz=[1000.0])
    assert figure is not None
    reached = [(np.degrees(np.asarray(line.get_xdata())), line.get_linewidth()) for line in figure.axes[0].lines]
    # neighbours are 10 degrees apart; 1e-9: radians and back
    assert not any(((angles > 80.0 + 1e-9) & (angles < 100.0 - 1e-9)).any() for angles, _ in reached)
    (thin,) = (angles for angles, width in reached if width == style.LINE_WIDTHS_PT[Verdict.CAUTION])
    np.testing.assert_allclose(thin[[0, -1]], [-100.0, -80.0], rtol=1e-12)
    assert {width for _, width in reached} == {
        style.LINE_WIDTHS_PT[Verdict.GOOD],
        style.LINE_WIDTHS_PT[Verdict.CAUTION],
    }


@pytest.mark.parametrize(("frequency_hz", "words"), [(246.75, "247 Hz"), (999.6, "1 kHz"), (15_800.0, "15.8 kHz")])
def test_frequencies_are_told_to_three_digits(frequency_hz: float, words: str) -> None:
    assert words_of(frequency_hz) == words
