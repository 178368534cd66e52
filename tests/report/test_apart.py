"""Does every pair of curves that share a panel stay apart, in grey, in deuteranopia and protanopia?

Measured on the figures as drawn: the CIE 1976 colour difference of what a reader sees (colour math and its sources in
``seen_colors.py``), and dash patterns. A pair is apart if their dashes are unlike and their colours differ by
12 (five times the just noticeable 2.3), or if their colours differ by 20 in every vision, grey included.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from seen_colors import DEFICIENCIES, lab, linear_light

from fieldproc.conventions import POLAR_ANGLES_DEG
from fieldproc.records import Table
from fieldproc.report import curve_family, directivity_figure, polar_figure, style

Look = tuple[str, tuple[float, ...]]
FREQUENCY_HZ = np.geomspace(20.0, 20_000.0, 60)


def directivity() -> Figure:
    names = ["directivity_index_db", "horizontal_coverage_deg", "vertical_coverage_deg"]
    sides = [f"{plane}_coverage_{side}_deg" for plane, side in
             (("horizontal", "left"), ("horizontal", "right"), ("vertical", "up"), ("vertical", "down"))]  # fmt: skip
    columns = {name: np.full(60, 10.0) for name in [*names, *sides]}
    curves = {f"{name}_di_db": np.full(60, 5.0) for name in ("early_reflections", "sound_power")}
    tables = [Table.of_columns("", {"frequency_hz": FREQUENCY_HZ} | made, {}) for made in (columns, curves)]
    return directivity_figure(*tables, title="")


def polar() -> Figure:
    columns = {f"level_{angle:+04d}_db": np.zeros(9) for angle in POLAR_ANGLES_DEG}
    table = Table.of_columns("", {"frequency_hz": 125.0 * 2.0 ** np.arange(9)} | columns, {})
    figure = polar_figure({"horizontal": table, "vertical": table}, title="")
    assert figure is not None
    return figure


def family() -> Figure:
    names = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room_estimate",
             "early_reflections_di", "sound_power_di")  # fmt: skip
    columns = {f"{name}_db": np.zeros(60) for name in names}
    return curve_family(Table.of_columns("", {"frequency_hz": FREQUENCY_HZ} | columns, {}), title="")


def look_of(line: Line2D) -> Look:
    """Colour, and dashes in line widths."""
    _, dashes = line._dash_pattern
    width = line.get_linewidth()
    return to_hex(line.get_color()), tuple(round(dash / width, 3) for dash in dashes or ())


def looks_of(axes: Axes) -> set[Look]:
    return {look_of(line) for line in axes.lines if len(np.asarray(line.get_xdata())) > 2}


def distance(one: str, other: str) -> float:
    """Least CIE 1976 difference of two colours, whoever looks; grey has the lightness alone."""
    seen = [
        [lab(np.clip(matrix @ linear_light(color), 0, 1)) for color in (one, other)]
        for matrix in DEFICIENCIES.values()
    ]
    grey = abs(lab(linear_light(one))[0] - lab(linear_light(other))[0])
    return min(float(grey), *(float(np.linalg.norm(a - b)) for a, b in seen))


def coloured(one: str, other: str) -> float:
    """The same without grey, where dashes must do."""
    return min(
        float(np.linalg.norm(np.subtract(*(lab(np.clip(matrix @ linear_light(c), 0, 1)) for c in (one, other)))))
        for matrix in DEFICIENCIES.values()
    )


def unlike(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    """Another number of strokes in a period, or strokes at least twice as long."""
    longest = sorted(max(dash[::2], default=np.inf) for dash in (one, other))
    return len(one) != len(other) or longest[1] >= 2 * longest[0]


@pytest.mark.parametrize(("draw", "panels"), [(family, [5, 2]), (directivity, [3, 2, 1, 1]), (polar, [4, 4, 3, 3])])
def test_curves_of_a_panel_stay_apart(draw: Callable[[], Figure], panels: list[int]) -> None:
    found = []
    for axes in draw().axes:
        looks = looks_of(axes)
        found.append(len(looks))
        for (color, dash), (other, other_dash) in itertools.combinations(looks, 2):
            apart = distance(color, other) >= 20.0
            assert apart or (unlike(dash, other_dash) and coloured(color, other) >= 12.0), (color, other)
    assert sorted(found) == sorted(panels)


def test_no_two_octaves_have_one_colour() -> None:
    colors = [color for color, _ in style.OCTAVE_LOOKS]
    lightness = [lab(linear_light(color))[0] for color in colors]
    # one after the other lighter: grey keeps their order
    assert np.diff(lightness).min() > 8.0
    assert min(coloured(*pair) for pair in itertools.combinations(colors, 2)) >= 12.0


def test_the_measure_can_fail() -> None:
    assert distance("#2440b8", "#2440b9") < 2.3
    assert not unlike((2.8, 1.4), (3.5, 1.4))
    # red and green of one lightness are apart for most, not for all
    assert (
        coloured("#c04040", "#807020")
        < 20.0
        < np.linalg.norm(lab(linear_light("#c04040")) - lab(linear_light("#807020")))
    )
