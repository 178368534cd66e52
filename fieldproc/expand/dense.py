"""The readable dense fit: one frequency, both wave sets, any points, scaled columns.

Works on arrays alone. Each column is scaled to unit norm before anything is factored: unscaled, a fit
of degree 8 at 20 Hz fails silently, because |h_8| and |j_8| lie 20 orders of magnitude apart.

Waves may leave from several centres (a tall loudspeaker's cells); they are reported about the expansion origin.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Booleans, Complexes, Floats, Integers
from fieldproc.expand.blocks import Block, BlockSolution, Tikhonov, solve_blocks
from fieldproc.expand.spread import BlockSpread, Both, Spread
from fieldproc.waves.basis import WaveSet, wave_columns
from fieldproc.waves.indexing import coefficient_count, column_degrees
from fieldproc.waves.radial import ldexp

Points = TypeVar("Points")


@dataclass(frozen=True, slots=True)
class WaveFit:
    """One frequency's coefficients about the expansion origin, and what the fit knows about itself.

    ``outgoing`` and ``regular`` (channel, coefficient) belong to the true columns (scaling undone);
    ``residual`` (channel, point) is data minus fit; ``leverage`` (channel, point) is the diagonal of the
    hat matrix; ``condition`` is the 2-norm condition of the unregularised, column-scaled matrix;
    ``far_field_variance`` (channel,) is the variance of the outgoing coefficients, summed, per unit
    variance at each point (with a prior: the posterior variance); ``noise`` (channel,) is the rms error of a
    point that the residual shows; ``room_to_direct`` (channel,) the rms ratio of the two parts at the points;
    ``weight`` (channel,) the regularisation, relative to the largest singular value, 0 = none. ``spread`` tells what
    errors of the data do; it holds the factors of the fit, and is there if it was asked for.
    """

    outgoing: Complexes
    regular: Complexes
    residual: Complexes
    leverage: Floats
    condition: float
    far_field_variance: Floats
    noise: Floats
    room_to_direct: Floats
    weight: Floats
    spread: Spread | None = None

    @property
    def spare(self) -> Floats:
        """One minus leverage; a point that the fit passes through exactly predicts nothing of itself."""
        return np.maximum(1.0 - self.leverage, np.finfo(float).eps)

    def far_field_gain(self, wavenumber: float) -> Floats:
        """Rms far field at 1 m, over the sphere, per rms error of the pressure at a point, (channel,)."""
        return np.asarray(np.sqrt(self.far_field_variance / (4.0 * np.pi)) / wavenumber)

    def left_out(self, pressure: Complexes) -> Floats:
        """Rms error of predicting each point from all others, re rms ``pressure``, (channel,)."""
        return np.asarray(np.linalg.norm(self.residual / self.spare, axis=1) / np.linalg.norm(pressure, axis=1))


@dataclass(frozen=True, slots=True)
class Scaling:
    """What was taken out of each column, (frequency, unknown): true column = scaled column * norm * 2**exponent."""

    exponent: NDArray[np.int64]
    norms: Floats


@dataclass(frozen=True, slots=True)
class Seen:
    """Points as one centre sees them: ``harmonics`` (point, coefficient) and ``argument`` = k r (point,)."""

    harmonics: Complexes
    argument: Floats


@dataclass(frozen=True, slots=True)
class WaveFamily(Generic[Points]):
    """Waves of one set about one centre up to ``order``, and how that centre sees the points.

    ``readout`` (coefficient about the expansion origin, own coefficient) translates there; None = it is the centre.
    """

    name: WaveSet
    order: int
    points: Points
    readout: Complexes | None = None


def both_sets(orders: tuple[int, int], points: Points) -> list[WaveFamily[Points]]:
    """The outgoing and regular waves about the expansion origin; order -1 = no such set."""
    sets: tuple[tuple[WaveSet, int], ...] = (("outgoing", orders[0]), ("regular", orders[1]))
    return [WaveFamily(name, order, points) for name, order in sets if order >= 0]


def outgoing_count(families: Sequence[WaveFamily[Points]]) -> int:
    """Number of outgoing columns; they come first."""
    return sum(coefficient_count(one.order) for one in families if one.name == "outgoing")


def fit_waves(
    harmonics: Complexes,
    argument: Floats,
    orders: tuple[int, int],
    pressure: Complexes,
    tikhonov: Tikhonov | None = None,
    *,
    spread: bool = False,
) -> WaveFit:
    """Least-squares coefficients of both wave sets at one frequency.

    ``harmonics`` (point, coefficient) and ``argument`` = k r (point,) describe the points;
    ``orders`` are the top degrees (outgoing, regular), -1 for no regular set; ``pressure``
    (channel, point). Plain least squares, or regularised: the prior of ``tikhonov`` is then the expected rms
    contribution of each column at the points, outgoing columns first. With ``spread``, the fit tells that too.
    """
    return fit_families(both_sets(orders, Seen(harmonics, argument)), pressure, tikhonov, spread=spread)


def fit_families(
    families: Sequence[WaveFamily[Seen]], pressure: Complexes, tikhonov: Tikhonov | None, *, spread: bool = False
) -> WaveFit:
    """The fit of ``fit_waves`` for any families, outgoing ones first; the prior follows their columns."""
    block, scaling = dense_block(families, pressure)
    matrix = block.matrix[0]
    solution = solve_blocks([block], matrix.shape[1], pressure[None], tikhonov)
    split = outgoing_count(families)
    direct, room = (
        channel_norm(matrix[:, part] @ solution.coefficients[0, part]) for part in (slice(split), slice(split, None))
    )
    leverage = np.abs(solution.bases[0]) ** 2 @ solution.filters[0]
    residual = (block.data - solution.fitted[0])[:, 0]
    at_points = residual.swapaxes(1, 2), leverage.swapaxes(1, 2)
    rows = _as_one_block if spread else None
    return wave_fits(families, [block.columns], solution, scaling, at_points, (room / direct)[None], rows)[0]


def _as_one_block(change: Complexes) -> list[Complexes]:
    return [change.swapaxes(1, 2)[:, None]]


def dense_block(families: Sequence[WaveFamily[Seen]], pressure: Complexes) -> tuple[Block, Scaling]:
    """The whole problem as one block, a stack of one frequency; arguments as for ``fit_families``."""
    matrix, scaling = _design(families)
    data = np.ascontiguousarray(pressure.T)[None, None]
    return Block(matrix[None], data, np.arange(matrix.shape[1])[None]), scaling


def wave_fits(
    families: Sequence[WaveFamily[Points]],
    columns: Sequence[Integers],
    solution: BlockSolution,
    scaling: Scaling,
    at_points: tuple[Complexes, Floats],
    room_to_direct: Floats,
    rows: Callable[[Complexes], list[Complexes]] | None = None,
) -> list[WaveFit]:
    """A stack of block solutions, column scaling undone and outgoing waves read out about the origin.

    ``columns`` are those of the blocks; ``at_points`` are residual and leverage, (frequency, channel, point) each;
    ``room_to_direct`` (frequency, channel). Families that have a readout come one frequency at a time. With ``rows``
    (see :class:`BlockSpread`), every fit tells its spread.
    """
    split = outgoing_count(families)
    readout = _readout(families, scaling)

    def true(at: int, unit: Complexes) -> Both:
        found = true_coefficients(unit / scaling.norms[at, :, None], scaling.exponent[at, :, None])
        outgoing = found[:split] if readout is None else readout @ unit[:split]
        return outgoing.T, found[split:].T

    variance = _far_field_variance(columns, solution, scaling, split, readout)
    highest = np.concatenate([column_degrees(one.order) == max(one.order, 1) for one in families])
    fits = []
    for at, (residual, leverage) in enumerate(zip(*at_points, strict=True)):
        outgoing, regular = true(at, solution.coefficients[at])
        fits.append(
            WaveFit(
                outgoing=outgoing,
                regular=regular,
                residual=residual,
                leverage=leverage,
                condition=float(solution.condition[at]),
                far_field_variance=variance[at],
                noise=noise_of(residual, leverage),
                room_to_direct=room_to_direct[at],
                weight=solution.weight[at],
                spread=None if rows is None else _spread(solution, columns, at, highest, rows, partial(true, at)),
            )
        )
    return fits


def _spread(
    solution: BlockSolution,
    columns: Sequence[Integers],
    at: int,
    highest: Booleans,
    rows: Callable[[Complexes], list[Complexes]],
    true: Callable[[Complexes], Both],
) -> BlockSpread:
    variances = [weights[at] for weights in solution.spread_weights]
    return BlockSpread(
        columns=columns,
        bases=[basis[at] for basis in solution.bases],
        # singular value times variance: filters are its square times the variance
        gains=[np.sqrt(kept[at] * variance) for kept, variance in zip(solution.filters, variances, strict=True)],
        spreads=[spread[at] for spread in solution.spreads],
        deviations=[np.sqrt(variance) for variance in variances],
        solution=solution.coefficients[at],
        highest=highest,
        plain=not np.any(solution.weight[at]),
        rows=rows,
        true=true,
    )


def true_coefficients(scaled: Complexes, exponent: NDArray[np.int64]) -> Complexes:
    """Coefficients of columns that were divided by 2**exponent; infinite where double precision ends."""
    # the loop refuses them, and knows the frequency
    with np.errstate(over="ignore"):
        return np.asarray(ldexp(scaled, -exponent))


def noise_of(residual: Complexes, leverage: Floats) -> Floats:
    """Rms error of a point, (channel,): unknowns used up part of it, so the rest is divided by what they left."""
    spare = np.maximum(1.0 - leverage, np.finfo(float).eps)
    return np.asarray(np.sqrt(np.sum(np.abs(residual) ** 2, axis=1) / np.sum(spare, axis=1)))


def channel_norm(values: Complexes) -> Floats:
    """Root of the square sum over all axes but the last (the channel)."""
    return np.asarray(np.sqrt(np.sum(np.abs(values) ** 2, axis=tuple(range(values.ndim - 1)))))


def _readout(families: Sequence[WaveFamily[Points]], scaling: Scaling) -> Complexes | None:
    """True coefficients about the origin from those of unit outgoing columns; None = they differ by scale alone."""
    matrices = [one.readout for one in families if one.readout is not None]
    if not matrices:
        return None
    whole = np.concatenate(matrices, axis=1)
    split = whole.shape[1]
    return np.asarray(whole * np.ldexp(1.0 / scaling.norms[0, :split], -scaling.exponent[0, :split]))


def _far_field_variance(
    columns: Sequence[Integers],
    solution: BlockSolution,
    scaling: Scaling,
    split: int,
    readout: Complexes | None,
) -> Floats:
    """Summed variance of the outgoing coefficients about the origin, (frequency, channel)."""
    total = np.zeros(solution.weight.shape)
    for places, spread, weights in zip(columns, solution.spreads, solution.spread_weights, strict=True):
        outgoing = places[0] < split
        if readout is None:
            # copies (m and -m) have the same columns but for their sign
            chosen = places[0][outgoing]
            # the variance of high degrees vanishes here by itself: their true columns are huge
            deviation = np.sqrt(np.abs(spread[:, outgoing]) ** 2 @ weights) / scaling.norms[:, chosen, None]
            total += len(places) * np.sum(np.ldexp(deviation, -scaling.exponent[:, chosen, None]) ** 2, axis=1)
            continue
        for own in places:
            seen = readout[:, own[outgoing]]
            total += np.sum(np.abs(seen[seen.any(axis=1)] @ spread[:, outgoing]) ** 2 @ weights, axis=1)
    return total


def _design(families: Sequence[WaveFamily[Seen]]) -> tuple[Complexes, Scaling]:
    """All families side by side with unit columns, and what was taken out of them."""
    blocks = [wave_columns(one.name, one.order, one.points.harmonics, one.points.argument) for one in families]
    matrix = np.concatenate([columns for columns, _ in blocks], axis=1)
    exponent = np.concatenate([exponents for _, exponents in blocks])
    norms: Floats = np.linalg.norm(matrix, axis=0)
    # a column can be zero only where every point sits on a node of it; it then stays zero
    norms = np.where(norms > 0, norms, 1.0)
    matrix /= norms
    return matrix, Scaling(exponent[None], norms[None])
