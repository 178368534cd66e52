"""A fit with predicted points is the fit without them, whatever the solver."""

from __future__ import annotations

from copy import copy
from dataclasses import replace

import numpy as np
import pytest
from expand.apparatus import DIRECTIONS, SOURCE, Kind, session
from expand.plain_waves import harmonics_of
from scanned import AIR, relative_error_db
from threadpoolctl import threadpool_limits

from fieldproc.expand.blocks import Tikhonov
from fieldproc.expand.dense import WaveFit, fit_waves
from fieldproc.expand.order import degree_priors
from fieldproc.expand.replacing import Fit, fit_without
from fieldproc.expand.solver import Solver
from fieldproc.records import Spectra
from fieldproc.waves.basis import far_field_pattern
from fieldproc.waves.harmonics import spherical_harmonics


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it; small products only lose by sharing them out."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


BAD = np.array([10, 11, 640, 1300])
ORDERS = (9, 11)


def some_rows(kind: Kind) -> Spectra:
    """250 and 500 Hz."""
    spectra, rows = session(kind), np.array([12, 18])
    return replace(
        spectra,
        frequency_hz=spectra.frequency_hz[rows],
        pressure_pa=spectra.pressure_pa[rows],
        usable=spectra.usable[rows],
    )


def fit_of(spectra: Spectra, tikhonov: Tikhonov | None = None) -> Fit:
    solver = Solver(spectra, np.zeros(3), max(ORDERS), (1.0, 20.0))

    def fit(pressure_pa: np.ndarray) -> list[WaveFit]:
        own = copy(solver)
        own.spectra = replace(spectra, pressure_pa=pressure_pa)
        return own.fit(range(len(pressure_pa)), ORDERS, tikhonov)

    return fit


@pytest.mark.parametrize("kind", ["rings", "irregular"])
def test_predicted_is_left_out(kind: Kind) -> None:
    spectra = some_rows(kind)
    pressure = spectra.pressure_pa.copy()
    pressure[:, :, BAD] = np.nan
    filled, fits = fit_without(fit_of(spectra), pressure, BAD)
    kept = np.setdiff1d(np.arange(pressure.shape[2]), BAD)
    np.testing.assert_array_equal(filled[:, :, kept], pressure[:, :, kept])
    radius_m = np.linalg.norm(spectra.positions_m[kept], axis=1)
    harmonics = harmonics_of(max(ORDERS), spectra.positions_m[kept])
    for row, fit in enumerate(fits):
        k = 2 * np.pi * spectra.frequency_hz[row] / AIR.sound_speed_m_per_s
        twin = fit_waves(harmonics, k * radius_m, ORDERS, pressure[row][:, kept])
        # the iterative solver's 1e-11, times the condition; single precision in its leverages and variances
        np.testing.assert_allclose(fit.outgoing[0, :9], twin.outgoing[0, :9], rtol=1e-6)
        np.testing.assert_allclose(fit.residual[:, kept], twin.residual, atol=1e-8 * np.abs(filled).max(), rtol=0)
        np.testing.assert_allclose(fit.leverage[:, kept], twin.leverage, rtol=0, atol=1e-5)
        np.testing.assert_allclose(fit.noise, twin.noise, rtol=1e-5)
        np.testing.assert_allclose(fit.far_field_variance, twin.far_field_variance, rtol=1e-4)
        np.testing.assert_allclose(fit.left_out(filled[row]), twin.left_out(pressure[row][:, kept]), rtol=0.01)
        assert not fit.residual[:, BAD].any()


def test_a_regularised_fit_settles() -> None:
    spectra = some_rows("rings")
    tikhonov = Tikhonov(degree_priors(ORDERS))
    pressure = spectra.pressure_pa.copy()
    pressure[:, :, BAD] *= 5.0
    filled, fits = fit_without(fit_of(spectra, tikhonov), pressure, BAD)
    again = fit_of(spectra, tikhonov)(filled)
    for fit, twin in zip(fits, again, strict=True):
        assert (fit.weight > 0).all()
        np.testing.assert_array_equal(fit.weight, twin.weight)
        # what it says at the bad points is what stands there
        assert np.abs(twin.residual[:, BAD]).max() < 1e-5 * np.sqrt(np.mean(np.abs(filled) ** 2, axis=(1, 2))).max()


@pytest.mark.parametrize("kind", ["rings", "irregular"])
def test_the_far_field_hardly_suffers(kind: Kind) -> None:
    spectra = some_rows(kind)
    pressure = spectra.pressure_pa.copy()
    pressure[:, :, BAD] = np.nan

    def error_db(fits: list[WaveFit]) -> np.ndarray:
        k = 2 * np.pi * spectra.frequency_hz / AIR.sound_speed_m_per_s
        harmonics = spherical_harmonics(max(ORDERS), DIRECTIONS)
        found = [far_field_pattern(fit.outgoing[0], one, harmonics) for fit, one in zip(fits, k, strict=True)]
        true = SOURCE.far_field(spectra.frequency_hz, DIRECTIONS, np.zeros(3), AIR)
        return relative_error_db(np.array(found), true)

    fit = fit_of(spectra)
    assert (error_db(fit_without(fit, pressure, BAD)[1]) < error_db(fit(spectra.pressure_pa)) + 1.0).all()
