"""What a rigid sphere makes of a room's sound: the boundary condition, a twin by translation, scenes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from truth import coupled_sphere_wall as twin

from fieldproc.condition.spectra import spectra_at
from fieldproc.records import ImpulseResponses, TransferFunctions
from fieldproc.simulate import simulate
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.rooms import Shoebox, room_pressure
from fieldproc.simulate.scattered_room import FADE_HZ, ScatteredRoom
from fieldproc.simulate.scene import (
    CapModel,
    CylinderModel,
    ImpulseResponseModel,
    MonopoleModel,
    MonopolesModel,
    Scene,
    ShoeboxModel,
    SphereCapsModel,
    TransferFunctionModel,
)
from fieldproc.simulate.sphere_caps import Cap, SphereCaps

AIR = Medium()
RADIUS_M, HALF_ANGLE_RAD = 0.15, 0.4
CAP = Cap((0.3, 0.2, -0.9), HALF_ANGLE_RAD, 1.0)
ROOM = Shoebox((5.0, 4.0, 3.0), (-2.2, -1.9, -1.3), (0.8, 0.7, -0.6, 0.9, 0.5, 0.7), 1)
# At the third of these j_0(kR) vanishes: one radius alone cannot tell the wave of degree 0.
FREQUENCY_HZ = np.array([30.0, 200.0, 0.5 * AIR.sound_speed_m_per_s / RADIUS_M, 3000.0])


def floor_only(distance_m: float) -> Shoebox:
    """One rigid wall below the origin; the others swallow everything."""
    return Shoebox((100.0, 100.0, 50.0), (-50.0, -50.0, -distance_m), (0.0, 0.0, 0.0, 0.0, 0.0, 1.0), 1)


def directions(count: int) -> np.ndarray:
    unit = np.random.default_rng(4).normal(size=(count, 3))
    return unit / np.linalg.norm(unit, axis=1)[:, None]


def translated(frequency_hz: float, wall_m: float, points_m: np.ndarray) -> np.ndarray:
    """The slow way: the image's outgoing waves translated to the sphere, each scattered there, summed at the points.

    Nothing of it is the package's; the cap's drive is 1 m3/s2 spread over its area.
    """
    k = 2 * np.pi * frequency_hz / AIR.sound_speed_m_per_s
    top = int(np.ceil(k * RADIUS_M)) + 14
    area_m2 = 2 * np.pi * RADIUS_M**2 * (1 - np.cos(HALF_ANGLE_RAD))
    free = twin.cap_on_sphere(k, RADIUS_M, HALF_ANGLE_RAD, CAP.direction(), top) * -AIR.density_kg_per_m3 / area_m2
    translation = twin.axial_translation(k, 2 * wall_m, top)
    degree, order = twin.degrees_and_orders(top)
    regular = np.zeros_like(free)
    for m in range(-top, top + 1):
        own = np.flatnonzero(order == m)
        regular[own] = translation[abs(m)][np.ix_(degree[own], degree[own])] @ (free * twin.mirror_signs(top))[own]
    rigid = -twin.spherical_jn(degree, k * RADIUS_M, True) / twin.hankel2(degree, k * RADIUS_M, True)
    return twin.outgoing_field(k, rigid * regular, points_m)


@pytest.mark.parametrize(("wall_m", "tolerance"), [(1.4, 1e-6), (0.3, 1e-5)])
def test_against_waves_translated_from_the_image(wall_m: float, tolerance: float) -> None:
    """Re the scattered sound. Degrees end by k R alone; a wall a diameter away needs more of them."""
    points_m = directions(30) * np.random.default_rng(5).uniform(0.16, 0.5, (30, 1))
    points_m = points_m[points_m[:, 2] > -0.9 * wall_m]
    source = SphereCaps(RADIUS_M, (CAP,))
    found = ScatteredRoom(source, floor_only(wall_m), FREQUENCY_HZ, AIR).pressure(points_m)
    for row, frequency_hz in zip(found, FREQUENCY_HZ, strict=True):
        expected = translated(frequency_hz, wall_m, points_m)
        assert np.linalg.norm(row - expected) < tolerance * np.linalg.norm(expected)


def test_no_sound_goes_through_the_sphere() -> None:
    """Radial derivative of incoming and scattered sound on the sphere, by one-sided differences of fourth order."""
    center_m = np.array([0.2, -0.1, 0.3])
    source = SphereCaps(RADIUS_M, (CAP, Cap((1.0, 0.0, 0.0), 0.2, -0.5, delay_s=2e-4)), tuple(center_m))
    unit, step_m = directions(40), 1e-3
    scattered = ScatteredRoom(source, ROOM, FREQUENCY_HZ, AIR)

    def slope(pressure: Any) -> np.ndarray:
        """One-sided, outward from the sphere, so that both fields exist: weights -25/12, 4, -3, 4/3, -1/4."""
        values = [pressure(center_m + (RADIUS_M + 1e-9 + one * step_m) * unit) for one in range(5)]
        return np.tensordot([-25 / 12, 4.0, -3.0, 4 / 3, -1 / 4], np.array(values), axes=1) / step_m

    incoming = slope(lambda at: room_pressure(source, ROOM, FREQUENCY_HZ, at, AIR))
    through = incoming + slope(scattered.pressure)
    # fourth-order differences at k h = 0.055 and h / R = 0.007: (n h / R)^4 of a degree near 15 is 1e-4
    assert np.linalg.norm(through) < 1e-3 * np.linalg.norm(incoming)
    assert (np.linalg.norm(through, axis=1) < 3e-3 * np.linalg.norm(incoming, axis=1)).all()


def test_it_falls_off_like_sound_of_the_sphere_s_own() -> None:
    """At twice the distance half the pressure, later by the way."""
    scattered = ScatteredRoom(SphereCaps(RADIUS_M, (CAP,)), floor_only(1.4), FREQUENCY_HZ[2:], AIR)
    near, far = (scattered.pressure(way_m * directions(10)) for way_m in (1000.0, 2000.0))
    k = 2 * np.pi * FREQUENCY_HZ[2:] / AIR.sound_speed_m_per_s
    np.testing.assert_allclose(far, 0.5 * near * np.exp(-1000j * k)[:, None], rtol=0, atol=1e-3 * np.abs(near).max())


def test_it_fades_out() -> None:
    """In full up to the first frequency, half its amplitude midway, nothing from the second on."""
    source, room, points_m = SphereCaps(RADIUS_M, (CAP,)), floor_only(1.4), 0.3 * directions(6)
    low, high = FADE_HZ
    frequency_hz = np.array([low, 0.5 * (low + high), high, 1.5 * high])
    found = ScatteredRoom(source, room, frequency_hz, AIR).pressure(points_m)
    for row, one, share in zip(found, frequency_hz, (1.0, 0.5), strict=False):
        expected = share * translated(one, 1.4, points_m)
        np.testing.assert_allclose(row, expected, rtol=0, atol=1e-5 * np.abs(expected).max())
    assert not found[2:].any()


def test_frequencies_do_not_know_of_each_other() -> None:
    source, room, points_m = SphereCaps(RADIUS_M, (CAP,)), ROOM, 0.3 * directions(6)
    frequency_hz = np.concatenate([[0.0], np.geomspace(5.0, 9000.0, 20)])
    together = ScatteredRoom(source, room, frequency_hz, AIR).pressure(points_m)
    for row, one in zip(together, frequency_hz, strict=True):
        alone = ScatteredRoom(source, room, np.array([one]), AIR).pressure(points_m)[0]
        # blocks of frequencies share the top degree of their highest
        np.testing.assert_allclose(row, alone, rtol=0, atol=1e-6 * np.abs(together).max())


WALLS = (0.8, 0.0, 0.0, 0.0, 0.0, 0.7)


def scene(scattering: bool, recording: ImpulseResponseModel | TransferFunctionModel, **changes: Any) -> Scene:
    usual: dict[str, Any] = {
        "title": "scattering",
        "source": SphereCapsModel(radius_m=0.12, caps=(CapModel(half_angle_deg=25.0),)),
        "room": ShoeboxModel(scattering=scattering, order=1, reflection=WALLS),
        "scan": CylinderModel(points=12),
        "recording": recording,
    }
    return Scene(**{**usual, **changes})


LISTED = TransferFunctionModel(frequency_hz=(10.0, 30.0, 100.0, 1000.0, 5000.0, 7000.0, 9000.0))


def test_a_scene_with_scattering_holds_it_and_one_without_is_as_it_was() -> None:
    with_it, without = (simulate(scene(one, LISTED), 1) for one in (True, False))
    usual = simulate(scene(False, LISTED, room=ShoeboxModel(order=1, reflection=WALLS)), 1)
    assert isinstance(with_it.response, TransferFunctions)
    assert isinstance(without.response, TransferFunctions)
    np.testing.assert_array_equal(without.response.values, usual.response.values)
    source, room = SphereCaps(0.12, (Cap((1.0, 0.0, 0.0), np.radians(25.0), 1.0),)), ShoeboxModel()
    shoebox = Shoebox(room.size_m, room.corner_m, WALLS, 1)
    difference = (with_it.response.values - without.response.values)[:, 0]
    expected = ScatteredRoom(source, shoebox, np.array(LISTED.frequency_hz), AIR).pressure(with_it.positions_m)
    # the scene's air is that of 20 degrees
    np.testing.assert_allclose(difference, expected, rtol=0, atol=0.01 * np.abs(expected).max())
    assert np.abs(difference[3]).max() > 0.01 * np.abs(without.response.values[3]).max()
    assert not difference[-1].any()


def test_impulse_responses_hold_the_same_as_transfer_functions() -> None:
    """Also below the first bin of their Fourier transform, which a missing value at 0 Hz would shift."""
    frequency_hz = np.array(LISTED.frequency_hz)
    sampled = simulate(scene(True, ImpulseResponseModel(sampling_rate_hz=24000.0, samples=1536)), 1).response
    listed = simulate(scene(True, LISTED), 1).response
    assert isinstance(sampled, ImpulseResponses)
    assert isinstance(listed, TransferFunctions)
    found = spectra_at(sampled.values[0], sampled.sampling_rate_hz, sampled.start_s, frequency_hz)
    error = np.linalg.norm(found - listed.values[:, 0], axis=1) / np.linalg.norm(listed.values[:, 0], axis=1)
    # single precision of the records
    assert error.max() < 2e-7


def test_only_a_sphere_can_scatter() -> None:
    monopole = MonopolesModel(monopoles=(MonopoleModel(position_m=(0.0, 0.0, 0.0)),))
    with pytest.raises(ValueError, match=r"only a sphere with caps .* set room\.scattering = false"):
        simulate(scene(True, LISTED, source=monopole), 1)
