"""SVG files are small: rounded places, dense artists as pictures. What is drawn stays where it was."""

from __future__ import annotations

import re
from io import BytesIO
from xml.etree import ElementTree

import numpy as np

from fieldproc.records import Table
from fieldproc.report import curve_family, draw, style

PLACES = re.compile(r"-?\d+(?:\.\d+)?")


def places(svg: bytes) -> np.ndarray:
    """Numbers of all paths, one after another."""
    paths = [element.get("d", "") for element in ElementTree.fromstring(svg).iter() if element.tag.endswith("}path")]
    return np.array([float(number) for path in paths for number in PLACES.findall(path)])


def test_places_are_rounded_to_a_tenth_of_a_point(tables: dict[str, Table]) -> None:
    with style.applied():
        buffer = BytesIO()
        curve_family(tables["cta2034a"], title="sample").savefig(buffer, format="svg", metadata={"Date": None})
    whole = buffer.getvalue()
    small = draw({"cta2034a": tables["cta2034a"]}, "sample")["cta2034a.svg"]
    # half of a tenth, and rounding of what is halfway
    np.testing.assert_allclose(places(small), places(whole), rtol=0.0, atol=0.05 + 1e-9)
    # the rest are glyphs and markup
    assert len(small) < 0.8 * len(whole)


def test_no_map_is_large(tables: dict[str, Table]) -> None:
    # with gaps, which are dotted: as outlines these dots were 100 kB
    values = tables["horizontal"].values.copy()
    values[100:120, 1:] = np.nan
    gaps = {"horizontal": Table("horizontal", tables["horizontal"].header, values, {}), "quality": tables["quality"]}
    files = draw(gaps, "sample")
    for name in ("horizontal.svg", "horizontal_absolute.svg"):
        assert b"data:image/png" in files[name]
        assert len(files[name]) < 150_000
