"""One line of text from whatever a fact holds, and angles as they are written."""

from __future__ import annotations

import numpy as np
import pytest
from results.balloons import HOSTILE

from fieldproc.conventions import directions_from_angles, polar_directions
from fieldproc.results.plain import LONGEST, ascii_line, one_line, unit_of, written_angles_deg


@pytest.mark.parametrize("name", HOSTILE)
def test_any_text_becomes_one_printable_line(name: str) -> None:
    for line in (one_line(HOSTILE[name]), ascii_line(HOSTILE[name])):
        assert line
        assert line.isprintable()
        assert len(line) <= LONGEST
        assert line.splitlines() == [line]
    assert ascii_line(HOSTILE[name]).isascii()


@pytest.mark.parametrize(
    ("fact", "plain", "ascii_only"),
    [
        ("a\nb", "a\\nb", "a\\nb"),
        ("Größe № 2 λ", "Größe № 2 λ", "Gro\\xdfe No 2 \\u03bb"),
        ("", "", ""),
        (2.83, "2.83", "2.83"),
        (1, "1", "1"),
        (np.float64(0.1), "0.1", "0.1"),
    ],
)
def test_what_facts_become(fact: str | float, plain: str, ascii_only: str) -> None:
    assert (one_line(fact), ascii_line(fact)) == (plain, ascii_only)


def test_angles_are_those_that_were_meant() -> None:
    azimuth, elevation = np.meshgrid(np.arange(-179.0, 181.0), np.arange(-89.0, 90.0))
    found = written_angles_deg(directions_from_angles(azimuth.ravel(), elevation.ravel()))
    assert np.array_equal(found, [azimuth.ravel(), elevation.ravel()])


def test_poles_and_the_rear_have_one_name() -> None:
    # 72 directions of the two polars, of which front and rear occur twice
    azimuth, elevation = written_angles_deg(polar_directions())
    assert len(set(zip(azimuth.tolist(), elevation.tolist(), strict=True))) == 70
    assert set(azimuth[np.abs(elevation) == 90]) == {0.0}
    assert azimuth.min() > -180
    assert not np.signbit(azimuth[azimuth == 0]).any()
    assert not np.signbit(elevation[elevation == 0]).any()


@pytest.mark.parametrize(
    ("azimuth", "elevation", "written"),
    [
        # at a pole what is left of x and y still has an azimuth
        (37.0, 90.0, (0.0, 90.0)),
        (37.0, -90.0, (0.0, -90.0)),
        (-180.0 + 1e-11, 0.0, (180.0, 0.0)),
        (-1e-11, -1e-11, (0.0, 0.0)),
    ],
)
def test_rounding_of_angles(azimuth: float, elevation: float, written: tuple[float, float]) -> None:
    found = written_angles_deg(directions_from_angles(np.array([azimuth]), np.array([elevation])))
    # as text, so that -0 shows
    assert [repr(angle.item()) for angle in found] == [repr(angle) for angle in written]


def test_units_of_columns() -> None:
    names = ("frequency_hz", "on_axis_low_db", "phase_+030_deg", "sound_power_w", "verdict_code", "condition")
    assert [unit_of(name) for name in names] == ["Hz", "dB", "degree", "W", "1", "1"]
