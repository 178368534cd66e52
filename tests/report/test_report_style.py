"""Can every line be told from every other, by every reader and on every printer?"""

from __future__ import annotations

import itertools

import matplotlib
import numpy as np
import pytest
from seen_colors import DEFICIENCIES, lab, linear_light

from fieldproc.report import style
from fieldproc.report.curves import INDEX_COLUMNS, LEVEL_COLUMNS

PAIRS = list(itertools.combinations(style.PENS, 2))


def lightness(name: str) -> float:
    return float(lab(linear_light(style.PENS[name].color))[0])


def test_lab_of_srgb_red() -> None:
    # L*a*b* of the sRGB red primary, a figure printed in many colour handbooks (from memory).
    expected = [53.24, 80.09, 67.20]
    # 0.03: the matrix of the standard has four digits, the figures stem from one with more.
    np.testing.assert_allclose(lab(linear_light("#ff0000")), expected, atol=0.03)


@pytest.mark.parametrize(
    # CIE 1976 colour difference; about 2.3 is just noticeable (Mahy et al. 1994, from memory), and lines are
    # thin, so ten times that is asked for, somewhat less for the rarer protanopia.
    ("deficiency", "least"),
    [("none", 30.0), ("deuteranopia", 25.0), ("protanopia", 20.0)],
)
def test_every_pair_of_line_colours_differs(deficiency: str, least: float) -> None:
    seen = {
        name: lab(np.clip(DEFICIENCIES[deficiency] @ linear_light(pen.color), 0, 1))
        for name, pen in style.PENS.items()
    }
    distances = {pair: np.linalg.norm(seen[pair[0]] - seen[pair[1]]) for pair in PAIRS}
    assert min(distances.values()) > least, min(distances.items(), key=lambda item: item[1])


@pytest.mark.parametrize("panel", [LEVEL_COLUMNS, INDEX_COLUMNS])
def test_lines_of_one_panel_differ_in_grey_and_in_dashes(panel: tuple[str, ...]) -> None:
    steps = np.diff(sorted(lightness(name) for name in panel))
    # L* runs from 0 to 100; 8 is a step that a grey scale of a dozen fields has.
    assert steps.min() > 8.0
    for one, other in itertools.combinations(panel, 2):
        dashes = style.PENS[one].dash, style.PENS[other].dash
        strokes = [len(dash) // 2 for dash in dashes]
        longest = sorted(max(dash[::2], default=np.inf) for dash in dashes)
        # Another number of strokes in a period, or strokes at least twice as long.
        assert strokes[0] != strokes[1] or longest[1] >= 2 * longest[0], (one, other)


def test_lines_stand_out_from_paper_and_hatching() -> None:
    assert max(lightness(name) for name in style.PENS) < 70.0
    assert lab(linear_light(style.CAUTION_FILL))[0] > 85.0


def test_level_map_grows_evenly_lighter() -> None:
    colours = matplotlib.colormaps[style.LEVEL_MAP](np.linspace(0, 1, 13))
    steps = np.diff([lab(linear_light(matplotlib.colors.to_hex(colour)))[0] for colour in colours])
    assert steps.min() > 4.0
    # Even steps: none more than twice any other.
    assert steps.max() < 2 * steps.min()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a $x_{ b$", "a $x_{ b$"),
        ("one\ntwo\tthree", "one two three"),
        ("\x1b[31mred\x00\x85\u202eevil", "[31mred evil"),
        ("lone \ud800 surrogate", "lone surrogate"),
        ("\u6f22", "\ufffd"),
        ("   ", ""),
    ],
)
def test_plain_text(text: str, expected: str) -> None:
    assert style.plain_text(text) == expected


def test_long_text_ends_in_an_ellipsis() -> None:
    assert style.plain_text("x" * 1000, longest=10) == "x" * 9 + "…"


def test_style_neither_leaks_nor_listens() -> None:
    with matplotlib.rc_context({"font.size": 33.0, "axes.facecolor": "red"}):
        before = dict(matplotlib.rcParams)
        with style.applied():
            assert matplotlib.rcParams["font.size"] == style.SIZE_PT
            assert matplotlib.rcParams["axes.facecolor"] == "white"
        assert dict(matplotlib.rcParams) == before


def test_signed() -> None:
    assert style.signed(-6.0) == "\N{MINUS SIGN}6"
    assert style.signed(30.0, plus=True) == "+30"
