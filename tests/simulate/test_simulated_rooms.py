"""Rooms: images against brute force, mirrored orientation, and the boundary condition at a rigid wall."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.simulate.medium import Medium
from fieldproc.simulate.rooms import FreeField, Shoebox, images, room_pressure
from fieldproc.simulate.sources import Monopole, MonopoleCluster
from fieldproc.simulate.sphere_caps import Cap, SphereCaps

AIR = Medium()
ROOM = Shoebox((5.1, 4.2, 2.7), (-2.1, -1.9, -1.2), (0.8, 0.75, 0.9, 0.85, 0.7, 0.65), 3)


def reflected(room: Shoebox, point: np.ndarray) -> dict[tuple[float, ...], tuple[int, float]]:
    """Reflections and strength of every image of a point, by mirroring it in one wall after another."""
    low = np.array(room.corner_m)
    planes = np.stack([low + np.array(room.size_m), low], axis=1)
    found = {tuple(np.round(point, 9)): (0, 1.0)}
    frontier = [(point, 1.0)]
    for bounce in range(1, room.order + 1):
        following = []
        for place, strength in frontier:
            for axis in range(3):
                for side in range(2):
                    mirrored = place.copy()
                    mirrored[axis] = 2 * planes[axis, side] - place[axis]
                    key = tuple(np.round(mirrored, 9))
                    if key not in found:
                        factor = strength * room.reflection[2 * axis + side]
                        found[key] = (bounce, factor)
                        following.append((mirrored, factor))
        frontier = following
    return found


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_images_are_those_of_repeated_mirroring(order: int) -> None:
    room = Shoebox(ROOM.size_m, ROOM.corner_m, ROOM.reflection, order)
    point = np.array([0.31, -0.22, 0.17])
    expected = reflected(room, point)
    mirror = images(room)
    places = point * mirror.signs + mirror.shifts_m
    # Octahedral numbers, less the direct sound.
    assert len(places) == (2 * order + 1) * (2 * order**2 + 2 * order + 3) // 3 - 1
    for place, factor in zip(places, mirror.factors, strict=True):
        _, strength = expected[tuple(np.round(place, 9))]
        assert factor == pytest.approx(strength, rel=1e-12)
    assert len({tuple(np.round(place, 9)) for place in places}) == len(places)


def test_room_of_a_monopole_is_the_sum_of_its_images() -> None:
    source = MonopoleCluster((Monopole((0.1, 0.05, -0.08), 0.7, 1e-4),), 2e-4)
    frequency, positions = np.array([70.0, 1300.0]), np.array([[0.4, 0.1, 0.2], [-0.3, 0.3, -0.4]])
    k = 2 * np.pi * frequency / AIR.sound_speed_m_per_s
    expected = np.zeros((2, 2), dtype=np.complex128)
    for place, (bounces, strength) in reflected(ROOM, np.array([0.1, 0.05, -0.08])).items():
        if bounces:
            distance = np.linalg.norm(positions - np.array(place), axis=1)
            expected += 0.7 * strength * np.exp(-1j * k[:, None] * (distance + 343.2e-4)) / distance
    expected *= 0.5 * AIR.density_kg_per_m3 * 2e-4 * 1000
    actual = room_pressure(source, ROOM, frequency, positions, AIR)
    # Places are compared at 9 decimals: 1e-9 m is 2e-8 rad at 1.3 kHz.
    np.testing.assert_allclose(actual, expected, rtol=1e-7)


def test_mirrored_caps_look_the_mirrored_way() -> None:
    caps = (Cap((0.8, 0.36, 0.48), 0.5, 1.0, "axial"), Cap((0.0, -0.6, 0.8), 0.3, 0.4, delay_s=1e-4))
    source = SphereCaps(0.15, caps, (0.02, 0.03, -0.04))
    floor_only = Shoebox((6.0, 5.0, 4.0), (-3.0, -2.5, -1.1), (0, 0, 0, 0, 0, 0.6), 1)
    below = tuple(
        Cap((cap.axis[0], cap.axis[1], -cap.axis[2]), cap.half_angle_rad, gain, cap.motion, delay_s=cap.delay_s)
        for cap, gain in zip(caps, (1.0, 0.4), strict=True)
    )
    image = SphereCaps(0.15, below, (0.02, 0.03, -2 * 1.1 + 0.04))
    frequency, positions = np.array([150.0, 2500.0]), np.array([[0.4, 0.1, 0.2], [-0.3, 0.3, -0.4]])
    actual = room_pressure(source, floor_only, frequency, positions, AIR)
    expected = 0.6 * image.pressure(frequency, positions, AIR)
    np.testing.assert_allclose(actual, expected, rtol=1e-11)  # rounding of places, times k


def test_no_air_moves_through_a_rigid_wall() -> None:
    source = SphereCaps(0.15, (Cap((0.8, 0.36, 0.48), 0.5, 1.0),))
    wall = Shoebox((6.0, 5.0, 4.0), (-3.0, -0.7, -2.0), (0, 0, 0, 1, 0, 0), 1)
    frequency, step = np.array([100.0, 1000.0, 4000.0]), 1e-4
    on_wall = np.array([[0.3, -0.7, 0.1], [-0.5, -0.7, 0.4], [0.9, -0.7, -0.2]])
    across = np.array([0.0, step, 0.0])
    near, far = (
        source.pressure(frequency, on_wall + shift, AIR)
        + room_pressure(source, wall, frequency, on_wall + shift, AIR)
        for shift in (across, -across)
    )
    direct = source.pressure(frequency, on_wall + across, AIR) - source.pressure(frequency, on_wall - across, AIR)
    # The direct sound alone moves air through the wall; with the image the gradient cancels to rounding.
    assert np.all(np.abs(near - far) < 1e-9 * np.abs(direct))


def test_free_field_has_no_room() -> None:
    source = MonopoleCluster((Monopole((0.0, 0.0, 0.0)),), 1e-4)
    assert not room_pressure(source, FreeField(), np.array([100.0]), np.ones((2, 3)), AIR).any()
    assert len(images(Shoebox(ROOM.size_m, ROOM.corner_m, (0, 0, 0, 0, 0, 0), 3)).factors) == 0


def test_walls_are_listed_front_rear_left_right_up_down() -> None:
    np.testing.assert_allclose(ROOM.distances_m(np.array([0.1, 0, 0])), [2.9, 2.2, 2.3, 1.9, 1.5, 1.2], rtol=1e-12)
