from __future__ import annotations

import numpy as np
import pytest
from findings.planted import GRID_HZ

from fieldproc.conventions import fine_polar_directions
from fieldproc.findings.beam import BeamLimits, beam_of, full_coverage_deg
from fieldproc.records import FarField, Verdict

OCTAVE = np.log2(GRID_HZ / 1000.0)


def test_a_stretch_of_wide_coverage_is_found() -> None:
    course = 120.0 - 8.0 * OCTAVE
    wider = course * (1.0 + 0.4 * np.exp(-(((OCTAVE - 1.5) / 0.2) ** 2)))
    beam = beam_of(GRID_HZ, wider, BeamLimits())
    (stretch,) = beam.stretches
    assert stretch.peak_hz == pytest.approx(2828.0, rel=0.04)
    # the baseline keeps a few percent of it
    assert stretch.percent == pytest.approx(40.0, abs=5.0)
    assert stretch.coverage_deg == pytest.approx(108.0 * 1.4, rel=0.01)
    assert stretch.course_deg == pytest.approx(108.0, rel=0.04)
    # 15 % of 40 %: exp(-x^2) = 0.375 at x = 0.99
    assert np.log2(stretch.highest_hz / stretch.lowest_hz) == pytest.approx(2 * 0.99 * 0.2, abs=0.1)
    assert beam_of(GRID_HZ, course, BeamLimits()).stretches == ()


def test_the_top_of_a_piston_narrows() -> None:
    """Constant coverage until 5 kHz, then as 1/f."""
    coverage = 90.0 * np.minimum(1.0, 5000.0 / GRID_HZ)
    # 15 % narrower at 5 kHz / 0.85; the median over two octaves before is still that of below
    assert beam_of(GRID_HZ, coverage, BeamLimits()).narrows_from_hz == pytest.approx(5882.0, rel=0.03)
    assert np.isnan(beam_of(GRID_HZ, np.full(len(GRID_HZ), 90.0), BeamLimits()).narrows_from_hz)


def test_what_is_not_known_is_no_beam() -> None:
    beam = beam_of(GRID_HZ, np.where(GRID_HZ > 14000.0, 90.0, np.nan), BeamLimits())
    assert beam.stretches == ()
    assert np.isnan(beam.narrows_from_hz)


def test_coverage_of_a_far_field() -> None:
    """A cardioid is 6 dB down at 90 degrees but for the half of 0.27 degrees by which -6 dB is no half."""
    directions = fine_polar_directions()
    pressure = np.tile(0.5 + 0.5 * directions[:, 0], (3, 1, 1)).astype(np.complex128)
    verdict = np.array([[Verdict.GOOD], [Verdict.CAUTION], [Verdict.DO_NOT_USE]], dtype=np.int64)
    far_field = FarField(
        np.array([500.0, 1000.0, 2000.0]),
        directions,
        pressure,
        np.full((3, 1), np.nan),
        np.inf,
        ("full range",),
        verdict=verdict,
    )
    for plane in ("horizontal", "vertical"):
        coverage = full_coverage_deg(far_field, 0, plane)
        np.testing.assert_allclose(coverage[:2], 2.0 * np.degrees(np.arccos(2.0 * 10.0**-0.3 - 1.0)), rtol=1e-6)
        assert np.isnan(coverage[2])
