"""Simulated sources and rooms against published radiators and closed forms that nobody here computed.

Sources of the numbers:
- point source and cap on a rigid sphere: Beranek & Mellow, *Acoustics: Sound Fields and Transducers* (2012),
  section 12.5 and following; tables evaluated from their series in double precision and compared with the
  book's figures as digitised in the test data of the open library beamshapes (within 0.04 dB on axis);
- two rows computed by beamshapes 0.2.1 itself (k = 10, R = 0.1 m);
- 30-digit value of the cap series: mpmath, 120 terms at 40 digits;
- boundaries: Waterhouse (1958); Allison, AES preprint 951 (1974), formula from memory, numbers recomputed;
- monopoles and pairs: closed forms of any acoustics textbook.
"""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.conventions import Floats
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.rooms import Shoebox, room_pressure
from fieldproc.simulate.scene import MonopoleModel, MonopolesModel, Scene
from fieldproc.simulate.simulate import truth
from fieldproc.simulate.sources import Monopole, MonopoleCluster
from fieldproc.simulate.sphere_caps import Cap, Motion, SphereCaps

AIR = Medium(343.2, 1.204)
ORIGIN = np.zeros(3)
# Printed to five decimals: half a unit of the last, and a little for rounding of the table itself.
FIVE_DECIMALS_DB = 6e-6
FOUR_DECIMALS_DB = 6e-5


def relative_db(pressure: np.ndarray) -> Floats:
    return np.asarray(20 * np.log10(np.abs(pressure)))


def in_plane(angles_deg: list[float]) -> Floats:
    angle = np.radians(angles_deg)
    return np.stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)], axis=1)


def one_cap(k_radius: float, half_angle_deg: float, motion: Motion = "radial") -> tuple[SphereCaps, Floats]:
    """A cap about x whose far field is relative to a monopole of equal volume velocity; its frequency."""
    radius = 0.1
    acceleration = 4 * np.pi / AIR.density_kg_per_m3
    source = SphereCaps(radius, (Cap((1.0, 0.0, 0.0), np.radians(half_angle_deg), acceleration, motion),))
    return source, np.array([k_radius / radius * AIR.sound_speed_m_per_s / (2 * np.pi)])


def directivity_index_db(source: SphereCaps, frequency: Floats) -> float:
    height, weight = np.polynomial.legendre.leggauss(80)
    ring = np.stack([height, np.sqrt(1 - height**2), np.zeros_like(height)], axis=1)
    squared = np.abs(source.far_field(frequency, ring, ORIGIN, AIR)[0]) ** 2
    on_axis = np.abs(source.far_field(frequency, np.array([[1.0, 0, 0]]), ORIGIN, AIR)[0, 0]) ** 2
    return float(10 * np.log10(on_axis / (squared @ weight / 2)))


# kR; on axis; 30, 60, 90, 120, 150, 180 degrees re on axis; directivity index. All dB.
POINT_ON_SPHERE = [
    (0.1, 0.00736, (-0.0065, -0.0196, -0.0264, -0.0202, -0.0076, -0.0013), 0.01777),
    (0.5, 0.70836, (-0.1962, -0.6603, -1.0329, -0.9956, -0.6997, -0.5426), 0.75901),
    (1, 3.03595, (-0.3502, -1.4878, -3.2710, -4.0954, -3.1011, -2.4635), 2.39895),
    (2, 4.40720, (-0.4049, -1.4750, -2.8698, -6.3484, -6.0041, -3.3617), 2.85172),
    (3, 4.98081, (-0.3595, -1.2288, -3.5553, -5.6165, -9.5599, -3.7571), 3.00193),
    (5, 5.45575, (-0.1912, -1.2196, -3.5315, -7.2676, -11.0922, -4.2781), 3.09237),
    (10, 5.83206, (-0.1326, -0.9047, -3.3992, -8.2873, -14.5807, -5.4474), 3.15498),
    (20, 5.96474, (-0.0573, -0.6043, -3.3632, -9.5990, -16.3232, -7.5020), 3.12317),
]


@pytest.mark.parametrize(("k_radius", "on_axis", "pattern", "index"), POINT_ON_SPHERE)
def test_point_source_on_a_rigid_sphere(
    k_radius: float, on_axis: float, pattern: tuple[float, ...], index: float
) -> None:
    source, frequency = one_cap(k_radius, 0.0)
    level = relative_db(source.far_field(frequency, in_plane([0, 30, 60, 90, 120, 150, 180]), ORIGIN, AIR)[0])
    assert level[0] == pytest.approx(on_axis, abs=FIVE_DECIMALS_DB)
    np.testing.assert_allclose(level[1:] - level[0], pattern, rtol=0, atol=FOUR_DECIMALS_DB)
    assert directivity_index_db(source, frequency) == pytest.approx(index, abs=FIVE_DECIMALS_DB)


