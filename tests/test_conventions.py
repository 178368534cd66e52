"""Axes, angles, levels and phase, against directions a person can point at."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    amplitude_db,
    angles_from_directions,
    directions_from_angles,
    horizontal_directions,
    level_db,
    output_axes,
    phase_deg,
    power_db,
    vertical_directions,
    wavenumber,
)

X, Y, Z = np.eye(3)
# Sines and cosines of right angles miss 0 and 1 by one rounding.
ROUNDING = 1e-15

finite = st.floats(-10.0, 10.0)
vectors = st.tuples(finite, finite, finite).map(np.array)


def test_left_is_plus_y_and_up_is_plus_z() -> None:
    np.testing.assert_array_equal(output_axes(X, Z), np.eye(3))
    np.testing.assert_allclose(directions_from_angles(np.array(90.0), np.array(0.0)), Y, rtol=0, atol=ROUNDING)
    np.testing.assert_allclose(directions_from_angles(np.array(0.0), np.array(90.0)), Z, rtol=0, atol=ROUNDING)
    np.testing.assert_allclose(horizontal_directions(np.array([90.0, -90.0])), [Y, -Y], rtol=0, atol=ROUNDING)
    np.testing.assert_allclose(vertical_directions(np.array([90.0, -90.0])), [Z, -Z], rtol=0, atol=ROUNDING)


def test_output_axes_of_a_turned_loudspeaker() -> None:
    # facing +y, the loudspeaker has -x to its left; lying on its side (up = +x), it has +z to its left
    np.testing.assert_array_equal(output_axes(Y, Z), [Y, -X, Z])
    np.testing.assert_array_equal(output_axes(Y, X), [Y, Z, X])


def test_up_is_made_orthogonal_to_the_axis() -> None:
    tilted = output_axes(2.0 * X, 3.0 * X + 0.5 * Z)
    np.testing.assert_allclose(tilted, np.eye(3), rtol=0, atol=ROUNDING)


@given(axis=vectors, up=vectors)
def test_output_axes_are_right_handed_and_orthonormal(axis: np.ndarray, up: np.ndarray) -> None:
    sizes = np.linalg.norm(axis) * np.linalg.norm(up)
    # near-parallel directions are refused, see below
    if not np.linalg.norm(np.cross(axis, up)) > 1e-3 * sizes or sizes < 1e-6:
        return
    rotation = output_axes(axis, up)
    # the angle of 1e-3 left to orthogonalise by costs three digits
    np.testing.assert_allclose(rotation @ rotation.T, np.eye(3), rtol=0, atol=1e-12)
    assert np.linalg.det(rotation) > 0
    assert (rotation @ axis)[0] > 0
    assert (rotation @ up)[2] > 0


@pytest.mark.parametrize("up", [X, -2.0 * X, X + 1e-7 * Z, np.zeros(3)])
def test_parallel_up_is_refused(up: np.ndarray) -> None:
    with pytest.raises(ValueError, match="up direction is parallel to the axis direction"):
        output_axes(X, up)


def test_nearly_parallel_up_is_enough() -> None:
    np.testing.assert_allclose(output_axes(X, X + 1e-5 * Z)[2], Z, rtol=0, atol=ROUNDING)


def test_zero_axis_is_refused() -> None:
    with pytest.raises(ValueError, match="axis direction is a zero vector"):
        output_axes(np.zeros(3), Z)


@given(azimuth=st.floats(-180.0, 180.0, exclude_min=True), elevation=st.floats(-89.9, 89.9))
def test_angles_round_trip(azimuth: float, elevation: float) -> None:
    back = angles_from_directions(directions_from_angles(np.array(azimuth), np.array(elevation)))
    # 1e-16 of direction, seen from 0.1 degrees off the pole, is 1e-11 degrees of azimuth
    turned = (back[0] - azimuth + 180.0) % 360.0 - 180.0
    assert abs(turned) < 1e-10
    assert abs(back[1] - elevation) < 1e-10


def test_straight_behind_is_plus_180_degrees() -> None:
    azimuth, elevation = angles_from_directions(np.array([[-1.0, 0.0, 0.0], [-1.0, -0.0, 0.0]]))
    assert azimuth.tolist() == [180.0, 180.0]
    assert elevation.tolist() == [0.0, 0.0]


def test_vertical_angles_beyond_90_are_behind() -> None:
    azimuth, elevation = angles_from_directions(vertical_directions(np.array([120.0])))
    # degrees of a direction rounded to 1e-16
    np.testing.assert_allclose([azimuth[0], elevation[0]], [180.0, 60.0], rtol=1e-13)


def test_polar_angles_are_the_36_of_the_tables() -> None:
    # ANSI/CTA-2034-A: every 10 degrees around, 180 once
    assert len(POLAR_ANGLES_DEG) == 36
    assert {angle % 360 for angle in POLAR_ANGLES_DEG} == set(range(0, 360, 10))
    assert POLAR_ANGLES_DEG[0] == -170
    assert POLAR_ANGLES_DEG[-1] == 180


def test_levels() -> None:
    # 20 lg(1 Pa / 20 uPa) = 93.9794 dB; the trade rounds it to 94 dB (common practice)
    np.testing.assert_allclose(level_db(np.array([1.0, -1j, 20e-6])), [93.9794, 93.9794, 0.0], rtol=0, atol=1e-4)
    assert level_db(np.array([0.0]))[0] == -np.inf
    assert np.isnan(level_db(np.array([np.nan]))[0])
    # 20 lg 2 and 10 lg 2
    np.testing.assert_allclose([amplitude_db(2.0), power_db(2.0)], [6.0206, 3.0103], rtol=1e-5)


def test_phase_is_above_minus_180() -> None:
    assert phase_deg(np.array([complex(-1.0, -0.0), -1.0, 1j, 1.0])).tolist() == [180.0, 180.0, 90.0, 0.0]


def test_wavenumber() -> None:
    # 2 pi 1000 / 343.2, by hand
    np.testing.assert_allclose(wavenumber(1000.0, 343.2), 18.3076495, rtol=1e-8)
