"""The files: the same bytes every time, well-formed whatever the title, whole whatever the numbers."""

from __future__ import annotations

import gc
import struct
import subprocess
import sys
import weakref
from collections.abc import Callable
from dataclasses import replace
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest

from fieldproc.conventions import Floats
from fieldproc.records import Table
from fieldproc.report import curve_family, draw, level_map, style

DRAWN = ("cta2034a", "in_room", "horizontal", "horizontal_absolute", "vertical", "vertical_absolute", "polar")
NAMES = {f"{name}.{kind}" for name in DRAWN for kind in ("svg", "png")}
HOSTILE_TITLES = [
    "",
    "a $x_{ b$",
    r"\frac{1}{0} $\undefined$",
    "<script>alert(1)</script> & ]]> <!--",
    "\x00\x01\x1b[31m\x7f\x85\ufffe\uffff",
    "lone \ud800 surrogate and \U0010ffff",
    "\u202eright to left\u2066",
    "line\nline\r\nline\u2028line",
    "W" * 5000,
]
MakeTables = Callable[[Floats], dict[str, Table]]


@pytest.fixture
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    """A quarter of the resolution: whether a figure is whole does not depend on it, the time does."""
    monkeypatch.setattr(style, "PNG_DPI", style.PNG_DPI // 4)


def png_chunks(data: bytes) -> list[bytes]:
    """Names of the chunks of a PNG file (ISO/IEC 15948: length, name, data, check sum)."""
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    names, place = [], 8
    while place < len(data):
        (length,) = struct.unpack(">I", data[place : place + 4])
        names.append(data[place + 4 : place + 8])
        place += length + 12
    return names


def with_values(tables: dict[str, Table], rows: slice, value: float) -> dict[str, Table]:
    """The tables with all levels of some rows replaced; the quality table stays."""
    changed = {}
    for name, table in tables.items():
        values = table.values.copy()
        if name != "quality":
            values[rows, 1:] = value
        changed[name] = replace(table, values=values)
    return changed


def assert_whole(files: dict[str, bytes], *without: str) -> None:
    assert set(files) == {name for name in NAMES if not name.startswith(without)}
    for name, data in files.items():
        if name.endswith("svg"):
            assert ElementTree.fromstring(data).tag == "{http://www.w3.org/2000/svg}svg"
        else:
            assert png_chunks(data)[-1] == b"IEND"


@pytest.mark.usefixtures("_small")
def test_same_tables_give_same_bytes_whatever_the_surroundings(tables: dict[str, Table]) -> None:
    first = draw(tables, "sample")
    with matplotlib.rc_context({"font.size": 30.0, "savefig.bbox": "tight", "svg.hashsalt": "other"}):
        second = draw(tables, "sample")
    assert set(first) == NAMES
    assert first == second


def test_files_carry_no_date_and_no_version(tables: dict[str, Table]) -> None:
    files = draw({"cta2034a": tables["cta2034a"]}, "sample")
    assert set(png_chunks(files["cta2034a.png"])) <= {b"IHDR", b"pHYs", b"IDAT", b"IEND"}
    text = files["cta2034a.svg"].decode("utf-8")
    assert "dc:date" not in text
    assert matplotlib.__version__ not in text


@pytest.mark.usefixtures("_small")
@pytest.mark.parametrize("title", HOSTILE_TITLES, ids=range(len(HOSTILE_TITLES)))
def test_any_title_gives_well_formed_files(make_tables: MakeTables, title: str) -> None:
    tables = make_tables(np.geomspace(20.0, 20_000.0, 8))
    files = draw({"cta2034a": tables["cta2034a"]}, title)
    assert png_chunks(files["cta2034a.png"])[-1] == b"IEND"
    document = ElementTree.fromstring(files["cta2034a.svg"])
    assert "script" not in {element.tag.rpartition("}")[2] for element in document.iter()}


def test_a_long_title_stays_inside_the_figure(tables: dict[str, Table]) -> None:
    figure = curve_family(tables["cta2034a"], title="W" * 5000)
    heading = figure.texts[0]
    assert heading.get_text().endswith("W…")
    assert heading.get_window_extent().x1 < figure.bbox.x1


@pytest.mark.usefixtures("_small")
@pytest.mark.parametrize(
    "frequency_hz",
    [
        np.array([1000.0]),
        np.array([500.0, 1000.0]),
        np.geomspace(20.0, 20_000.0, 8),
        np.linspace(0.0, 48_000.0, 65)[1:],
        np.array([1.0, 2.0]),
    ],
    ids=["one", "two", "eight", "even spacing", "off the axis"],
)
def test_any_frequencies_give_whole_figures(make_tables: MakeTables, frequency_hz: Floats) -> None:
    tables = make_tables(frequency_hz)
    # drawn by what draws the horizontal ones
    del tables["vertical"]
    # polar diagrams are of octaves from 250 Hz
    assert_whole(draw(tables, "sample"), "vertical", *(["polar"] if frequency_hz.max() < 250.0 else []))


@pytest.mark.usefixtures("_small")
def test_zero_hertz_is_left_out(make_tables: MakeTables) -> None:
    tables = {}
    for name, table in make_tables(np.linspace(0.0, 20_000.0, 33)[1:]).items():
        tables[name] = replace(table, values=np.vstack([np.zeros((1, table.values.shape[1])), table.values]))
    assert_whole(draw(tables, "sample"))


@pytest.mark.usefixtures("_small")
@pytest.mark.parametrize(
    ("rows", "value"),
    [
        (slice(None), np.nan),
        (slice(None), -np.inf),
        (slice(0, 5), np.nan),
        (slice(4, 5), -np.inf),
        (slice(3, None), np.inf),
    ],
    ids=str,
)
def test_undefined_values_give_whole_figures(make_tables: MakeTables, rows: slice, value: float) -> None:
    tables = with_values(make_tables(np.geomspace(20.0, 20_000.0, 8)), rows, value)
    del tables["vertical"]
    # polar diagrams need a level on the axis near an octave, of 1 or 8 kHz here
    octaves = np.isfinite(tables["horizontal"].column("level_+000_db")[[4, 6]])
    assert_whole(draw(tables, "sample"), "vertical", *([] if octaves.any() else ["polar"]))


def test_only_tables_that_are_there_are_drawn(tables: dict[str, Table]) -> None:
    assert draw({}, "sample") == {}
    drawn = {"vertical", "vertical_absolute", "polar"}
    assert {name.split(".")[0] for name in draw({"vertical": tables["vertical"]}, "sample")} == drawn


def test_figures_are_let_go(tables: dict[str, Table]) -> None:
    figures = [
        curve_family(tables["cta2034a"], tables["quality"], title=""),
        level_map(tables["vertical"], "vertical", title=""),
    ]
    remains = [weakref.ref(figure) for figure in figures]
    del figures
    gc.collect()
    assert [remain() for remain in remains] == [None, None]


def test_drawing_needs_no_pyplot() -> None:
    script = "import sys, fieldproc.report as r; r.draw({}, ''); print('matplotlib.pyplot' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
