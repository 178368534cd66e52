"""Leaving points out of a fit by algebra is leaving them out; and the nuisance equations, against one big fit."""

from __future__ import annotations

import numpy as np
import pytest
from expand.apparatus import Kind, session
from expand.plain_waves import complex_normal, harmonics_of, matrix_of
from threadpoolctl import threadpool_limits

from fieldproc.expand.dense import fit_waves
from fieldproc.expand.nuisance import Nuisance
from fieldproc.expand.panel import Panel, field_of, prepare, seen_from
from fieldproc.settings import Settings


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it; small products only lose by sharing them out."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


BAD = np.array([3, 500, 501, 1200])


def panel_of(kind: Kind, most: int = 3) -> Panel:
    panel = prepare(session(kind), Settings(), (200.0, 900.0), most)
    assert panel is not None
    return panel


def argument_of(panel: Panel, row: int) -> np.ndarray:
    return panel.solver.wavenumber(row) * np.linalg.norm(panel.spectra.positions_m - panel.origin_m, axis=1)


@pytest.mark.parametrize("kind", ["rings", "irregular"])
def test_left_out_points_leave_no_trace(kind: Kind) -> None:
    panel, pressure = panel_of(kind).without(BAD[:2]).without(BAD[2:]), session(kind).pressure_pa
    data = panel.spectra.pressure_pa.copy()
    data[:, :, BAD] *= 3.0
    missed, row = panel.missed(data), 1
    kept = np.setdiff1d(np.arange(pressure.shape[2]), BAD)
    top = max(panel.orders[row])
    harmonics = harmonics_of(top, panel.spectra.positions_m - panel.origin_m)
    argument = argument_of(panel, row)
    twin = fit_waves(harmonics[kept], argument[kept], panel.orders[row], data[row][:, kept])
    # iteration stops at 1e-11 of the field; its leverages are of single precision times the condition
    np.testing.assert_allclose(missed[row][:, kept], twin.residual, rtol=0, atol=1e-9 * np.abs(data[row]).max())
    np.testing.assert_allclose(panel.spare[row][kept], twin.spare[0], rtol=0, atol=1e-5)
    # the prediction at a point left out: the fit of the others, continued
    waves = np.concatenate([twin.outgoing, twin.regular], axis=1)
    columns = matrix_of(
        panel.spectra.positions_m[BAD] - panel.origin_m, float(panel.solver.wavenumber(row)[0]), panel.orders[row]
    )
    predicted = waves @ columns.T
    np.testing.assert_allclose(panel.filled(data)[row][:, BAD], predicted, rtol=1e-7)


def test_points_let_in_again_are_as_if_never_left_out() -> None:
    panel = panel_of("rings")
    back, less = panel.without(BAD).keeping(BAD[:3]), panel.without(BAD[3:])
    np.testing.assert_array_equal(back.left_out, less.left_out)
    np.testing.assert_allclose(
        back.missed(panel.spectra.pressure_pa), less.missed(panel.spectra.pressure_pa), rtol=0, atol=1e-12
    )


def test_the_field_of_the_fits_is_what_they_fitted() -> None:
    panel = panel_of("rings")
    pressure = panel.spectra.pressure_pa
    field = field_of(panel, panel.fits(pressure), seen_from(panel, panel.spectra.positions_m - panel.origin_m))
    np.testing.assert_allclose(field, pressure - panel.missed(pressure), rtol=0, atol=1e-12 * np.abs(pressure).max())


def test_no_panel_where_points_carry_nothing() -> None:
    assert prepare(session("rings"), Settings(), (9000.0, 9500.0), 3) is None


def stacked(panel: Panel, data: np.ndarray, change: np.ndarray) -> np.ndarray:
    """The slow twin: real unknowns of all frequencies and parameters in one weighted matrix."""
    used = np.setdiff1d(np.arange(data.shape[2]), panel.left_out)
    weight = np.sqrt(Nuisance(panel, data, change).weight[:, 0])
    unknowns = [sum((order + 1) ** 2 for order in orders) for orders in panel.orders]
    rows, start = [], 0
    for row, orders in enumerate(panel.orders):
        offsets_m = panel.spectra.positions_m[used] - panel.origin_m
        waves = matrix_of(offsets_m, float(panel.solver.wavenumber(row)[0]), orders)
        waves = waves / np.linalg.norm(waves, axis=0)
        whole = np.zeros((len(used), 2 * sum(unknowns) + len(change)), dtype=np.complex128)
        whole[:, start : start + unknowns[row]] = waves
        whole[:, start + unknowns[row] : start + 2 * unknowns[row]] = 1j * waves
        whole[:, 2 * sum(unknowns) :] = change[:, row, 0, used].T
        start += 2 * unknowns[row]
        rows.append(weight[row] * np.concatenate([whole, data[row, 0, used][:, None]], axis=1))
    together = np.concatenate(rows)
    real = np.concatenate([together.real, together.imag])
    return np.linalg.lstsq(real[:, :-1], real[:, -1], rcond=None)[0][-len(change) :]


def test_parameters_are_those_of_one_fit_of_everything() -> None:
    panel = panel_of("rings", 2).with_orders(((3, 4), (4, 5))).without(BAD)
    generator = np.random.default_rng(1)
    change = complex_normal(generator, 3, *panel.spectra.pressure_pa.shape)
    found = Nuisance(panel, panel.spectra.pressure_pa, change).solve((0, 1, 2))
    expected = stacked(panel, panel.spectra.pressure_pa, change)
    # two ways of one least-squares problem, conditions below a hundred
    np.testing.assert_allclose(found.value, expected, rtol=1e-8, atol=1e-12)


def test_standard_errors_know_that_a_point_errs_alike_at_all_frequencies() -> None:
    """The same error at every frequency, 200 times: what counts is how far the estimates scatter."""
    panel = panel_of("rings", 3).with_orders(((3, 3),) * 3)
    generator = np.random.default_rng(2)
    change = np.tile(complex_normal(generator, 1, 1, 1, panel.spectra.pressure_pa.shape[2]), (1, 3, 1, 1))
    found = []
    for _ in range(200):
        data = np.tile(complex_normal(generator, 1, 1, change.shape[3]), (3, 1, 1))
        estimate = Nuisance(panel, data, change).solve((0,))
        found.append((estimate.value[0], estimate.sigma[0]))
    value, sigma = np.array(found).T
    # a standard deviation from 200 is known to 5 %; independent errors would be told a factor 1.7 smaller
    np.testing.assert_allclose(sigma.mean(), value.std(), rtol=0.15)


def test_only_what_stands_out_is_chosen() -> None:
    panel = panel_of("rings")
    change = complex_normal(np.random.default_rng(3), 4, *panel.spectra.pressure_pa.shape)
    level = np.abs(panel.spectra.pressure_pa).mean()
    estimate = Nuisance(panel, panel.spectra.pressure_pa + 0.1 * level * change[2], change).select(4.0)
    assert estimate.chosen == (2,)
    np.testing.assert_allclose(estimate.value[2], 0.1 * level, rtol=0, atol=4 * estimate.sigma[2])
