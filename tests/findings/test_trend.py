from __future__ import annotations

import numpy as np
import pytest
from findings.planted import GRID_HZ, curve_of, peak_db
from scipy.interpolate import CubicSpline

from fieldproc.errors import NumericalError
from fieldproc.findings.trend import baseline_design, robust_operator, trend_of

OCTAVE = np.log2(GRID_HZ / 1000.0)
BAND = (100.0, 16000.0)


def test_a_bump_leaves_the_line_where_it_is() -> None:
    line = 80.0 - 0.8 * OCTAVE
    trend = trend_of(curve_of(line + peak_db(900.0, 3.0, 6.0) + peak_db(4000.0, 6.0, -5.0)), BAND)
    plain = np.polyfit(OCTAVE, line + peak_db(900.0, 3.0, 6.0) + peak_db(4000.0, 6.0, -5.0), 1)
    # the far skirts of both, some tenths of a decibel, are all that is left of them
    assert trend.slope_db_per_octave == pytest.approx(-0.8, abs=0.03)
    assert trend.level_1khz_db == pytest.approx(80.0, abs=0.1)
    assert abs(plain[1] - 80.0) > 2.0 * abs(trend.level_1khz_db - 80.0)
    np.testing.assert_allclose(trend.level_db(np.array([500.0, 2000.0])), [80.8, 79.2], atol=0.13)


def test_errors_travel_into_slope_and_level() -> None:
    """An error that is a line changes slope and level by just itself; one that is a bump hardly at all."""
    errors = np.stack([0.3 + 0.1 * OCTAVE, np.zeros_like(OCTAVE)])
    trend = trend_of(curve_of(80.0 - OCTAVE, errors, draws=1), BAND)
    assert trend.slope_uncertainty_db_per_octave == pytest.approx(0.1, rel=1e-9)
    assert trend.level_uncertainty_db == pytest.approx(0.3, rel=1e-9)
    assert np.isnan(trend_of(curve_of(80.0 - OCTAVE), BAND).slope_uncertainty_db_per_octave)


def test_the_spread_is_that_of_the_scatter() -> None:
    scatter = np.random.default_rng(1).normal(0.0, 0.4, len(GRID_HZ))
    # a median of 177 sizes: 1.17 / sqrt(177) of it
    assert trend_of(curve_of(80.0 + scatter), BAND).spread_db == pytest.approx(0.4, rel=0.27)


def test_too_little_to_draw_a_line_through() -> None:
    with pytest.raises(NumericalError, match="at least 6"):
        trend_of(curve_of(np.full(177, 80.0)), (100.0, 110.0))


def test_a_baseline_holds_every_natural_spline_and_goes_under_a_bump() -> None:
    knots = np.linspace(OCTAVE[0], OCTAVE[-1], 6)
    smooth = CubicSpline(knots, [1.0, 0.2, -0.5, 0.4, 0.1, -1.0], bc_type="natural")(OCTAVE)
    design = baseline_design(OCTAVE)
    assert design.shape == (177, 6)
    fitted = design @ np.linalg.lstsq(design, smooth)[0]
    np.testing.assert_allclose(fitted, smooth, atol=1e-10)
    bump = peak_db(1000.0, 5.0, 4.0)
    under = design @ (robust_operator(design, smooth + bump, np.ones(177)) @ (smooth + bump))
    # what it takes of the bump is of the size of its skirts
    assert np.abs(under - smooth).max() < 0.4
