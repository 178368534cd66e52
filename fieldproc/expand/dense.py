"""The readable dense fit: one frequency, both wave sets, any points, scaled columns.

Works on arrays alone. Each column is scaled to unit norm before anything is factored: unscaled, a fit
of degree 8 at 20 Hz fails silently, because |h_8| and |j_8| lie 20 orders of magnitude apart.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats
from fieldproc.expand.blocks import Block, BlockSolution, solve_blocks
from fieldproc.waves.basis import WaveSet, wave_columns
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.radial import ldexp


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


@dataclass(frozen=True, slots=True)
class Scaling:
    """What was taken out of each column: true column = scaled column * norm * 2**exponent."""

    exponent: NDArray[np.int64]
    norms: Floats


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
    block, scaling = dense_block(harmonics, argument, orders, pressure)
    matrix, data = block.matrix, block.data
    solution = solve_blocks([block], matrix.shape[1], prior)
    split = coefficient_count(orders[0])
    direct, room = (
        channel_norm(matrix[:, part] @ solution.coefficients[part]) for part in (slice(split), slice(split, None))
    )
    leverage = np.abs(solution.bases[0]) ** 2 @ solution.filters[0]
    residual = (data - solution.fitted[0])[0]
    return wave_fit(solution, scaling, split, (residual.T, leverage.T), room / direct)


def dense_block(
    harmonics: Complexes, argument: Floats, orders: tuple[int, int], pressure: Complexes
) -> tuple[Block, Scaling]:
    """The whole problem as one block; arguments as for ``fit_waves``."""
    matrix, scaling = _design(harmonics, argument, orders)
    return Block(matrix, np.ascontiguousarray(pressure.T)[None], np.arange(matrix.shape[1])[None]), scaling


def wave_fit(
    solution: BlockSolution,
    scaling: Scaling,
    split: int,
    at_points: tuple[Complexes, Floats],
    room_to_direct: Floats,
) -> WaveFit:
    """A block solution with its column scaling undone; ``split`` columns are outgoing ones.

    ``at_points`` are residual and leverage, (channel, point) each.
    """
    exponent, norms = -scaling.exponent[:, None], scaling.norms[:, None]
    true = ldexp(solution.coefficients / norms, exponent).T
    # the variance of high degrees vanishes here by itself: their true columns are huge
    deviation = np.ldexp(np.sqrt(solution.variance[:split]) / norms[:split], exponent[:split])
    residual, leverage = at_points
    return WaveFit(
        outgoing=true[:, :split],
        regular=true[:, split:],
        residual=residual,
        leverage=leverage,
        condition=solution.condition,
        far_field_variance=np.sum(deviation**2, axis=0),
        room_to_direct=room_to_direct,
        weight=solution.weight,
    )


def channel_norm(values: Complexes) -> Floats:
    """Root of the square sum over all axes but the last (the channel)."""
    return np.asarray(np.sqrt(np.sum(np.abs(values) ** 2, axis=tuple(range(values.ndim - 1)))))


def _design(harmonics: Complexes, argument: Floats, orders: tuple[int, int]) -> tuple[Complexes, Scaling]:
    """Both sets side by side with unit columns, and what was taken out of them."""
    sets: tuple[tuple[WaveSet, int], ...] = (("outgoing", orders[0]), ("regular", orders[1]))
    blocks = [wave_columns(name, order, harmonics, argument) for name, order in sets if order >= 0]
    matrix = np.concatenate([columns for columns, _ in blocks], axis=1)
    exponent = np.concatenate([exponents for _, exponents in blocks])
    norms: Floats = np.linalg.norm(matrix, axis=0)
    # a column can be zero only where every point sits on a node of it; it then stays zero
    norms = np.where(norms > 0, norms, 1.0)
    return np.asfortranarray(matrix / norms), Scaling(exponent, norms)
