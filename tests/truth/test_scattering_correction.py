"""Room sound scattered by the cabinet, taken out of the outgoing set: what is left is the free field.

Two truths: a cap on a rigid sphere beside a rigid wall, exact; and a rigid cabinet between a wall and a floor, by an
independent boundary-element solver (``test_cabinet.py``). In both the body is rigid but for what drives it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from truth.coupled_sphere_wall import coupled_truth, degrees_and_orders, hankel2

from fieldproc.condition import condition
from fieldproc.expand import expand
from fieldproc.expand.dense import fit_waves
from fieldproc.expand.scattering import BodyShape, CabinetScattering, body_scattering, rigid_body
from fieldproc.extrapolate import pressure_at
from fieldproc.records import Cabinet, Expansion, ReferenceAxis
from fieldproc.session import read_session
from fieldproc.settings import Settings
from fieldproc.waves.basis import far_field_pattern
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.scatterer import RigidSphere

FIXTURES = Path(__file__).parents[2] / "fixtures"
RADIUS_M, WALL_M, SOUND_SPEED = 0.15, 0.5, 343.2
CAP = np.array([np.sin(0.7) * np.cos(0.4), np.sin(0.7) * np.sin(0.4), np.cos(0.7)])


def spiral(count: int) -> np.ndarray:
    index = np.arange(count) + 0.5
    z, azimuth = 1.0 - 2.0 * index / count, np.pi * (1.0 + np.sqrt(5.0)) * index
    sine = np.sqrt(1.0 - z**2)
    return np.stack([sine * np.cos(azimuth), sine * np.sin(azimuth), z], axis=1)


@pytest.mark.parametrize(("frequency_hz", "degrees"), [(200.0, 30), (1000.0, 34), (3000.0, 48)])
def test_sphere_and_wall_exactly(frequency_hz: float, degrees: int) -> None:
    solved = coupled_truth(frequency_hz, RADIUS_M, np.radians(30.0), CAP, WALL_M, degrees, SOUND_SPEED)
    scattered, _ = RigidSphere(RADIUS_M).scattered(solved.wavenumber, solved.regular, degrees)
    surface = hankel2(degrees_and_orders(degrees)[0], solved.wavenumber * RADIUS_M)
    own, free = (surface * part for part in (solved.outgoing - scattered, solved.free_field))
    # the truth's linear systems leave 1e-12 or so
    np.testing.assert_allclose(own, free, rtol=0, atol=1e-10 * np.abs(free).max())
    assert np.linalg.norm(surface * scattered) > 0.01 * np.linalg.norm(free)


@pytest.mark.parametrize(("frequency_hz", "orders"), [(200.0, (14, 17)), (1000.0, (16, 20))])
def test_sphere_and_wall_from_a_scan(frequency_hz: float, orders: tuple[int, int]) -> None:
    """Two surfaces of points, fitted, corrected: the far field is that without the wall."""
    solved = coupled_truth(frequency_hz, RADIUS_M, np.radians(30.0), CAP, WALL_M, 34, SOUND_SPEED)
    directions = spiral(sum((order + 1) ** 2 for order in orders) * 2 // 3)
    points_m = np.concatenate([0.35 * directions, 0.42 * directions[:, [1, 2, 0]]])
    fit = fit_waves(
        spherical_harmonics(max(orders), points_m),
        solved.wavenumber * np.linalg.norm(points_m, axis=1),
        orders,
        solved.pressure(points_m)[None, :],
    )
    scattered, _ = RigidSphere(RADIUS_M).scattered(solved.wavenumber, fit.regular, orders[0])
    everywhere = spherical_harmonics(34, spiral(200))
    free = far_field_pattern(solved.free_field, solved.wavenumber, everywhere)
    plain, corrected = (
        np.linalg.norm(far_field_pattern(part[0], solved.wavenumber, everywhere) - free) / np.linalg.norm(free)
        for part in (fit.outgoing, fit.outgoing - scattered)
    )
    # 1e-4 is asked; the orders leave 1e-7 of the near field out
    assert corrected < 1e-6
    assert plain > 0.01


class InRoom:
    """The cabinet's scan in the room, expanded, and its free field at 2 m."""

    def __init__(self) -> None:
        with h5py.File(FIXTURES / "cabinet_truth.h5") as file:
            positions_m = file["positions"][:]
            self.free_field = file["free_field_pressure"][:]
        self.directions = positions_m / np.linalg.norm(positions_m, axis=1, keepdims=True)
        session = read_session(FIXTURES / "cabinet_in_room.h5")
        settings = Settings()
        spectra = condition(session, settings.spectra)
        self.axis: ReferenceAxis = spectra.axis
        self.expansion: Expansion = expand(spectra, settings)
        self.voltage_v = session.drive.voltage_v
        assert session.cabinet is not None
        self.cabinet: Cabinet = session.cabinet

    def scattering(self, shape: BodyShape) -> CabinetScattering:
        return body_scattering(self.expansion, self.cabinet.center_m, rigid_body(self.cabinet, shape))

    def level_error_db(self, taken_out: np.ndarray | float = 0.0) -> np.ndarray:
        """Level at 2 m re free field, (frequency, direction)."""
        own = replace(self.expansion, outgoing=self.expansion.outgoing - taken_out)
        pressure = pressure_at(own, self.axis, self.directions, 2.0)[:, 0] / self.voltage_v
        return 20 * np.log10(np.abs(pressure / self.free_field))


