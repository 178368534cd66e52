"""Whatever solver the points get, the answer is the dense one; sound speed may differ from point to point."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import complex_normal
from scanned import AIR, make_spectra

from fieldproc.expand.dense import fit_waves
from fieldproc.expand.solver import Solver
from fieldproc.records import Spectra
from fieldproc.simulate.scans import cylinder_scan
from fieldproc.waves.harmonics import spherical_harmonics

ORDERS = (9, 11)
FREQUENCY_HZ = np.array([300.0, 800.0, 2000.0])
BAND = (2 * np.pi * 250.0 / 343.2, 2 * np.pi * 900.0 / 343.2)


def spectra_of(jitter_m: float, speed_spread: float) -> Spectra:
    generator = np.random.default_rng(4)
    positions_m, surface = cylinder_scan(720, 0.3, 0.3, azimuths=30)
    pressure = complex_normal(generator, 3, 2, len(positions_m))
    positions_m = positions_m + jitter_m * generator.normal(size=positions_m.shape)
    speed = AIR.sound_speed_m_per_s * (1 + speed_spread * generator.uniform(-1, 1, len(positions_m)))
    return make_spectra(positions_m, FREQUENCY_HZ, pressure, surface, sound_speed_m_per_s=speed)


@pytest.mark.parametrize(
    ("jitter_m", "speed_spread", "solver"),
    [(0.0, 0.0, "rings"), (1e-3, 0.0, "iteration"), (0.0, 2e-3, "iteration"), (1e-3, 2e-3, "iteration")],
)
def test_every_solver_gives_the_dense_answer(jitter_m: float, speed_spread: float, solver: str) -> None:
    spectra = spectra_of(jitter_m, speed_spread)
    chosen = Solver(spectra, np.zeros(3), max(ORDERS), BAND)
    assert (chosen.grid is not None) == (solver == "rings")
    harmonics = spherical_harmonics(max(ORDERS), spectra.positions_m)
    # the last frequency lies beyond the band that iteration is prepared for
    for row in range(3):
        argument = chosen.wavenumber(row) * np.linalg.norm(spectra.positions_m, axis=1)
        dense = fit_waves(harmonics, argument, ORDERS, spectra.pressure_pa[row])
        found = chosen.fit([row], ORDERS)[0]
        # both solve to rounding times a condition below 100
        for part in ("outgoing", "regular", "residual"):
            expected = getattr(dense, part)
            assert np.linalg.norm(getattr(found, part) - expected) <= 1e-8 * np.linalg.norm(expected), (row, part)
        # single precision where iteration took it from its factor
        np.testing.assert_allclose(found.leverage, dense.leverage, rtol=1e-4)
        np.testing.assert_allclose(found.far_field_variance, dense.far_field_variance, rtol=1e-4)


def test_iteration_did_run_where_it_should() -> None:
    spectra = spectra_of(1e-3, 0.0)
    solver = Solver(spectra, np.zeros(3), max(ORDERS), BAND)
    harmonics = spherical_harmonics(max(ORDERS), spectra.positions_m)
    argument = solver.wavenumber(1) * np.linalg.norm(spectra.positions_m, axis=1)
    exact = fit_waves(harmonics, argument, ORDERS, spectra.pressure_pa[1]).leverage
    # the single-precision trace tells the two apart; in the band, and not for few unknowns
    assert np.abs(solver.fit([1], ORDERS)[0].leverage / exact - 1).max() > 1e-12
    few = (3, 4)
    exact_few = fit_waves(harmonics, argument, few, spectra.pressure_pa[1]).leverage
    np.testing.assert_allclose(solver.fit([1], few)[0].leverage, exact_few, rtol=1e-12)
