"""A rigid cabinet with a vibrating disc, computed by an independent boundary-element solver.

``fixtures/boundary_element/`` holds the generating script. Near field (two spheres) and the pressure at 2 m
come from the same boundary solution through Green's function, no spherical waves anywhere. In the room,
the outgoing part also holds the room's sound scattered by the cabinet: no expansion can tell it
from the cabinet's own sound, so the separated field is near the free field, not equal to it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
import pytest

from fieldproc.condition import condition
from fieldproc.expand import expand
from fieldproc.extrapolate import pressure_at
from fieldproc.session import read_session
from fieldproc.settings import SeparationSettings, Settings

FIXTURES = Path(__file__).parents[2] / "fixtures"
DISTANCE_M = 2.0


@dataclass
class Truth:
    frequency_hz: np.ndarray
    directions: np.ndarray
    free_field: np.ndarray
    outgoing_in_room: np.ndarray


@pytest.fixture(scope="module")
def truth() -> Truth:
    with h5py.File(FIXTURES / "cabinet_truth.h5") as file:
        positions = file["positions"][:]
        return Truth(
            file["frequency"][:],
            positions / np.linalg.norm(positions, axis=1, keepdims=True),
            file["free_field_pressure"][:],
            file["outgoing_pressure_in_room"][:],
        )


def predict(name: str, truth: Truth, separate: bool) -> np.ndarray:
    """Pressure per volt at 2 m from the scan ``name``, (frequency, direction)."""
    session = read_session(FIXTURES / f"{name}.h5")
    settings = Settings(separation=SeparationSettings(enabled=separate))
    spectra = condition(session, settings.spectra)
    expansion = expand(spectra, settings)
    pressure = pressure_at(expansion, spectra.axis, truth.directions, DISTANCE_M)
    return pressure[:, 0] / session.drive.voltage_v


def relative_error(pressure: np.ndarray, reference: np.ndarray) -> np.ndarray:
    return np.linalg.norm(pressure - reference, axis=1) / np.linalg.norm(reference, axis=1)


@pytest.mark.parametrize("separate", [True, False])
def test_free_field_is_predicted_at_two_metres(truth: Truth, separate: bool) -> None:
    error = relative_error(predict("cabinet_free_field", truth, separate), truth.free_field)
    assert set(truth.frequency_hz) >= {125, 250, 500, 1000}
    # 1e-4 is asked; the solver's own consistency and single-precision storage leave below 1e-6
    assert error.max() < 1e-5


def test_in_the_room_the_outgoing_part_is_recovered(truth: Truth) -> None:
    error = relative_error(predict("cabinet_in_room", truth, True), truth.outgoing_in_room)
    # the fast multipole evaluation of the solver leaves up to 9e-5, whatever the orders
    assert error.max() < 3e-4


def test_in_the_room_separation_brings_the_free_field_near(truth: Truth) -> None:
    separated = relative_error(predict("cabinet_in_room", truth, True), truth.free_field)
    together = relative_error(predict("cabinet_in_room", truth, False), truth.free_field)
    # measured: 0.7 to 5.7 % against 12 to 52 %; the rest is room sound scattered by the cabinet
    assert separated.max() < 0.07
    assert np.all(separated < together / 2)
    assert together.min() > 0.1
