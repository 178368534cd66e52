"""One frequency's fit against a readable twin: least squares, leverage, leaving out, regularisation."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of, matrix_of, spiral

from fieldproc.expand.blocks import Tikhonov
from fieldproc.expand.dense import WaveFit, fit_waves

POINTS = 60
CHANNELS = 2
# Relative errors of coefficients: rounding times the condition of the matrices below, all under 25.
CLOSE = 1e-11


class Case:
    """A shell of random radii, two channels of noise on top of waves of both kinds."""

    def __init__(self, orders: tuple[int, int], wavenumber: float, seed: int = 1) -> None:
        generator = np.random.default_rng(seed)
        self.orders = orders
        self.argument = wavenumber * generator.uniform(0.3, 0.5, POINTS)
        offsets_m = spiral(POINTS) * (self.argument / wavenumber)[:, None]
        self.harmonics = harmonics_of(max(orders), offsets_m)
        self.matrix = matrix_of(offsets_m, wavenumber, orders)
        self.norms = np.linalg.norm(self.matrix, axis=0)
        self.columns = self.matrix / self.norms
        waves = complex_normal(generator, CHANNELS, self.matrix.shape[1]) @ self.columns.T
        self.pressure = waves + 0.05 * complex_normal(generator, CHANNELS, POINTS)
        # a smooth prior that falls with the column, as the rule's does with the degree
        self.prior = 0.8 ** np.arange(self.matrix.shape[1])
        self.split = (orders[0] + 1) ** 2

    def fit(self, prior: np.ndarray | None = None) -> WaveFit:
        return fit_waves(
            self.harmonics, self.argument, self.orders, self.pressure, None if prior is None else Tikhonov(prior)
        )

    def plain_residual(self, kept: np.ndarray) -> np.ndarray:
        """Data minus the fit to the kept points alone, at all points (channel, point)."""
        solution = np.linalg.lstsq(self.columns[kept], self.pressure[:, kept].T, rcond=None)[0]
        return self.pressure - (self.columns @ solution).T

    def regularised(self, weight: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Scaled coefficients z (channel, column), hat matrix and residual of the augmented least squares.

        Minimises |y - A P z|^2 + |w z|^2, w relative to the largest singular value of A P.
        """
        scaled = self.columns * self.prior
        absolute = weight * np.linalg.svd(scaled, compute_uv=False)[0]
        augmented = np.concatenate([scaled, absolute * np.eye(scaled.shape[1])])
        inverse = np.linalg.pinv(augmented)[:, :POINTS]
        hat = scaled @ inverse
        return self.pressure @ inverse.T, hat, self.pressure - self.pressure @ hat.T


CASES = [Case((2, 2), 6.0), Case((3, 1), 9.0), Case((3, -1), 4.0), Case((0, 3), 5.0)]


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.orders))
def test_plain_fit_is_least_squares(case: Case) -> None:
    fit = case.fit()
    scaled = np.linalg.lstsq(case.columns, case.pressure.T, rcond=None)[0].T
    expected = scaled / case.norms
    np.testing.assert_allclose(fit.outgoing, expected[:, : case.split], rtol=CLOSE)
    np.testing.assert_allclose(fit.regular, expected[:, case.split :], rtol=CLOSE)
    # residuals are a twentieth of the data, so they lose a digit
    np.testing.assert_allclose(fit.residual, case.plain_residual(np.arange(POINTS)), rtol=0, atol=1e-13)
    assert fit.weight.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.orders))
def test_leverage_is_the_diagonal_of_the_hat_matrix(case: Case) -> None:
    hat = case.columns @ np.linalg.pinv(case.columns)
    np.testing.assert_allclose(case.fit().leverage, np.tile(np.diag(hat).real, (CHANNELS, 1)), rtol=CLOSE)
    # the trace of a projection is its rank
    np.testing.assert_allclose(case.fit().leverage.sum(axis=1), case.columns.shape[1], rtol=CLOSE)


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.orders))
def test_left_out_error_is_that_of_really_leaving_out(case: Case) -> None:
    fit = case.fit()
    claimed = fit.residual / (1.0 - fit.leverage)
    for point in range(0, POINTS, 7):
        kept = np.delete(np.arange(POINTS), point)
        np.testing.assert_allclose(claimed[:, point], case.plain_residual(kept)[:, point], rtol=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_condition_is_that_of_the_scaled_matrix(seed: int) -> None:
    case = Case((3, 3), [0.5, 2.0, 5.0, 9.0, 14.0, 20.0][seed], seed)
    ratio = case.fit().condition / np.linalg.cond(case.columns)
    # a power iteration comes from below; limits that use it are whole factors
    assert 0.95 < ratio < 1.0 + 1e-9


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.orders))
def test_variance_of_the_outgoing_coefficients(case: Case) -> None:
    """Per unit variance at each point: the diagonal of (A^H A)^-1 of the true columns."""
    covariance = np.linalg.inv(case.columns.conj().T @ case.columns)
    variance = np.diag(covariance).real / case.norms**2
    np.testing.assert_allclose(case.fit().far_field_variance, [variance[: case.split].sum()] * CHANNELS, rtol=1e-9)