# Half-angle, motion; (on axis dB, directivity index dB) at k R sin(half-angle) = 0.5, 1, 2, 3, 5.
CAP_IN_SPHERE: list[tuple[float, Motion, list[tuple[float, float]]]] = [
    (15, "axial", [(4.2388, 2.9997), (5.1568, 3.8527), (5.7152, 6.2331), (5.8133, 9.3400), (5.8038, 13.8896)]),
    (30, "axial", [(2.8620, 2.6010), (4.1861, 3.7064), (5.0343, 6.2157), (5.2847, 9.2746), (5.1361, 13.4607)]),
    (60, "axial", [(0.5979, 1.0632), (2.7456, 3.3705), (3.6366, 5.9967), (3.6046, 8.5726), (2.1926, 11.3244)]),
    (30, "radial", [(2.8578, 2.6059), (4.1812, 3.7276), (5.0309, 6.2930), (5.2826, 9.4025), (5.1328, 13.5076)]),
    (60, "radial", [(0.5464, 1.0634), (2.6643, 3.4650), (3.5250, 6.3210), (3.4640, 8.9760), (1.9475, 11.4131)]),
]


@pytest.mark.parametrize(("half_angle", "motion", "rows"), CAP_IN_SPHERE)
def test_cap_in_a_rigid_sphere(half_angle: float, motion: Motion, rows: list[tuple[float, float]]) -> None:
    for k_cap, (on_axis, index) in zip((0.5, 1, 2, 3, 5), rows, strict=True):
        source, frequency = one_cap(k_cap / np.sin(np.radians(half_angle)), half_angle, motion)
        level = relative_db(source.far_field(frequency, in_plane([0]), ORIGIN, AIR)[0, 0])
        assert level == pytest.approx(on_axis, abs=FOUR_DECIMALS_DB)
        assert directivity_index_db(source, frequency) == pytest.approx(index, abs=FOUR_DECIMALS_DB)


@pytest.mark.parametrize(
    ("half_angle", "row", "tolerance"),
    [
        (60.0, (0, -0.1376, -0.5454, -2.0851, -4.0510, -4.6823, -3.5669, -2.8986), FOUR_DECIMALS_DB),
        (0.0, (0, -0.08563, -0.35017, -1.48776, -3.27101, -4.09542, -3.10111, -2.46354), FIVE_DECIMALS_DB),
    ],
    ids=["axial cap", "point source"],
)
def test_polar_rows_of_an_independent_library(half_angle: float, row: tuple[float, ...], tolerance: float) -> None:
    source, frequency = one_cap(10 * 0.1, half_angle, "axial")
    level = relative_db(source.far_field(frequency, in_plane([0, 15, 30, 60, 90, 120, 150, 180]), ORIGIN, AIR)[0])
    np.testing.assert_allclose(level - level[0], row, rtol=0, atol=tolerance)


def test_near_field_of_a_cap_to_thirty_digits() -> None:
    # ka = 5, cap 30 degrees, r = 1.5 a, theta = 0.4, dp/dr = 1 on the cap; exp(-i omega t), hence conjugated.
    half_angle = np.radians(30)
    air = Medium(1.0, 1.0)
    # dp/dr = -rho times the acceleration of the surface.
    source = SphereCaps(1.0, (Cap((0.0, 0.0, 1.0), half_angle, -2 * np.pi * (1 - np.cos(half_angle))),))
    position = 1.5 * np.array([[np.sin(0.4), 0.0, np.cos(0.4)]])
    pressure = source.pressure(np.array([5 / (2 * np.pi)]), position, air)[0, 0]
    expected = 0.0922678077137307905678930426055 - 0.0307669922282042693094304346528j
    # Double precision over some ninety terms.
    assert pressure == pytest.approx(expected, rel=1e-14)


def test_monopole_of_known_volume_velocity() -> None:
    source = MonopoleCluster((Monopole((0.0, 0.0, 0.0)),), 1e-3, "constant volume velocity")
    pressure = source.pressure(np.array([1000.0]), np.array([[1.0, 0, 0]]), AIR)[0, 0]
    # Four decimals printed: 89.5713 dB.
    assert 20 * np.log10(abs(pressure) / 20e-6) == pytest.approx(89.5713, abs=6e-5)
    # rho f Q / (2 r), 90 degrees ahead of the volume velocity, late by r / c.
    assert pressure == pytest.approx(0.602j * np.exp(-2j * np.pi * 1000 / 343.2), rel=1e-13)


