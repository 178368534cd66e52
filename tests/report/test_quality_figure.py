"""The quality of a field over frequency: every panel has values or words, gaps stay gaps."""

from __future__ import annotations

import numpy as np
import pytest
from report.drawn import all_words, svg_bytes

from fieldproc.conventions import Floats
from fieldproc.records import Table, Verdict
from fieldproc.report.quality_figure import quality_figure

FREQUENCY_HZ = np.geomspace(20.0, 20_000.0, 30)
LOW = FREQUENCY_HZ < 1000.0


def columns() -> dict[str, Floats]:
    """Separated below 1 kHz, gated above; one lone value of left-out surfaces."""
    count = len(FREQUENCY_HZ)
    hold_out_db = np.full(count, np.nan)
    hold_out_db[20] = -44.0
    return {
        "frequency_hz": FREQUENCY_HZ,
        "outgoing_order": np.full(count, 3.0),
        "regular_order": np.where(LOW, 5.0, -1.0),
        "residual_db": np.linspace(-50.0, -31.0, count),
        "leave_one_out_db": np.linspace(-48.0, -30.0, count),
        "random_error_db": np.linspace(-60.0, -39.0, count),
        "level_uncertainty_db": np.geomspace(0.02, 0.4, count),
        "noise_gain_db": np.linspace(-20.0, -11.0, count),
        "condition": np.where(LOW, np.inf, 2.0),
        "leakage_db": np.where(LOW, -70.0, np.nan),
        "power_closure": np.where(LOW, 1.2, np.nan),
        "overlap_difference_db": np.full(count, np.nan),
        "hold_out_db": hold_out_db,
        "gated_share": np.where(LOW, 0.0, 1.0),
        "verdict_code": np.where(LOW, Verdict.GOOD, Verdict.CAUTION),
    }


def table(**changed: Floats) -> Table:
    return Table.of_columns("quality", {**columns(), **changed}, {})


def panel(quality: Table, words: str):  # type: ignore[no-untyped-def]
    figure = quality_figure(quality, title="box")
    assert figure is not None
    return next(axes for axes in figure.axes if axes.get_ylabel().startswith(words))


def test_measures_are_drawn_as_they_are() -> None:
    errors = panel(table(), "error")
    drawn = {line.get_label(): np.asarray(line.get_ydata(), dtype=np.float64) for line in errors.lines}
    assert set(drawn) == {"residual", "left-out points", "random error", "left-out surface"}
    np.testing.assert_array_equal(drawn["residual"], columns()["residual_db"])
    assert errors.get_ylim() == (-60.0, -30.0)
    # a lone value is a dot, and a dot in the key
    dots = next(line for line in errors.lines if line.get_marker() == "s")
    assert np.asarray(dots.get_ydata()).tolist() == [-44.0]
    degrees = panel(table(), "degree")
    regular = next(line for line in degrees.lines if line.get_label() == "arriving from the room")
    np.testing.assert_array_equal(np.isfinite(np.asarray(regular.get_ydata(), dtype=np.float64)), LOW)


def test_values_beyond_any_axis_stay_at_its_edge() -> None:
    assert panel(table(), "condition").get_ylim() == (1.0, 1e9)
    assert panel(table(residual_db=np.full(30, -np.inf)), "error").get_ylim()[0] == -120.0


@pytest.mark.parametrize(
    ("closure", "limits"),
    [(1.2, (0.0, 2.0)), (8.0, (0.0, 10.0)), (-0.5, (-1.0, 2.0)), (500.0, (0.0, 100.0)), (-7.0, (-10.0, 2.0))],
)
def test_the_power_closure_finds_its_range(closure: float, limits: tuple[float, float]) -> None:
    assert panel(table(power_closure=np.full(30, closure)), "power closure").get_ylim() == limits


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("level_uncertainty_db", "uncertainty"),
        ("noise_gain_db", "noise gain"),
        ("condition", "condition"),
        ("leakage_db", "leakage"),
        ("power_closure", "power closure"),
    ],
)
def test_a_panel_without_values_says_so(name: str, words: str) -> None:
    empty = panel(table(**{name: np.full(30, np.nan)}), words)
    assert [text.get_text() for text in empty.texts] == ["not known"]
    without = Table.of_columns("quality", {key: value for key, value in columns().items() if key != name}, {})
    assert [text.get_text() for text in panel(without, words).texts] == ["not known"]


def test_gated_share_and_verdict_are_shown() -> None:
    figure = quality_figure(table(), title="box")
    assert figure is not None
    words = all_words(figure)
    for told in ("gated share", "from gated responses", "verdict", "caution", "unmarked: good"):
        assert told in words
    ungated = quality_figure(table(gated_share=np.full(30, np.nan)), title="box")
    assert ungated is not None
    assert "from gated responses" not in all_words(ungated)
    assert svg_bytes(figure) == svg_bytes(quality_figure(table(), title="box"))  # type: ignore[arg-type]


def test_verdicts_alone_make_no_figure() -> None:
    bare = Table.of_columns("quality", {"frequency_hz": FREQUENCY_HZ, "verdict_code": np.zeros(30)}, {})
    assert quality_figure(bare, title="") is None


def test_a_single_row_and_rows_beyond_the_axis_are_drawn() -> None:
    one = Table("quality", table().header, table().values[:1], {})
    far = Table.of_columns("quality", {**columns(), "frequency_hz": FREQUENCY_HZ * 1e4}, {})
    for quality in (one, far):
        figure = quality_figure(quality, title="")
        assert figure is not None
        assert len(svg_bytes(figure)) > 1000
