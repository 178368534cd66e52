"""The predicted noise gain is what random noise does in the fit itself."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import complex_normal, matrix_of, spiral
from scanplan.planned import grid_at
from threadpoolctl import threadpool_limits

from fieldproc.conventions import amplitude_db, wavenumber
from fieldproc.expand.solver import Solver
from fieldproc.scanplan.carried import noise_gain
from fieldproc.scanplan.grid import Grid
from fieldproc.simulate.scans import cylinder_scan, sphere_scan


@pytest.fixture(autouse=True)
def one_thread():
    """Small products only lose by sharing them out."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


# From 60 Hz to 4 kHz, and orders that all of these grids hold there.
FREQUENCY_HZ = np.array([60.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0])
ORDERS = [(3, 2), (4, 3), (5, 4), (6, 6), (7, 8), (9, -1), (11, -1)]
GAPS_M = (0.02, 0.05, 0.08, 0.11, 0.15)
DRAWS = 120


def rings(gap_m: float) -> Grid:
    return grid_at(*cylinder_scan(480, 0.25, 0.26, gap_m=gap_m, azimuths=16))


def irregular(gap_m: float) -> Grid:
    """Spirals on two spheres, the outer one turned and moved so that nothing lines up."""
    positions_m, surface = sphere_scan(400, 0.3, gap_m=gap_m, grid="spiral")
    outer = surface == 1
    turned = positions_m[outer] @ np.array([[0.8, -0.6, 0.0], [0.6, 0.8, 0.0], [0.0, 0.0, 1.0]])
    return grid_at(np.concatenate([positions_m[~outer], turned + np.array([0.004, -0.003, 0.002])]), surface)


def gain_of_random_noise_db(grid: Grid, generator: np.random.Generator) -> np.ndarray:
    """Unit noise at every point through the fit, many draws as channels: rms far field over the sphere."""
    points = len(grid.positions_m)
    noise = complex_normal(generator, len(FREQUENCY_HZ), DRAWS, points)
    k = wavenumber(FREQUENCY_HZ, grid.sound_speed_m_per_s)
    solver = Solver(grid.spectra(FREQUENCY_HZ, noise), grid.reach()[0], 11, (float(k[0]), float(k[-1])))
    outgoing = [solver.fit([row], orders)[0].outgoing for row, orders in enumerate(ORDERS)]
    return amplitude_db(
        np.array([np.sqrt(np.mean(np.abs(one) ** 2) * one.shape[1] / (4 * np.pi)) for one in outgoing]) / k
    )


@pytest.mark.parametrize("gap_m", GAPS_M)
@pytest.mark.parametrize("layout", [rings, irregular])
def test_noise_gain_is_that_of_random_noise(layout, gap_m: float) -> None:
    grid = layout(gap_m)
    predicted = noise_gain(grid, FREQUENCY_HZ, ORDERS)
    found_db = gain_of_random_noise_db(grid, np.random.default_rng(7))
    # 120 draws of one coefficient, the worst case: 4.3 dB / sqrt(120) = 0.4 dB, a standard error
    assert np.abs(found_db - predicted.gain_db).max() < 1.0


def test_noise_gain_of_a_plain_pseudoinverse() -> None:
    """Independent of the solver: wave matrix from special functions, columns scaled, pseudoinverse."""
    grid = irregular(0.06)
    predicted = noise_gain(grid, FREQUENCY_HZ[2:4], ORDERS[2:4])
    for row, (at_hz, orders) in enumerate(zip(FREQUENCY_HZ[2:4], ORDERS[2:4], strict=True)):
        k = float(wavenumber(at_hz, grid.sound_speed_m_per_s))
        matrix = matrix_of(grid.positions_m, k, orders)
        norms = np.linalg.norm(matrix, axis=0)
        inverse = np.linalg.pinv(matrix / norms) / norms[:, None]
        outgoing = inverse[: (orders[0] + 1) ** 2]
        expected_db = amplitude_db(np.linalg.norm(outgoing) / np.sqrt(4 * np.pi) / k)
        # the factor of the iterative solver is of single precision
        np.testing.assert_allclose(predicted.gain_db[row], expected_db, rtol=0, atol=1e-3)


def test_wider_gaps_cost_less_noise_at_low_frequencies() -> None:
    at_60_hz = [noise_gain(rings(gap_m), FREQUENCY_HZ[:1], ORDERS[:1]).gain_db[0] for gap_m in GAPS_M]
    # at low frequencies the two sets differ as the gap: 1.6 to 4 dB a step in the noise at the points
    assert np.all(np.diff(at_60_hz) < -1.0)


def test_directions_do_not_matter() -> None:
    """A grid as a whole may be turned about its axis."""
    grid = grid_at(0.3 * np.concatenate([spiral(200), 1.2 * spiral(200)]), np.repeat([0, 1], 200))
    turned = grid_at(grid.positions_m @ np.diag([-1.0, -1.0, 1.0]), grid.surface)
    gains = [noise_gain(one, FREQUENCY_HZ[3:4], [(5, 5)]).gain_db for one in (grid, turned)]
    np.testing.assert_allclose(*gains, rtol=0, atol=1e-3)