@pytest.fixture(scope="module")
def in_room() -> InRoom:
    return InRoom()


def test_cabinet_in_the_room_sounds_as_in_free_field(in_room: InRoom) -> None:
    found = in_room.scattering("box")
    error_db = in_room.level_error_db(found.outgoing)
    # 0.25 and 1 dB are asked; 0.004 and 0.01 dB measured at worst, most of it T b being wrong by 1 %
    assert np.sqrt(np.mean(error_db**2, axis=1)).max() < 0.01
    assert np.abs(error_db).max() < 0.04
    # the fixture covers 100 Hz to 1 kHz, all of it within the box's reach
    assert found.top_frequency_hz > 4000
    plain_db = in_room.level_error_db()
    assert np.abs(plain_db).max() > 3.0
    assert np.sqrt(np.mean(plain_db**2, axis=1)).min() > 0.05


def test_a_sphere_of_equal_volume_helps_at_low_frequencies(in_room: InRoom) -> None:
    plain_db, sphere_db = in_room.level_error_db(), in_room.level_error_db(in_room.scattering("sphere").outgoing)
    rms = [np.sqrt(np.mean(error_db**2, axis=1)) for error_db in (plain_db, sphere_db)]
    # 0.06 to 0.12 dB become 0.003 to 0.013 dB up to 250 Hz; at 1 kHz, 0.63 become 0.39 dB
    low = in_room.expansion.frequency_hz <= 250
    assert np.all(rms[1][low] < 0.15 * rms[0][low])
    assert np.all(rms[1] < 0.8 * rms[0])


def test_size_of_the_scattered_sound(in_room: InRoom) -> None:
    found = in_room.scattering("box")
    # by the solver, at 2 m: 0.7, 1.0, 1.0, 2.1, 4.0, 5.2, 4.1, 5.7 % of the free field
    with h5py.File(FIXTURES / "cabinet_truth.h5") as file:
        change = file["outgoing_pressure_in_room"][:, :110] - in_room.free_field[:, :110]
    share = np.linalg.norm(change, axis=1) / np.linalg.norm(in_room.free_field[:, :110], axis=1)
    # 110 directions stand for all, and 2 m for the far field
    np.testing.assert_allclose(found.to_direct_db[:, 0], 20 * np.log10(share), atol=0.2)
    assert np.all(found.error_db < -30)
