"""How strongly a slow drift of the gain during a scan passes for sound at low frequencies."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats, amplitude_db, wavenumber
from fieldproc.expand.order import automatic_orders
from fieldproc.expand.solver import Solver
from fieldproc.scanplan.carried import TARGET_DB, UNKNOWNS_PER_POINT
from fieldproc.scanplan.grid import Grid
from fieldproc.scanplan.rehearse import heard
from fieldproc.scanplan.settings import AssumptionsModel
from fieldproc.scanplan.stand_in import stand_in
from fieldproc.scanplan.surroundings import source_of

_LOUDSPEAKERS = 3
# Drifts are judged at the lowest frequency wanted, but not below this one.
LOWEST_LEAK_HZ = 20.0


def drift_shapes(time_s: Floats) -> Floats:
    """Slow courses over a scan, times (point,): straight, then cosines of a half to two periods.

    Each has a range of 1 and no mean: what is common to all points is a level, not an error of the field.
    """
    time = (time_s - time_s.min()) / np.ptp(time_s)
    courses = np.array([time, *(np.cos(np.pi * turns * time) for turns in (1, 2, 4))])
    courses = courses - courses.mean(axis=1, keepdims=True)
    return np.asarray(courses / np.ptp(courses, axis=1, keepdims=True))


def leak_db(grid: Grid, at_hz: float, separate: bool, assumed: AssumptionsModel) -> float:
    """Rms far-field error re the far field that the worst of the courses makes, its range ``assumed.drift_db``.

    Through the fit itself, whole responses, no noise.
    """
    loudspeakers, frequency_hz = stand_in(*source_of(grid), _LOUDSPEAKERS), np.array([at_hz])
    pressure = heard(grid, loudspeakers, frequency_hz, assumed)[0].pressure
    shapes = assumed.drift_db * np.log(10.0) / 20.0 * drift_shapes(grid.mean_time_s())
    drifted = (shapes[:, None] * pressure[0]).reshape(1, -1, pressure.shape[2])
    origin_m, reach = grid.reach()
    k = wavenumber(frequency_hz, grid.sound_speed_m_per_s)
    plan = automatic_orders(k, reach, separate, int(UNKNOWNS_PER_POINT * pressure.shape[2]), TARGET_DB)
    solver = Solver(grid.spectra(frequency_hz, drifted), origin_m, max(plan.orders(0)), (float(k[0]), float(k[0])))
    found = solver.fit([0], plan.orders(0))[0].outgoing.reshape(len(shapes), len(loudspeakers.gains), -1)
    true = loudspeakers.outgoing(at_hz, float(k[0]), origin_m, int(plan.outgoing[0]))
    share = np.sum(np.abs(found) ** 2, axis=2) / np.sum(np.abs(true) ** 2, axis=1)
    return float(amplitude_db(np.sqrt(share.mean(axis=1).max())))