def test_room_to_direct_is_the_ratio_of_both_parts_at_the_points() -> None:
    case = CASES[0]
    fit = case.fit()
    direct = np.linalg.norm(fit.outgoing @ case.matrix[:, : case.split].T, axis=1)
    room = np.linalg.norm(fit.regular @ case.matrix[:, case.split :].T, axis=1)
    np.testing.assert_allclose(fit.room_to_direct, room / direct, rtol=CLOSE)
    assert CASES[2].fit().room_to_direct.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.orders))
def test_regularised_fit_is_the_augmented_least_squares(case: Case) -> None:
    fit = case.fit(case.prior)
    for channel, weight in enumerate(fit.weight):
        solution, hat, residual = case.regularised(weight)
        expected = solution[channel] * case.prior / case.norms
        found = np.concatenate([fit.outgoing[channel], fit.regular[channel]])
        np.testing.assert_allclose(found, expected, rtol=1e-9)
        np.testing.assert_allclose(fit.leverage[channel], np.diag(hat).real, rtol=1e-9)
        np.testing.assert_allclose(fit.residual[channel], residual[channel], rtol=0, atol=1e-12)


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.orders))
def test_weight_maximises_the_marginal_likelihood(case: Case) -> None:
    """The full Gaussian likelihood of each channel: covariance v (1 + S S^H / w^2), v at its best value."""
    scaled = case.columns * case.prior
    largest = np.linalg.svd(scaled, compute_uv=False)[0]

    def cost(weight: float, data: np.ndarray) -> float:
        covariance = np.eye(POINTS) + scaled @ scaled.conj().T / (weight * largest) ** 2
        misfit = np.vdot(data, np.linalg.solve(covariance, data)).real
        return float(POINTS * np.log(misfit) + np.linalg.slogdet(covariance)[1])

    for data, weight in zip(case.pressure, case.fit(case.prior).weight, strict=True):
        # below 1e-5 the covariance itself is ill-conditioned; noise 26 dB down keeps the best far above
        best = min(cost(other, data) for other in np.logspace(-5, 0, 201))
        # the grid of weights is 16 per decade here and 40 there: one step there changes the cost by 0.1
        assert weight > 1e-3
        assert cost(weight, data) < best + 0.1


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.orders))
def test_weight_minimises_the_cross_validation_error(case: Case) -> None:
    """By the definition: misfit over the square of the points that are left, from the hat matrix written out."""
    tikhonov = Tikhonov(case.prior, weight_by="cross-validation")
    fit = fit_waves(case.harmonics, case.argument, case.orders, case.pressure, tikhonov)

    def cost(weight: float, channel: int) -> float:
        _, hat, residual = case.regularised(weight)
        return float(np.log(np.sum(np.abs(residual[channel]) ** 2) / (POINTS - np.trace(hat).real) ** 2))

    for channel, weight in enumerate(fit.weight):
        best = min(cost(other, channel) for other in np.logspace(-5, 0, 101))
        # one step of the grid of weights, 15 %, changes the log of the error by less than that squared
        assert cost(weight, channel) < best + 0.02


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.orders))
def test_variance_with_a_prior_is_the_posterior(case: Case) -> None:
    """P (P A^H A P + w^2)^-1 P: what the prior leaves open where the points say nothing counts too."""
    fit = case.fit(case.prior)
    scaled = case.columns * case.prior
    for channel, weight in enumerate(fit.weight):
        absolute = weight * np.linalg.svd(scaled, compute_uv=False)[0]
        posterior = np.linalg.inv(scaled.conj().T @ scaled + absolute**2 * np.eye(scaled.shape[1]))
        variance = np.diag(posterior).real * case.prior**2 / case.norms**2
        np.testing.assert_allclose(fit.far_field_variance[channel], variance[: case.split].sum(), rtol=1e-9)


def test_high_degrees_at_low_frequency_survive_the_scaling() -> None:
    """|h_8| and |j_8| at 20 Hz lie 20 orders of magnitude apart; the fit must not notice."""
    wavenumber = 2 * np.pi * 20.0 / 343.2
    generator = np.random.default_rng(5)
    points = 220
    radius_m = generator.uniform(0.3, 0.5, points)
    offsets_m = spiral(points) * radius_m[:, None]
    matrix = matrix_of(offsets_m, wavenumber, (8, 8))
    norms = np.linalg.norm(matrix, axis=0)
    true = complex_normal(generator, 1, 162)
    fit = fit_waves(harmonics_of(8, offsets_m), wavenumber * radius_m, (8, 8), true @ (matrix / norms).T)
    found = np.concatenate([fit.outgoing, fit.regular], axis=1) * norms
    assert norms.max() / norms.min() > 1e18
    # rounding times the condition of the scaled matrix, about 1e3
    np.testing.assert_allclose(found, true, rtol=1e-10)
