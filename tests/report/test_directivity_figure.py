"""Indices with their bands, coverage angles to either side, and where they are not reached."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from fieldproc.conventions import Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import directivity_figure, style

FREQUENCY_HZ = np.geomspace(20.0, 20_000.0, 60)
SIDES = ("horizontal_coverage_left", "horizontal_coverage_right", "vertical_coverage_up", "vertical_coverage_down")
REACHED = FREQUENCY_HZ > 500.0


def table_of(*, reach_deg: float = 5.0) -> Table:
    """Left 40, right 70, up 20, down 30 degrees, above 500 Hz; an index of 6 dB."""
    columns: dict[str, Floats] = {"frequency_hz": FREQUENCY_HZ, "directivity_index_db": np.full(60, 6.0)}
    columns |= {"directivity_index_low_db": np.full(60, 5.0), "directivity_index_high_db": np.full(60, 7.0)}
    angles = dict(zip(SIDES, (40.0, 70.0, 20.0, 30.0), strict=True))
    angles |= {"horizontal_coverage": 110.0, "vertical_coverage": 50.0}
    for name, angle_deg in angles.items():
        value = np.where(REACHED, angle_deg, np.nan)
        columns |= {f"{name}_deg": value, f"{name}_low_deg": value - reach_deg, f"{name}_high_deg": value + reach_deg}
    return Table.of_columns("directivity", columns, {})


def panels_of(figure: Figure) -> list[Axes]:
    """Indices, full angles, horizontal and vertical ends."""
    return sorted(figure.axes, key=lambda axes: -axes.get_position().y0)


def heights(axes: Axes, *, where: bool, color: str) -> set[float]:
    """What curves (``where``) or strokes of two points stand at."""
    lines = [
        line for line in axes.lines if to_hex(line.get_color()) == color and line.get_transform() == axes.transData
    ]
    chosen = [np.asarray(line.get_ydata()) for line in lines if (len(line.get_xdata()) > 2) == where]
    return {float(value) for values in chosen for value in values if np.isfinite(value)}


def test_ends_of_the_coverage_stand_on_their_sides() -> None:
    _, full, horizontal, vertical = panels_of(directivity_figure(table_of(), title=""))
    colors = {plane: pen.color for plane, pen in style.PLANE_PENS.items()}
    assert heights(full, where=True, color=colors["horizontal"]) == {110.0}
    assert heights(full, where=True, color=colors["vertical"]) == {50.0}
    assert heights(horizontal, where=True, color=colors["horizontal"]) == {40.0, -70.0}
    assert heights(vertical, where=True, color=colors["vertical"]) == {20.0, -30.0}
    words = dict(
        zip(horizontal.get_yticks(), (text.get_text() for text in horizontal.get_yticklabels()), strict=True)
    )
    assert words[60.0] == "+60° left"
    assert words[-60.0] == "\N{MINUS SIGN}60° right"


def test_what_is_not_reached_is_said_so() -> None:
    _, full, horizontal, _ = panels_of(directivity_figure(table_of(), title=""))
    color = style.PLANE_PENS["horizontal"].color
    assert heights(horizontal, where=False, color=color) == {180.0, -180.0}
    words = dict(
        zip(horizontal.get_yticks(), (text.get_text() for text in horizontal.get_yticklabels()), strict=True)
    )
    assert words[180.0] == words[-180.0] == "not reached"
    (stroke,) = (line for line in full.lines if to_hex(line.get_color()) == color and len(line.get_xdata()) == 2)
    # up to midway between the last row without and the first row with an angle
    edge_hz = np.sqrt(FREQUENCY_HZ[~REACHED][-1] * FREQUENCY_HZ[REACHED][0])
    np.testing.assert_allclose(np.asarray(stroke.get_xdata())[1], edge_hz, rtol=1e-12)


def test_bands_lie_about_the_curves_on_either_side() -> None:
    index, _, horizontal, _ = panels_of(directivity_figure(table_of(), title=""))
    reached = [band.get_paths()[0].vertices[:, 1] for band in horizontal.collections]
    assert sorted((values.min(), values.max()) for values in reached) == [(-75.0, -65.0), (35.0, 45.0)]
    (band,) = (band.get_paths()[0].vertices[:, 1] for band in index.collections)
    assert (band.min(), band.max()) == (5.0, 7.0)


def test_bands_end_where_nothing_must_be_used() -> None:
    code = np.where(FREQUENCY_HZ > 5000.0, Verdict.DO_NOT_USE, Verdict.GOOD)
    quality = Table.of_columns("quality", {"frequency_hz": FREQUENCY_HZ, "verdict_code": code}, {})
    index = panels_of(directivity_figure(table_of(), None, quality, title=""))[0]
    highest_hz = max(band.get_paths()[0].vertices[:, 0].max() for band in index.collections)
    assert highest_hz == FREQUENCY_HZ[FREQUENCY_HZ <= 5000.0][-1]


def test_indices_of_the_standard_join_where_their_table_is_there(tables: dict[str, Table]) -> None:
    rows = tables["cta2034a"].values[::4]
    curves = Table("cta2034a", tables["cta2034a"].header, rows, {})
    directivity = table_of()
    assert len(rows) == len(directivity.values)
    for table, words in (
        (curves, {"directivity index", "early reflections DI", "sound power DI"}),
        (None, {"directivity index"}),
    ):
        index = panels_of(directivity_figure(directivity, table, title=""))[0]
        assert {text.get_text() for text in index.texts} == words