def test_monopole_off_the_origin() -> None:
    offset = MonopoleCluster((Monopole((0.1, 0.0, 0.0)),), 1e-3)
    positions = np.array([[1.0, 0, 0], [2, 0, 0], [3, 0, 0], [10, 0, 0], [-1, 0, 0], [0, 1, 0]])
    distance = np.linalg.norm(positions, axis=1)
    centred = 0.602 / distance
    change = relative_db(offset.pressure(np.array([1000.0]), positions, AIR)[0] / centred)
    expected = [0.91515, 0.44553, 0.29447, 0.08730, -0.82785, -0.04321]
    np.testing.assert_allclose(change, expected, rtol=0, atol=FIVE_DECIMALS_DB)


def scene_of(*monopoles: MonopoleModel) -> Scene:
    source = MonopolesModel(
        monopoles=monopoles, volume_velocity_m3_per_s_per_v=1e-3, spectrum="constant volume velocity"
    )
    return Scene(title="power", source=source, drive_voltage_v=1.0)


def test_power_of_a_monopole() -> None:
    power = truth(scene_of(MonopoleModel(position_m=(0.3, 0, 0)))).sound_power_w(np.array([1000.0]))
    # 0.011021205 W printed to eight digits.
    assert power[0] == pytest.approx(0.011021205, rel=5e-8)


@pytest.mark.parametrize(
    ("k_spacing", "in_phase", "opposed"), [(1.0, 2.65165, -7.99891), (4.493409, -1.06368, 0.85374)]
)
def test_power_of_two_monopoles(k_spacing: float, in_phase: float, opposed: float) -> None:
    frequency = np.array([1000.0])
    half = 0.5 * k_spacing * 343.2 / (2 * np.pi * 1000)
    single = truth(scene_of(MonopoleModel(position_m=(0, 0, 0)))).sound_power_w(frequency)
    for gain, expected in ((1.0, in_phase), (-1.0, opposed)):
        front = MonopoleModel(position_m=(half, 0, 0))
        back = MonopoleModel(position_m=(-half, 0, 0), gain=gain)
        # 10 lg[1 + gain sin(kd) / kd] re two monopoles apart.
        ratio = truth(scene_of(front, back)).sound_power_w(frequency) / (2 * single)
        assert 10 * np.log10(ratio[0]) == pytest.approx(expected, abs=FIVE_DECIMALS_DB)


def power_gain_db(room: Shoebox, frequency_hz: Floats) -> Floats:
    """Power of a monopole at the origin re free field: what its own images do to the pressure at its place."""
    volume_velocity = 1e-3
    source = MonopoleCluster((Monopole((0.0, 0.0, 0.0)),), volume_velocity, "constant volume velocity")
    reaction = room_pressure(source, room, frequency_hz, np.zeros((1, 3)), AIR)[:, 0].real
    k = 2 * np.pi * frequency_hz / AIR.sound_speed_m_per_s
    own = AIR.density_kg_per_m3 * AIR.sound_speed_m_per_s * k**2 * volume_velocity / (4 * np.pi)
    return np.asarray(10 * np.log10(1 + reaction / own))


@pytest.mark.parametrize(("two_k_x", "expected"), [(1.0, 2.65165), (2.0, 1.62758), (4.493409, -1.06368)])
def test_power_beside_one_rigid_wall(two_k_x: float, expected: float) -> None:
    room = Shoebox((6.0, 5.0, 4.0), (-0.5, -2.0, -2.0), (0, 1, 0, 0, 0, 0), 1)
    frequency = np.array([two_k_x / (2 * 0.5) * 343.2 / (2 * np.pi)])
    assert power_gain_db(room, frequency)[0] == pytest.approx(expected, abs=FIVE_DECIMALS_DB)


def test_power_in_a_corner_of_three_rigid_walls() -> None:
    room = Shoebox((6.0, 5.0, 4.0), (-0.5, -0.6, -0.7), (0, 1, 0, 1, 0, 1), 3)
    gain = power_gain_db(room, np.array([20.0, 50, 100, 150, 200, 300]))
    np.testing.assert_allclose(
        gain, [8.8164, 7.6565, 2.9413, -6.3963, -2.4121, -0.0415], rtol=0, atol=FOUR_DECIMALS_DB
    )
