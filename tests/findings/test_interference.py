from __future__ import annotations

import numpy as np
import pytest

from fieldproc.conventions import fine_polar_directions
from fieldproc.findings.interference import Null, NullLimits, correctable_beside, nulls_of
from fieldproc.records import FarField, FarFieldErrors

SPEED = 343.0
FREQUENCY_HZ = 200.0 * 2.0 ** (np.arange(145) / 24.0)


def far_field(places_m: list[tuple[float, float, float]], drives: list[np.ndarray], error: float = 0.0) -> FarField:
    """Point sources with drives (frequency,), in closed form; one vector of errors re 1 Pa in every direction."""
    directions = fine_polar_directions()
    k = 2.0 * np.pi * FREQUENCY_HZ[:, None] / SPEED
    pressure = sum(
        drive[:, None] * np.exp(1j * k * (directions @ np.array(place)))
        for place, drive in zip(places_m, drives, strict=True)
    )
    shape = (len(FREQUENCY_HZ), 1, 1)
    errors = FarFieldErrors(
        np.full((*shape, len(directions)), error, dtype=np.complex64),
        np.zeros(shape),
        np.zeros(shape[:2], int),
        1,
        (),
    )
    return FarField(
        FREQUENCY_HZ,
        directions,
        np.asarray(pressure)[:, None],
        np.full(shape[:2], np.nan),
        np.inf,
        ("full range",),
        errors=errors if error else None,
    )


def pair(apart_m: float, lag_s: float = 0.0, error: float = 0.0) -> FarField:
    """Two equal sources, one above the other and later."""
    late = np.exp(-2j * np.pi * FREQUENCY_HZ * lag_s)
    return far_field([(0.0, 0.0, apart_m / 2), (0.0, 0.0, -apart_m / 2)], [late, np.ones_like(late)], error)


def at_middle_deg(null: Null) -> tuple[float, float]:
    middle_hz = float(np.sqrt(null.lowest_hz * null.highest_hz))
    return middle_hz, float(null.angle_at_deg(np.array(middle_hz)))


def test_two_equal_sources_cancel_at_half_wavelengths() -> None:
    nulls = nulls_of(pair(0.15), 0, "vertical", NullLimits(), SPEED)
    assert sorted(null.order for null in nulls)[:2] == [0, 0]
    for null in nulls:
        hertz, angle_deg = at_middle_deg(null)
        sine = (null.order + 0.5) * SPEED / hertz / 0.15
        # a parabola through squared pressures a degree apart
        assert abs(angle_deg) == pytest.approx(np.degrees(np.arcsin(sine)), abs=0.2)
        assert null.separation_m == pytest.approx(0.15, rel=0.01)
        assert null.lag_s == pytest.approx(0.0, abs=2e-6)
    assert nulls_of(pair(0.15), 0, "horizontal", NullLimits(), SPEED) == []


def test_a_lag_tilts_the_nulls() -> None:
    """Seen towards the source that is late, the ways must differ the more: sin = c (t +- 1 / (2 f)) / d."""
    nulls = [one for one in nulls_of(pair(0.15, 5e-5), 0, "vertical", NullLimits(), SPEED) if one.order == 0]
    assert len(nulls) == 2
    for null in nulls:
        hertz, angle_deg = at_middle_deg(null)
        side = 1.0 if null.sine_hz > 0.0 else -1.0
        assert angle_deg == pytest.approx(np.degrees(np.arcsin(SPEED * (5e-5 + side * 0.5 / hertz) / 0.15)), abs=0.3)
        assert null.lag_s == pytest.approx(5e-5, rel=0.05)


def test_drops_beside_the_null() -> None:
    """|cos x| is 3 and 6 dB down at x = 0.78363 and 1.04550, x = pi d sin / lambda; the axis is the maximum."""
    nulls = nulls_of(pair(0.15), 0, "vertical", NullLimits(band_hz=(200.0, 4000.0)), SPEED)
    upper = next(one for one in nulls if one.order == 0)
    for drop_db, x in ((3.0, 0.783630), (6.0, 1.045501)):
        angle_deg = np.degrees(np.arcsin(x * SPEED / (np.pi * upper.frequency_hz * 0.15)))
        # levels between steps of a degree are taken as straight
        np.testing.assert_allclose(upper.drops_deg[drop_db], (angle_deg, -angle_deg), atol=0.05)


def test_a_crossover_has_nulls_where_both_sound() -> None:
    """Fourth-order slopes at 2 kHz: one source is 6 dB above the other a sixth of an octave away."""
    low = 1.0 / (1.0 + (FREQUENCY_HZ / 2000.0) ** 4).astype(np.complex128)
    circles = far_field([(0.0, 0.0, -0.075), (0.0, 0.0, 0.075)], [low, 1.0 - low])
    nulls = nulls_of(circles, 0, "vertical", NullLimits(), SPEED)
    assert len(nulls) == 2
    for null in nulls:
        assert 1300.0 < null.lowest_hz < 2000.0 < null.highest_hz < 3000.0
        hertz, angle_deg = at_middle_deg(null)
        assert abs(angle_deg) == pytest.approx(np.degrees(np.arcsin(SPEED / (2.0 * hertz * 0.15))), abs=2.0)
    weight = correctable_beside(nulls, FREQUENCY_HZ)
    assert np.all(weight[(FREQUENCY_HZ > 1950.0) & (FREQUENCY_HZ < 2050.0)] < 0.1)
    assert np.all(weight[(FREQUENCY_HZ < 1200.0) | (FREQUENCY_HZ > 3100.0)] == 1.0)


def test_a_dip_that_stays_in_its_direction_is_no_null() -> None:
    circles = far_field([(0.0, 0.0, 0.0)], [np.ones(len(FREQUENCY_HZ), dtype=np.complex128)])
    elevation_deg = np.degrees(np.arcsin(circles.directions[:, 2]))
    shade = 1.0 - 0.95 * np.exp(-(((elevation_deg - 30.0) / 8.0) ** 2))
    still = FarField(
        FREQUENCY_HZ, circles.directions, circles.pressure_pa * shade, circles.sound_power_w, np.inf, ("full range",)
    )
    assert nulls_of(still, 0, "vertical", NullLimits(), SPEED) == []


def test_errors_as_large_as_the_sound_hide_a_null() -> None:
    assert nulls_of(pair(0.15, error=0.01), 0, "vertical", NullLimits(), SPEED) != []
    assert nulls_of(pair(0.15, error=1.0), 0, "vertical", NullLimits(), SPEED) == []


def test_half_circles_must_be_whole() -> None:
    with pytest.raises(ValueError, match="every degree"):
        nulls_of(pair(0.15).picked("direction", np.arange(100)), 0, "vertical", NullLimits(), SPEED)
