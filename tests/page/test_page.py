"""The page as a document: valid, whole, small, and deaf to what files say of themselves."""

from __future__ import annotations

import copy
import itertools
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import html5lib
import pytest

from fieldproc.page import Sphere
from fieldproc.page import page as page_module
from fieldproc.page.page import page_bytes
from fieldproc.page.words import holdable, interval_words, value_words
from fieldproc.records import Scalar, Table
from fieldproc.results import read_field, read_table
from fieldproc.settings import Settings, dump_settings

HTML = "{http://www.w3.org/1999/xhtml}"
PAYLOADS = (
    '"',
    "'",
    "\"'><b>bold</b>",
    "<script>window.reached = 1</script>",
    "</script><script>window.reached = 1</script>",
    "</title></h1></main>",
    "<img src=x onerror='window.reached = 1'>",
    "<!-- ",
    "-->",
    "]]>",
    "&amp;&lt;&#x3c;",
    "{{ 7 * 7 }}",
    "{% raw %}",
    "{# no #}",
    "${window.reached = 1}",
    "\u202eright to left\u202c",
    "\u05d0\u05d1\u200f\u200e mixed",
    "javascript:window.reached = 1",
    "a\x00b\x07c\x1bd",
    "lone \ud800 surrogate",
    "\ufdd0\ufffe",
    "x" * 5000,
    "line\nbreak\ttab\r\n",
    "\U0001f50a \u00e9\u0301\u0336",
    "`; drop </style>",
)


@pytest.fixture(scope="module")
def summary(result: Path) -> dict[str, Any]:
    document: dict[str, Any] = json.loads((result / "summary.json").read_bytes())
    return document


@pytest.fixture(scope="module")
def tables(result: Path) -> dict[str, Table]:
    return {name: read_table(result / f"tables/{name}.csv") for name in ("cta2034a", "horizontal", "quality")}


@pytest.fixture(scope="module")
def figures(result: Path) -> dict[str, bytes]:
    return {f"figures/{name}.svg": (result / f"figures/{name}.svg").read_bytes() for name in ("cta2034a", "quality")}


@pytest.fixture(scope="module")
def sphere(result: Path) -> Sphere:
    expansion, axis, _ = read_field(result / "field.h5")
    return Sphere.of_expansion(expansion, axis)


