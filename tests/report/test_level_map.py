"""The level map: sides, contours, colours, verdict bands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure

from fieldproc.conventions import POLAR_ANGLES_DEG, Floats
from fieldproc.records import Table, Verdict
from fieldproc.report import level_map, panels, style
from fieldproc.report.maps import CONTOURS_DB, Plane

ANGLES_DEG = np.array(POLAR_ANGLES_DEG, dtype=np.float64)
HEADER = ("frequency_hz", *(f"level_{angle:+04d}_db" for angle in POLAR_ANGLES_DEG))
MakeTables = Callable[[Floats], dict[str, Table]]
FREQUENCY_HZ = np.geomspace(20.0, 20_000.0, 60)


def same_at_all_frequencies(level_db: Floats, frequency_hz: Floats = FREQUENCY_HZ) -> Table:
    rows = np.column_stack([frequency_hz, np.tile(level_db, (len(frequency_hz), 1))])
    return Table("horizontal", HEADER, rows, {})


def map_axes(figure: Figure) -> Axes:
    return next(axes for axes in figure.axes if axes.get_ylim() == (-180.0, 180.0))


def bar_axes(figure: Figure) -> Axes:
    return next(axes for axes in figure.axes if axes.get_xlim() == (0.0, 1.0))


def pixel(figure: Figure, axes: Axes, place: tuple[float, float]) -> Floats:
    """Colour (0 to 255) of the rendered figure at a place in data coordinates."""
    canvas = FigureCanvasAgg(figure)
    with style.applied():
        canvas.draw()
    image = np.asarray(canvas.buffer_rgba(), dtype=np.float64)
    x, y = axes.transData.transform(place)
    return image[image.shape[0] - 1 - int(y), int(x), :3]


def key_words(figure: Figure) -> list[str]:
    return [text.get_text() for legend in figure.legends for text in legend.get_texts()]


def contour_lines(axes: Axes) -> QuadContourSet:
    return next(item for item in axes.collections if isinstance(item, QuadContourSet) and not item.filled)


@pytest.mark.parametrize(("plane", "side"), [("horizontal", "left"), ("vertical", "up")])
@pytest.mark.parametrize("normalised", [True, False])
def test_louder_at_positive_angles_is_brighter_on_the_side_so_labelled(
    plane: Plane, side: str, normalised: bool
) -> None:
    level_db = np.where(np.abs(ANGLES_DEG - 40.0) <= 20.0, -4.0, -25.0)
    level_db[ANGLES_DEG == 0.0] = 0.0
    figure = level_map(same_at_all_frequencies(level_db), plane, title="", normalised=normalised)
    axes = map_axes(figure)
    at_plus_40, at_minus_40 = (pixel(figure, axes, (1000.0, angle)).sum() for angle in (40.0, -40.0))
    # Of 765; the map spans about 500 over 30 dB, and these differ by 20 dB.
    assert at_plus_40 > at_minus_40 + 100.0
    words = {text.get_text(): tick for text, tick in zip(axes.get_yticklabels(), axes.get_yticks(), strict=True)}
    labelled = [tick for text, tick in words.items() if text.endswith(side)]
    assert len(labelled) == 5
    half = [axes.transData.transform((1000.0, tick))[1] for tick in labelled]
    axis_px, plus_px = (axes.transData.transform((1000.0, angle))[1] for angle in (0.0, 40.0))
    assert all((place - axis_px) * (plus_px - axis_px) > 0 for place in half)


def test_contours_lie_where_the_level_says() -> None:
    # Falling by 0.12 dB per degree: -3, -6, -12 dB at 25, 50, 100 degrees.
    axes = map_axes(level_map(same_at_all_frequencies(80.0 - 0.12 * np.abs(ANGLES_DEG)), "horizontal", title=""))
    lines = contour_lines(axes)
    assert tuple(lines.levels) == CONTOURS_DB
    for level_db, path in zip(lines.levels, lines.get_paths(), strict=True):
        # Linear interpolation of a straight slope is exact; 1e-9 is rounding at levels near 80 dB.
        np.testing.assert_allclose(np.abs(path.vertices[:, 1]), level_db / -0.12, rtol=1e-9)


def test_the_key_tells_the_contours_apart(tables: dict[str, Table]) -> None:
    figure = level_map(tables["horizontal"], "horizontal", title="")
    (legend,) = figure.legends
    texts, lines = legend.get_texts()[-3:], legend.get_lines()
    minus = "\N{MINUS SIGN}"
    assert [text.get_text() for text in texts] == [f"{minus}3 dB", f"{minus}6 dB", f"{minus}12 dB re the axis"]
    drawn = contour_lines(map_axes(figure))
    assert [line.get_linewidth() for line in lines] == list(drawn.get_linewidths())[::-1]
    assert [line.get_linestyle() for line in lines] == [":", "-", "--"]
    assert list(drawn.linestyles) == ["dashed", "solid", "dotted"]
    assert not map_axes(figure).texts


def test_contours_and_colours_reach_half_a_step_beyond_the_rows() -> None:
    # Rows an octave apart, without numbers at 400 Hz: half a step is a factor of the square root of two.
    table = same_at_all_frequencies(-0.12 * np.abs(ANGLES_DEG), np.array([100.0, 200.0, 400.0, 800.0, 1600.0]))
    values = table.values.copy()
    values[2, 1:] = np.nan
    figure = level_map(replace(table, values=values), "horizontal", title="")
    axes = map_axes(figure)
    for path in contour_lines(axes).get_paths():
        reached = np.unique(path.vertices[:, 0])
        # 1e-12: rounding of logarithms.
        limits_hz = reached[[0, -1]], reached[[3, 4]]
        np.testing.assert_allclose(limits_hz, np.sqrt(2) * np.array([[50, 1600], [200, 400]]), rtol=1e-12)
    for limit_hz, way in ((50, 1), (1600, -1), (200, -1), (400, 1)):
        # At 5 degrees, where no contour runs.
        inside, outside = (
            pixel(figure, axes, (limit_hz * np.sqrt(2) * factor, 5.0)) for factor in (1.04**way, 1.04**-way)
        )
        assert np.ptp(inside) > 50.0
        # Dots in grey on white.
        assert np.ptp(outside) < 15.0
    assert "no data" in key_words(figure)


def test_a_dip_of_2_db_near_the_axis_shows() -> None:
    level_db = np.where(np.abs(ANGLES_DEG - 40.0) <= 10.0, -2.0, 0.0)
    figure = level_map(same_at_all_frequencies(level_db), "horizontal", title="")
    dip, level, ripple = (pixel(figure, map_axes(figure), (1000.0, angle)) for angle in (40.0, 0.0, -40.0))
    # Of 255 per channel; steps of a scale of twelve colours differ by about 20.
    assert np.abs(dip - level).max() > 15.0
    np.testing.assert_array_equal(level, ripple)


def test_contours_stay_out_of_what_is_not_to_be_used(tables: dict[str, Table]) -> None:
    rows_hz = tables["quality"].column("frequency_hz")
    table = same_at_all_frequencies(-0.12 * np.abs(ANGLES_DEG), rows_hz)
    axes = map_axes(level_map(table, "horizontal", tables["quality"], title=""))
    frequency_hz = np.concatenate([path.vertices[:, 0] for path in contour_lines(axes).get_paths()])
    edges_hz = panels.cell_edges(rows_hz)
    # The band ends midway between the rows on either side of 50 Hz and 8 kHz. 1e-12: rounding of logarithms.
    limits_hz = edges_hz[np.searchsorted(rows_hz, [50.0, 8000.0])]
    np.testing.assert_allclose([frequency_hz.min(), frequency_hz.max()], limits_hz, rtol=1e-12)


def test_bands_not_to_be_used_are_hatched(tables: dict[str, Table]) -> None:
    figure = level_map(tables["horizontal"], "horizontal", tables["quality"], title="")
    patches = [patch for patch in map_axes(figure).patches if patch.get_hatch() != style.NO_DATA_HATCH]
    patches.sort(key=lambda patch: patch.get_x())
    assert [patch.get_hatch() for patch in patches] == [style.HATCH, style.HATCH]
    below, above = patches
    # Bands end midway between two rows: within 1.5 % of the 50 Hz and 8 kHz of the fixture.
    assert below.get_x() + below.get_width() == pytest.approx(50.0, rel=0.015)
    assert above.get_x() == pytest.approx(8000.0, rel=0.015)
    assert key_words(figure)[:-3] == ["unmarked: good", "caution", "do not use"]


def test_all_good_differs_from_not_judged(tables: dict[str, Table]) -> None:
    good = tables["quality"].values * [1.0, 0.0]
    judged, unjudged = (
        level_map(tables["horizontal"], "horizontal", quality, title="")
        for quality in (replace(tables["quality"], values=good), None)
    )
    assert key_words(judged)[:-3] == ["unmarked: good"]
    assert key_words(unjudged)[:-3] == ["not judged"]
    # The rail above the map is there once something was judged.
    assert len(judged.axes) == len(unjudged.axes) + 1


def test_the_longest_key_stays_inside_the_figure(make_tables: MakeTables) -> None:
    tables = make_tables(np.geomspace(25.0, 15_000.0, 60))
    figure = level_map(tables["horizontal"], "horizontal", tables["quality"], title="")
    (legend,) = figure.legends
    assert len(legend.get_texts()) == 7
    FigureCanvasAgg(figure).draw()
    assert legend.get_window_extent().x1 < figure.bbox.x1


@pytest.mark.parametrize(("normalised", "level_db"), [(True, -7.5), (False, 63.0)])
def test_the_colour_bar_tells_the_level(normalised: bool, level_db: float) -> None:
    relative_db = level_db if normalised else level_db - 80.0
    levels = 80.0 + np.where(ANGLES_DEG == 0.0, 0.0, relative_db)
    figure = level_map(same_at_all_frequencies(levels), "horizontal", title="", normalised=normalised)
    on_map = pixel(figure, map_axes(figure), (1000.0, 100.0))
    on_bar = pixel(figure, bar_axes(figure), (0.5, level_db))
    np.testing.assert_array_equal(on_map, on_bar)
    words = "level in dB re the axis" if normalised else "sound pressure level in dB re 20 µPa"
    assert bar_axes(figure).get_ylabel() == words


def test_silence_is_drawn_and_undefined_is_dotted(tables: dict[str, Table]) -> None:
    values = tables["horizontal"].values.copy()
    frequency_hz = values[:, 0]
    values[(frequency_hz > 300.0) & (frequency_hz < 600.0), 1:] = np.nan
    values[:, 1 + int(np.flatnonzero(ANGLES_DEG == 90.0)[0])] = -np.inf
    figure = level_map(replace(tables["horizontal"], values=values), "horizontal", title="")
    axes = map_axes(figure)
    # Dots in grey on white, unlike any colour of the map.
    undefined = pixel(figure, axes, (420.0, -90.0))
    assert np.ptp(undefined) < 15.0
    assert undefined.min() > 140.0
    assert style.NO_DATA_HATCH in {patch.get_hatch() for patch in axes.patches}
    silent, loud = (pixel(figure, axes, (2000.0, angle)).sum() for angle in (90.0, 0.0))
    assert silent < loud / 2
    assert "no data" in key_words(figure)
    assert "no data" not in key_words(level_map(tables["horizontal"], "horizontal", title=""))


def test_a_level_that_must_not_be_used_is_dotted_and_its_neighbours_are_not(tables: dict[str, Table]) -> None:
    columns = {name: tables["horizontal"].column(name) for name in tables["horizontal"].header}
    frequency_hz = columns["frequency_hz"]
    columns |= {f"level_{angle:+04d}_verdict_code": np.zeros(len(frequency_hz)) for angle in POLAR_ANGLES_DEG}
    columns["level_+040_verdict_code"] = np.where(frequency_hz > 1000.0, Verdict.DO_NOT_USE, Verdict.CAUTION)
    figure = level_map(Table.of_columns("horizontal", columns, {}), "horizontal", tables["quality"], title="")
    axes = map_axes(figure)
    unsure, sure, below = (pixel(figure, axes, (hertz, angle)) for hertz, angle in ((3e3, 40), (3e3, 20), (700, 40)))
    # dots in grey on white, unlike any colour of the map
    assert np.ptp(unsure) < 15.0
    assert unsure.min() > 140.0
    assert min(np.ptp(sure), np.ptp(below)) > 15.0
    (legend,) = figure.legends
    assert "no data or unsure" in key_words(figure)
    # the longest key there is
    assert len(legend.get_texts()) == 7
    assert legend.get_window_extent().x1 < figure.bbox.x1


def test_columns_that_are_missing_are_named(tables: dict[str, Table]) -> None:
    with pytest.raises(KeyError, match=r"no column level_\+000_db"):
        level_map(
            Table("horizontal", ("frequency_hz", "level_+180_db"), np.ones((2, 2)), {}),
            "horizontal",
            title="",
        )
    with pytest.raises(KeyError, match="no column verdict_code"):
        level_map(tables["horizontal"], "horizontal", tables["horizontal"], title="")
