"""The page and the overview as a browser has them: silent, alone, and true to ``fieldproc at``."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from page.browser import Browser
from page.test_page import PAYLOADS, hostile

from fieldproc.cli import main
from fieldproc.page import Sphere
from fieldproc.page.grid import grid_angles_deg
from fieldproc.page.page import page_bytes
from fieldproc.page.words import holdable
from fieldproc.pipeline import answer_directions
from fieldproc.results import read_field, read_table
from fieldproc.settings import Settings

READY = "document.querySelector('[data-show=direct]').textContent !== ''"


@pytest.fixture
def page(browser: Browser, result: Path) -> Browser:
    browser.open(result / "report.html")
    browser.wait_for(READY)
    return browser


def shown(browser: Browser, name: str) -> str:
    text = browser.run(f"document.querySelector('[data-show={name}]').textContent")
    assert isinstance(text, str)
    return text.replace("−", "-")


def decibels(browser: Browser, name: str) -> float:
    return float(shown(browser, name).removesuffix(" dB"))


def move(browser: Browser, **values: int) -> None:
    """Sliders to values, as a finger would."""
    for name, value in values.items():
        browser.run(
            f"(() => {{ const slider = document.querySelector('input[name={name}]'); slider.value = {value};"
            " slider.dispatchEvent(new Event('input', { bubbles: true })); })()"
        )


def asked_db(result: Path, azimuth: int, elevation: int) -> np.ndarray:
    angles = np.array([float(azimuth)]), np.array([float(elevation)])
    return answer_directions(result / "field.h5", *angles, None).column("level_db")


def test_page_says_nothing_to_the_console_and_asks_for_nothing(page: Browser, result: Path) -> None:
    assert page.complaints == []
    outside = [url for url in page.requests if not url.startswith("data:")]
    assert outside == [(result / "report.html").absolute().as_uri()]
    broken = "[...document.images].filter((image) => !image.naturalWidth).length"
    assert page.run(broken) == 0
    assert page.run("document.images.length") > 5


def test_policy_stops_what_would_get_in(page: Browser) -> None:
    page.run(
        "document.body.append(Object.assign(document.createElement('img'), { src: 'https://example.invalid/x' }))"
    )
    page.run("document.body.append(Object.assign(document.createElement('script'), { text: 'window.reached = 1' }))")
    page.run("new Promise((done) => setTimeout(done, 50))")
    assert page.run("window.reached") is None
    assert any("Content Security Policy" in words for words in page.complaints)


@pytest.mark.parametrize(
    ("azimuth", "elevation", "toe_in", "heard"),
    [(30, 10, 0, 30), (-175, -85, 0, -175), (90, 90, 0, 0), (30, 0, 45, -15), (-170, 5, 90, 100)],
)
def test_direct_sound_is_that_of_at(
    page: Browser, result: Path, azimuth: int, elevation: int, toe_in: int, heard: int
) -> None:
    asked = asked_db(result, heard, elevation)
    on_axis = asked_db(result, 0, 0)
    move(page, azimuth=azimuth, elevation=elevation, toe_in=toe_in)
    for row in (0, 6, 12):
        move(page, frequency=row)
        # rounded once to 0.01 dB
        assert abs(decibels(page, "direct") - asked[row]) <= 0.005 + 1e-9
        assert abs(decibels(page, "direct_re_axis") - (asked[row] - on_axis[row])) <= 0.0100001
    told = shown(page, "told")
    assert f"azimuth {heard}°, elevation {elevation}° of its own axis" in told
    assert ("straight ahead" if toe_in == 0 else f"turned {toe_in}° to its left") in told


def test_in_room_estimate_follows_the_room(page: Browser, result: Path, tmp_path: Path) -> None:
    # turned 25 degrees to its left, what is straight ahead in the room is 25 degrees to its right
    turned = f"{np.cos(np.radians(25))},{-np.sin(np.radians(25))},0"
    arguments = ["-o", str(tmp_path), "--tables-only", f"--axis-direction={turned}"]
    assert main(["tables", str(result), *arguments]) == 0
    expected = read_table(tmp_path / "pair.tables/tables/cta2034a.csv").column("in_room_estimate_db")
    move(page, toe_in=25)
    for row in range(0, 13, 3):
        move(page, frequency=row)
        # rounded levels, and rounded once more
        assert abs(decibels(page, "in_room") - expected[row]) <= 0.0100001


def test_band_is_told_and_drawn(page: Browser, result: Path) -> None:
    asked = answer_directions(result / "field.h5", np.array([60.0]), np.array([0.0]), None)
    move(page, azimuth=60, frequency=12)
    low, high = (float(end) for end in shown(page, "band").removesuffix(" dB").split(" to "))
    level = asked.column("level_db")[12]
    for end, name in ((low, "level_low_db"), (high, "level_high_db")):
        # the band is coded to 3 %, and all are rounded
        reach = abs(asked.column(name)[12] - level)
        assert abs(end - asked.column(name)[12]) <= 0.04 * reach + 0.01
    assert page.run("document.querySelectorAll('svg[data-plot] path[fill-opacity]').length") == 1


def test_what_is_not_known_is_said(browser: Browser, result: Path, tmp_path: Path) -> None:
    expansion, axis, _ = read_field(result / "field.h5")
    sphere = Sphere.of_expansion(expansion, axis)
    pressure_pa = sphere.far_field.pressure_pa.copy()
    pressure_pa[3] = np.nan
    azimuth, elevation = grid_angles_deg()
    unscanned = (azimuth == 35) & (elevation == -20)
    far_field = replace(sphere.far_field, pressure_pa=pressure_pa, bands=None)
    tables = {"quality": read_table(result / "tables/quality.csv")}
    summary = json.loads((result / "summary.json").read_bytes())
    path = tmp_path / "bare.html"
    path.write_bytes(page_bytes([tables], summary, Settings(), [{}], Sphere(far_field, unscanned)))
    browser.open(path)
    browser.wait_for(READY)
    move(browser, frequency=3)
    assert [shown(browser, name) for name in ("direct", "in_room", "band")] == ["not known"] * 3
    move(browser, frequency=4, azimuth=35, elevation=-20)
    assert shown(browser, "band") == "not known"
    assert decibels(browser, "direct") > 0
    assert "Nothing was measured in that direction" in shown(browser, "told")
    move(browser, azimuth=40)
    assert "Nothing was measured" not in shown(browser, "told")
    assert browser.complaints == []


def test_presets_keys_and_pointer(page: Browser) -> None:
    move(page, azimuth=35)
    page.click("[data-preset=listener]")
    assert shown(page, "toe_in") == "35°"
    assert "from azimuth 0°" in shown(page, "told")
    page.click("[data-preset=ahead]")
    assert shown(page, "toe_in") == "0°"
    page.run("document.querySelector('input[name=azimuth]').focus()")
    page.press("ArrowRight", 39)
    assert shown(page, "azimuth") == "40°"
    page.run("document.querySelector('input[name=frequency]').focus()")
    page.press("Home", 36)
    assert shown(page, "frequency") == "63 Hz"
    x, y, width = page.run(
        "(() => { const box = document.querySelector('svg[data-plot]').getBoundingClientRect();"
        " return [box.x, box.y, box.width]; })()"
    )
    # the panel spans three decades between its margins: 250 Hz is at 0.366 of it
    page.click_at(x + 52 + 0.366 * (width - 66), y + 60)
    assert shown(page, "frequency") == "252 Hz"
    assert page.run("document.querySelector('[aria-live=polite]').textContent").startswith("Loudspeaker straight")


def test_words_of_files_reach_nothing(browser: Browser, result: Path, tmp_path: Path) -> None:
    summary = json.loads((result / "summary.json").read_bytes())
    tables = {"quality": read_table(result / "tables/quality.csv")}
    for number, payload in enumerate(PAYLOADS):
        path = tmp_path / f"{number}.html"
        path.write_bytes(page_bytes([tables], hostile(summary, payload), Settings(), [{}], None))
        browser.open(path)
        expected = holdable(payload)
        assert browser.run("document.querySelector('h1').textContent") == expected
        assert browser.run("document.title") == " ".join(expected.split())
        assert browser.run("window.reached") is None
        assert browser.complaints == []
        assert len(browser.requests) <= 2
        # nothing long may widen a phone's page
        browser.send("Emulation.setDeviceMetricsOverride", width=390, height=800, deviceScaleFactor=1, mobile=True)
        assert browser.run("document.documentElement.scrollWidth") <= 390
        browser.send("Emulation.clearDeviceMetricsOverride")


def test_overview_sorts(browser: Browser, result: Path, tmp_path: Path) -> None:
    for name, level in (("a", 90.0), ("b", None), ("c", 85.0)):
        folder = Path(shutil.copytree(result, tmp_path / name))
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        summary["scalars"]["sensitivity_2_83_v_1_m"]["value"] = level
        (folder / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
    assert main(["report", "--index", str(tmp_path)]) == 0
    browser.open(tmp_path / "index.html")
    assert browser.complaints == []
    order = "[...document.querySelectorAll('tbody th')].map((cell) => cell.textContent.trim()).join('')"
    sorted_by = "[...document.querySelectorAll('thead th')].map((head) => head.getAttribute('aria-sort'))"
    assert browser.run(order) == "abc"
    assert browser.run(sorted_by)[0] == "ascending"
    browser.click("thead th:nth-child(5) button")
    assert browser.run(order) == "cab"
    assert browser.run(sorted_by) == [None, None, None, None, "ascending", None, None]
    browser.click("thead th:nth-child(5) button")
    assert browser.run(order) == "acb"
    browser.click("tbody tr:nth-child(2) a")
    browser.wait_for("document.querySelector('h1') && document.querySelector('h1').textContent === 'Two monopoles'")