def parsed(page: bytes) -> ElementTree.Element:
    """The page's elements; any fault of its HTML raises."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=True)
    tree: ElementTree.Element = parser.parse(page.decode())
    return tree


def text_of(element: ElementTree.Element | None) -> str:
    assert element is not None
    return "".join(element.itertext())


def hostile(summary: Mapping[str, Any], payload: str) -> dict[str, Any]:
    """The same summary with the payload in every place that a file, or its name, can fill with words."""
    document = copy.deepcopy(dict(summary))
    document["facts"] = dict.fromkeys(["title", "device", "session", "comment", payload], payload)
    document["channels"] = [payload]
    document["notices"] = [payload]
    document["dropped_points"] = [{"index": 3, "reason": payload}]
    document["scalars"] = {payload: {"value": 1.0, "low": None, "high": None, "unit": "Hz", "note": payload}}
    document["provenance"]["versions"] = {"blas": payload}
    document["provenance"]["input_sha256"] = payload
    return document


def test_page_is_valid_html_that_names_nothing_outside(result: Path) -> None:
    page = (result / "report.html").read_bytes()
    tree = parsed(page)
    assert len(page) < page_module.MOST_PAGE_BYTES
    assert tree.get("lang") == "en"
    for element in tree.iter():
        for name in ("src", "href", "data", "action", "poster"):
            value = element.get(name, "#")
            assert value.startswith(("#", "data:")), (element.tag, value[:60])
    # styles in attributes and handlers in attributes are what the policy forbids
    assert not [e for e in tree.iter() if any(name == "style" or name.startswith("on") for name in e.attrib)]
    policy = next(e.get("content", "") for e in tree.iter(f"{HTML}meta") if e.get("http-equiv"))
    assert policy.startswith("default-src 'none'; img-src data:; ")
    assert "unsafe" not in policy
    assert "*" not in policy


def test_page_reads_in_order(result: Path) -> None:
    tree = parsed((result / "report.html").read_bytes())
    levels = [int(e.tag[-1]) for e in tree.iter() if re.fullmatch(rf"{HTML}h\d", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    identities = [e.get("id") for e in tree.iter() if e.get("id")]
    assert len(set(identities)) == len(identities)
    for name in ("aria-labelledby", "for"):
        assert {e.get(name) for e in tree.iter() if e.get(name)} <= set(identities)
    assert all(e.get("scope") in ("row", "col") for e in tree.iter(f"{HTML}th"))
    assert len(list(tree.iter(f"{HTML}main"))) == 1
    headings = [text_of(e) for e in tree.iter(f"{HTML}h2")]
    assert headings == [
        "Single numbers", "What the curves say", "What if it is aimed elsewhere?", "Figures",
        "How far to believe it", "Notices", "Where it comes from", "Settings",
    ]  # fmt: skip


def test_figures_are_told_in_numbers(result: Path, tables: Mapping[str, Table]) -> None:
    tree = parsed((result / "report.html").read_bytes())
    shown = {e.get("alt", ""): e.get("src", "") for e in tree.iter(f"{HTML}img")}
    assert len(shown) == len(list((result / "figures").glob("*.svg")))
    curves = next(words for words in shown if words.startswith("Curves of ANSI/CTA-2034-A."))
    level = tables["cta2034a"].column("on_axis_db")[4]
    assert tables["cta2034a"].column("frequency_hz")[4] == pytest.approx(100.0, rel=1e-3)
    assert f"On axis: {level:.1f} dB at 100 Hz" in curves
    for path in (result / "figures").glob("*.svg"):
        ElementTree.fromstring(path.read_bytes())


def test_settings_stand_as_they_were(result: Path) -> None:
    tree = parsed((result / "report.html").read_bytes())
    assert text_of(next(tree.iter(f"{HTML}pre"))) == (result / "settings.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("payload", PAYLOADS, ids=range(len(PAYLOADS)))
def test_words_of_a_file_stay_words(
    summary: Mapping[str, Any], tables: Mapping[str, Table], figures: Mapping[str, bytes], payload: str
) -> None:
    plain = parsed(page_bytes([tables], hostile(summary, "plain"), Settings(), [figures], None))
    tree = parsed(page_bytes([tables], hostile(summary, payload), Settings(), [figures], None))
    assert [e.tag for e in tree.iter()] == [e.tag for e in plain.iter()]
    expected = holdable(payload)
    assert text_of(next(tree.iter(f"{HTML}title"))) == expected
    said = [text_of(e) for e in tree.iter(f"{HTML}bdi")]
    assert said.count(expected) == [text_of(e) for e in plain.iter(f"{HTML}bdi")].count("plain")
    assert text_of(next(tree.iter(f"{HTML}h1"))) == expected


def test_several_channels_have_a_section_each(
    summary: Mapping[str, Any], tables: Mapping[str, Table], figures: Mapping[str, bytes]
) -> None:
    document = copy.deepcopy(dict(summary))
    document["channels"] = ["low", "high"]
    document["bands"] = [band | {"channel": channel} for channel in (0, 1) for band in summary["bands"]]
    number = {"value": 1.25, "low": 1.0, "high": 1.5, "unit": "dB", "note": "own"}
    document["scalars"] = {"channel_0_in_room_slope": number, "channel_1_in_room_slope": number | {"value": 2.25}}
    tree = parsed(page_bytes([tables] * 2, document, Settings(), [figures] * 2, None))
    assert [text_of(e) for e in tree.iter(f"{HTML}h2")][:2] == ["Channel 0: low", "Channel 1: high"]
    values = [text_of(e) for e in tree.iter(f"{HTML}td") if e.get("class") == "value"]
    assert values == ["1.25 dB", "2.25 dB"]


def test_a_page_does_not_grow_without_end(
    summary: Mapping[str, Any],
    tables: Mapping[str, Table],
    figures: Mapping[str, bytes],
    sphere: Sphere,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = page_bytes([tables], summary, Settings(), [figures], sphere)
    assert b"data-explorer" in whole
    monkeypatch.setattr(page_module, "MOST_PAGE_BYTES", page_module._TEXT_BYTES + 1000)
    small = page_bytes([tables], summary, Settings(), [figures], sphere)
    assert len(small) < page_module.MOST_PAGE_BYTES
    tree = parsed(small)
    assert [e.get("href") for e in tree.iter(f"{HTML}a")][1:] == list(figures)
    assert b"data-explorer" not in small
    assert b"<script" not in small


def test_far_field_from_elsewhere_is_judged_by_its_bands(
    summary: Mapping[str, Any], tables: Mapping[str, Table]
) -> None:
    document = copy.deepcopy(dict(summary))
    document["bands"] = [
        {"channel": 0, "lowest_hz": 60.0, "highest_hz": 101.0, "verdict": "caution"},
        {"channel": 0, "lowest_hz": 110.0, "highest_hz": 300.0, "verdict": "do not use"},
    ]
    judged = page_module._judged({"cta2034a": tables["cta2034a"]}, document, 0)["quality"]
    assert judged.column("verdict_code").tolist() == [1] * 5 + [2] * 8
    tree = parsed(page_bytes([{"cta2034a": tables["cta2034a"], "quality": judged}], document, Settings(), [{}], None))
    assert "what its errors are is not known" in text_of(tree)


@pytest.mark.parametrize(
    ("scalar", "value", "interval"),
    [
        (Scalar(87.4934, "dB re 20 uPa", 87.4853, 87.5014), "87.493 dB re 20 µPa", "87.485 to 87.501"),
        (Scalar(2621.3, "Hz", 2556.5, 2687.8), "2621 Hz", "2556 to 2688"),
        (Scalar(-3.706, "dB", -3.855, -3.565), "−3.71 dB", "−3.85 to −3.56"),
        (Scalar(float("nan"), "Hz"), "not known", "not known"),
        (Scalar(46.0312, "Hz"), "46.03 Hz", "not known"),
        (Scalar(10848.9, "Hz"), "10849 Hz", "not known"),
    ],
)
def test_numbers_have_the_digits_of_their_intervals(scalar: Scalar, value: str, interval: str) -> None:
    assert value_words(scalar) == value
    assert interval_words(scalar) == interval


def luminance(color: str) -> float:
    """Relative luminance by WCAG 2.1 (from memory)."""
    digits = color.removeprefix("#")
    digits = digits if len(digits) == 6 else "".join(2 * digit for digit in digits)
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_words_stand_out_from_the_paper(scheme: str) -> None:
    """Level AA of WCAG 2.1 asks for 4.5 to 1."""
    css = (Path(page_module.__file__).parent / "templates" / "page.css").read_text(encoding="utf-8")
    blocks = re.findall(r":root \{(.*?)\}", css, re.DOTALL)
    assert len(blocks) == 3
    colors = dict(re.findall(r"--(\w+): (#\w+)", blocks[["light", "dark", "print"].index(scheme)]))
    assert {"paper", "ink", "faint", "link", "good", "caution", "refused"} <= set(colors)
    for name in ("ink", "faint", "link", "good", "caution", "refused"):
        lights = sorted([luminance(colors[name]), luminance(colors["paper"])])
        assert (lights[1] + 0.05) / (lights[0] + 0.05) >= 4.5, name


def test_settings_of_the_page_are_those_that_were_given(
    summary: Mapping[str, Any], tables: Mapping[str, Table]
) -> None:
    settings = Settings.model_validate({"tables": {"rear_wall": "all"}})
    tree = parsed(page_bytes([tables], summary, settings, [{}], None))
    assert text_of(next(tree.iter(f"{HTML}pre"))) == dump_settings(settings)
