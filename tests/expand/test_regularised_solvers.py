"""Ring, iterative and dense solver agree on regularised and on weighted problems."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of
from scanned import AIR, make_spectra

from fieldproc.expand.blocks import Tikhonov
from fieldproc.expand.dense import WaveFit, fit_waves
from fieldproc.expand.gram import irregular_grid
from fieldproc.expand.iterative import fit_irregular
from fieldproc.expand.order import degree_priors
from fieldproc.expand.rings import fit_rings, recognise_rings
from fieldproc.expand.solver import Solver
from fieldproc.simulate.scans import cylinder_scan

ORDERS = (9, 11)
WAVENUMBER = 16.0
CHANNELS = 2
PARTS = ("outgoing", "regular", "residual", "leverage", "far_field_variance", "noise", "room_to_direct", "weight")
POINTS_M = cylinder_scan(720, 0.3, 0.3, azimuths=30)[0]
PRESSURE = complex_normal(np.random.default_rng(6), CHANNELS, len(POINTS_M))
PRIOR = degree_priors(ORDERS)


def close(found: WaveFit, expected: WaveFit, part: str, relative: float) -> None:
    one, other = getattr(found, part), getattr(expected, part)
    assert np.linalg.norm(one - other) <= relative * np.linalg.norm(other), part


def dense(points_m: np.ndarray, pressure: np.ndarray, tikhonov: Tikhonov | None) -> WaveFit:
    argument = WAVENUMBER * np.linalg.norm(points_m, axis=1)
    return fit_waves(harmonics_of(max(ORDERS), points_m), argument, ORDERS, pressure, tikhonov)


@pytest.mark.parametrize("weight_by", ["likelihood", "cross-validation"])
def test_one_regularised_problem_one_answer(weight_by: str) -> None:
    tikhonov = Tikhonov(PRIOR, weight_by=weight_by)
    expected = dense(POINTS_M, PRESSURE, tikhonov)
    grid = recognise_rings(POINTS_M, max(ORDERS))
    assert grid is not None
    ring = fit_rings(grid, WAVENUMBER, ORDERS, PRESSURE, tikhonov)
    for part in PARTS:
        # a condition below 100, rounding
        close(ring, expected, part, 1e-11)
    prepared = irregular_grid(
        POINTS_M, np.linalg.norm(POINTS_M, axis=1), max(ORDERS), (0.9 * WAVENUMBER, 1.1 * WAVENUMBER)
    )
    assert prepared is not None
    # the iterative fit takes one absolute weight: that of the first channel
    norms = np.linalg.norm(columns(POINTS_M), axis=0)
    largest = np.linalg.norm(columns(POINTS_M) / norms * PRIOR, ord=2)
    weight = float(expected.weight[0] * largest)
    iterated = fit_irregular(prepared, WAVENUMBER, ORDERS, PRESSURE[:1], (PRIOR, weight))
    assert isinstance(iterated, WaveFit)
    first = dense(POINTS_M, PRESSURE[:1], tikhonov)
    # "residual" and coefficients come of the iteration (stopping rule 1e-11), the rest of a single-precision factor
    for part, relative in zip(PARTS, (1e-8, 1e-8, 1e-8, 1e-4, 1e-4, 1e-4, 1e-8), strict=False):
        close(iterated, first, part, relative)


def columns(points_m: np.ndarray) -> np.ndarray:
    """Columns at any scale per degree: the fit takes unit norms."""
    from fieldproc.waves.basis import wave_columns

    argument = WAVENUMBER * np.linalg.norm(points_m, axis=1)
    table = harmonics_of(max(ORDERS), points_m)
    return np.concatenate(
        [
            wave_columns(name, top, table, argument)[0]
            for name, top in zip(("outgoing", "regular"), ORDERS, strict=True)
        ],
        axis=1,
    )


@pytest.mark.parametrize("tikhonov", [None, Tikhonov(PRIOR)], ids=["plain", "regularised"])
@pytest.mark.parametrize("layout", ["rings", "jittered", "weights that differ along a ring"])
def test_a_point_of_weight_two_counts_four_times(layout: str, tikhonov: Tikhonov | None) -> None:
    """Rows multiplied by 2 are the same row four times over: a problem without weights, written out."""
    positions_m, pressure, weights = POINTS_M.copy(), PRESSURE, np.ones(len(POINTS_M))
    if layout == "jittered":
        positions_m += 1e-3 * np.random.default_rng(7).normal(size=positions_m.shape)
    heavy = slice(90, 240) if layout == "rings" else slice(3, 400, 5)
    weights[heavy] = 2.0
    band = (0.9 * WAVENUMBER, 1.1 * WAVENUMBER)
    frequency_hz = np.array([WAVENUMBER * AIR.sound_speed_m_per_s / (2 * np.pi)])
    spectra = make_spectra(positions_m, frequency_hz, pressure[None], surface=0)
    solver = Solver(spectra, np.zeros(3), max(ORDERS), band, weights)
    assert (solver.grid is not None) == (layout == "rings")
    found = solver.fit([0], ORDERS, tikhonov)[0]
    again = np.concatenate([np.arange(len(weights)), np.tile(np.arange(len(weights))[heavy], 3)])
    expected = dense(positions_m[again], pressure[:, again], tikhonov)
    # likelihood counts rows, and repeated rows are more of them: only the plain problem has one answer for all
    if tikhonov is None:
        close(found, expected, "outgoing", 1e-8)
        close(found, expected, "regular", 1e-8)
        close(found, expected, "far_field_variance", 1e-4)
        once = slice(len(weights))
        np.testing.assert_allclose(found.residual, expected.residual[:, once], rtol=0, atol=1e-7)
        # the leverage of a row times four is that of the four rows
        np.testing.assert_allclose(found.leverage, expected.leverage[:, once] * weights**2, rtol=1e-4)
    else:
        scaled = dense_weighted(positions_m, pressure, weights, tikhonov)
        close(found, scaled, "outgoing", 1e-9)
        np.testing.assert_allclose(found.residual, scaled.residual / weights, rtol=0, atol=1e-9)
        np.testing.assert_allclose(found.weight, scaled.weight, rtol=1e-12)


def dense_weighted(points_m: np.ndarray, pressure: np.ndarray, weights: np.ndarray, tikhonov: Tikhonov) -> WaveFit:
    """Rows of matrix and data multiplied, nothing else."""
    argument = WAVENUMBER * np.linalg.norm(points_m, axis=1)
    harmonics = harmonics_of(max(ORDERS), points_m) * weights[:, None]
    return fit_waves(harmonics, argument, ORDERS, pressure * weights, tikhonov)
