"""The readable dense solver: one frequency, both wave sets, scaled columns, optional regularisation.

Works on arrays alone. Each column is scaled to unit norm before anything is factored: unscaled, a fit
of degree 8 at 20 Hz fails silently, because |h_8| and |j_8| lie 20 orders of magnitude apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import get_lapack_funcs, qr

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.basis import WaveSet, wave_columns
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.radial import ldexp

# Regularisation weights tried, relative to the largest singular value.
_WEIGHTS = np.logspace(-7, 0, 113)


@dataclass(frozen=True, slots=True)
class WaveFit:
    """One frequency's coefficients and what the fit knows about itself.

    ``outgoing`` and ``regular`` (channel, coefficient) belong to the true columns (scaling undone);
    ``residual`` (channel, point) is data minus fit; ``leverage`` (channel, point) is the diagonal of the
    hat matrix; ``condition`` is the 2-norm condition of the unregularised, column-scaled matrix;
    ``far_field_variance`` (channel,) is the variance of the outgoing coefficients, summed, per unit
    variance at each point (with a prior: the posterior variance); ``room_to_direct`` (channel,) the rms
    ratio of the two parts at the points; ``weight`` (channel,) the regularisation, relative to the largest
    singular value, 0 = none.
    """

    outgoing: Complexes
    regular: Complexes
    residual: Complexes
    leverage: Floats
    condition: float
    far_field_variance: Floats
    room_to_direct: Floats
    weight: Floats


def fit_waves(
    harmonics: Complexes,
    argument: Floats,
    orders: tuple[int, int],
    pressure: Complexes,
    prior: Floats | None = None,
) -> WaveFit:
    """Least-squares coefficients of both wave sets at one frequency.

    ``harmonics`` (point, coefficient) and ``argument`` = k r (point,) describe the points;
    ``orders`` are the top degrees (outgoing, regular), -1 for no regular set; ``pressure``
    (channel, point). With ``prior`` (column,), the expected rms contribution of each column at the
    points, outgoing columns first, the fit is Tikhonov-regularised towards it, the weight chosen by
    marginal likelihood per channel; without, it is plain least squares.
    """
    matrix, exponent, norms = _design(harmonics, argument, orders)
    data = np.ascontiguousarray(pressure.T)
    q, r = qr(matrix, mode="economic", overwrite_a=True, check_finite=False)
    inverse, condition = _inverse_and_condition(r)
    projected = q.conj().T @ data
    if prior is None:
        solution = inverse @ projected
        leverage = np.repeat(np.sum(np.abs(q) ** 2, axis=1)[:, None], data.shape[1], axis=1)
        variance = np.repeat(np.sum(np.abs(inverse) ** 2, axis=1)[:, None], data.shape[1], axis=1)
        weight = np.zeros(data.shape[1])
        fitted = q @ projected
    else:
        solution, leverage, variance, weight = _regularised(q, r, data, projected, prior)
        fitted = q @ (r @ solution)
    split = coefficient_count(orders[0])
    parts = [q @ (r[:, part] @ solution[part]) for part in (slice(None, split), slice(split, None))]
    true = ldexp(solution / norms[:, None], -exponent[:, None]).T
    # |c|^2 of unit point variance: column scaling undone, high degrees vanish by themselves
    outgoing_variance = np.ldexp(np.sqrt(variance[:split]) / norms[:split, None], -exponent[:split, None]) ** 2
    return WaveFit(
        outgoing=true[:, :split],
        regular=true[:, split:],
        residual=(data - fitted).T,
        leverage=leverage.T,
        condition=condition,
        far_field_variance=outgoing_variance.sum(axis=0),
        room_to_direct=_rms(parts[1]) / _rms(parts[0]),
        weight=weight,
    )


def _design(
    harmonics: Complexes, argument: Floats, orders: tuple[int, int]
) -> tuple[Complexes, NDArray[np.int64], Floats]:
    """Both sets side by side with unit columns: matrix, exponents and norms taken out of each column."""
    sets: tuple[tuple[WaveSet, int], ...] = (("outgoing", orders[0]), ("regular", orders[1]))
    blocks = [wave_columns(name, order, harmonics, argument) for name, order in sets if order >= 0]
    matrix = np.concatenate([columns for columns, _ in blocks], axis=1)
    exponent = np.concatenate([exponents for _, exponents in blocks])
    norms: Floats = np.linalg.norm(matrix, axis=0)
    # a column can be zero only where every point sits on a node of it; it then stays zero
    norms = np.where(norms > 0, norms, 1.0)
    return np.asfortranarray(matrix / norms), exponent, norms


def _inverse_and_condition(r: Complexes) -> tuple[Complexes, float]:
    """Inverse of the triangular factor and the 2-norm condition (to a few percent, from below)."""
    trtri = get_lapack_funcs("trtri", (r,))
    inverse, info = trtri(r, lower=0)
    if info > 0:
        return r, float("inf")
    return inverse, _spectral_norm(r) * _spectral_norm(inverse)


def _spectral_norm(matrix: Complexes, iterations: int = 20) -> float:
    """Largest singular value by power iteration; a fixed start vector keeps runs identical."""
    vector = np.exp(1j * np.arange(matrix.shape[1]) ** 2)
    for _ in range(iterations):
        # (A v)^H A conjugated is A^H A v, without a copy of the conjugate matrix
        vector = ((matrix @ (vector / np.linalg.norm(vector))).conj() @ matrix).conj()
    return float(np.sqrt(np.linalg.norm(vector)))


def _regularised(
    q: Complexes, r: Complexes, data: Complexes, projected: Complexes, prior: Floats
) -> tuple[Complexes, Floats, Floats, Floats]:
    """Tikhonov in the coordinates of the prior; weight per channel by maximum marginal likelihood.

    With data = noise of variance v plus columns of variance v / w^2, minus the log likelihood is
    M log(misfit) + sum log(1 + s^2/w^2), v eliminated (Pereira, Antoni & Leclere, Applied Acoustics 97
    (2015) 11). Generalised cross-validation held the fit a hundred times more loosely on the measured head,
    to no better prediction.
    """
    left, singular, right = np.linalg.svd(r * prior, full_matrices=False)
    rotated = left.conj().T @ projected
    outside = np.sum(np.abs(data) ** 2, axis=0) - np.sum(np.abs(projected) ** 2, axis=0)
    weights = _WEIGHTS * singular[0]
    kept = singular**2 / (singular**2 + weights[:, None] ** 2)
    misfit = np.maximum(outside, 0.0) + (1.0 - kept) @ np.abs(rotated) ** 2
    spread = np.sum(np.log1p((singular / weights[:, None]) ** 2), axis=1)
    likelihood = len(data) * np.log(misfit) + spread[:, None]
    chosen = np.argmin(likelihood, axis=0)
    filters = kept[chosen].T
    solution = prior[:, None] * (right.conj().T @ (filters / singular[:, None] * rotated))
    leverage = np.abs(q @ left) ** 2 @ filters
    # posterior, not noise alone: 1/(s^2 + w^2) holds what the prior left open where the data say nothing
    variance = prior[:, None] ** 2 * (np.abs(right.conj().T) ** 2 @ (filters / singular[:, None] ** 2))
    return solution, leverage, variance, _WEIGHTS[chosen]


def _rms(values: Complexes) -> Floats:
    """Root mean square over the points, per channel."""
    return np.asarray(np.sqrt(np.mean(np.abs(values) ** 2, axis=0)))
