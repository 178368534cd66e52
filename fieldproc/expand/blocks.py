"""Least squares in independent blocks: the one solver behind the dense fit (one block) and the ring fit (many).

A block shares no row and no column with another. Columns have unit norm over the whole problem. Several
blocks may have the same matrix (azimuthal orders m and -m on rings); they travel as copies of one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import get_lapack_funcs, qr

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.eigenvalue import largest_eigenvalue

# Regularisation weights tried, relative to the largest singular value.
_WEIGHTS = np.logspace(-7, 0, 113)
# Up to this size the exact singular values cost less than iterating for the largest and smallest.
_SMALL = 100


@dataclass(frozen=True, slots=True)
class Block:
    """``matrix`` (row, column), ``data`` (copy, row, channel), and the places of its columns among all
    unknowns, ``columns`` (copy, column)."""

    matrix: Complexes
    data: Complexes
    columns: Integers


@dataclass(frozen=True, slots=True)
class BlockSolution:
    """Solution of all blocks.

    ``coefficients`` (unknown, channel) belong to the unit columns. ``fitted`` holds per block (copy, row,
    channel). The hat matrix of a block is ``bases`` (row, column) times ``filters`` (column, channel) times its
    adjoint. The covariance of its unknowns, per unit variance of a row (posterior, with a prior), is ``spreads``
    (column, part) times ``spread_weights`` (part, channel) times its adjoint. ``weight`` (channel,) is the
    regularisation relative to the largest singular value, 0 = none.
    """

    coefficients: Complexes
    fitted: list[Complexes]
    bases: list[Complexes]
    filters: list[Floats]
    spreads: list[Complexes]
    spread_weights: list[Floats]
    condition: float
    weight: Floats


@dataclass(frozen=True, slots=True)
class _Factored:
    block: Block
    q: Complexes
    r: Complexes
    inverse: Complexes
    largest: float
    smallest: float
    projected: Complexes


def solve_blocks(
    blocks: Sequence[Block], unknowns: int, prior: Floats | None, regularise_above: float = 0.0
) -> BlockSolution:
    """Solve ``unknowns`` unknowns; with ``prior`` (unknown,), Tikhonov-regularised towards it.

    ``prior`` is the expected rms of each unknown, and is used where the condition exceeds ``regularise_above``.
    Copies of a block must share their priors.
    """
    factored = [_factor(block) for block in blocks]
    smallest = min(one.smallest for one in factored)
    condition = max(one.largest for one in factored) / smallest if smallest > 0 else float("inf")
    channels = blocks[0].data.shape[2]
    if prior is not None and not condition <= regularise_above:
        return _regularised(factored, prior, condition, np.zeros((unknowns, channels), dtype=np.complex128))
    coefficients = np.zeros((unknowns, channels), dtype=np.complex128)
    for one in factored:
        coefficients[one.block.columns] = one.inverse @ one.projected
    ones = [np.ones((one.q.shape[1], channels)) for one in factored]
    return BlockSolution(
        coefficients,
        fitted=[_rows(one, one.q @ one.projected) for one in factored],
        bases=[_rows(one, one.q) for one in factored],
        filters=ones,
        spreads=[one.inverse for one in factored],
        spread_weights=ones,
        condition=condition,
        weight=np.zeros(channels),
    )


def explained_energy(blocks: Sequence[Block], level: Integers, levels: int) -> tuple[Floats, Floats]:
    """What each level of unknowns explains on top of all higher levels, and how independent it is of them.

    ``level`` (unknown,) from 0 to ``levels`` - 1; the highest come first. One factorisation serves every nested
    selection of unknowns: columns stand in the order of the selections, unpivoted. Returns the square sum of
    the data explained, (level, channel), and the smallest distance of a unit column from the span of those
    before it, (level,): the condition of a selection is at least one over the smallest of its levels.
    """
    energy, independence = np.zeros((levels, blocks[0].data.shape[2])), np.ones(levels)
    for block in blocks:
        order = np.argsort(-level[block.columns[0]], kind="stable")
        own = level[block.columns[0][order]]
        q, r = qr(block.matrix[:, order], mode="economic", check_finite=False)
        projected = np.sum(np.abs(q.conj().T @ block.data) ** 2, axis=0)
        np.add.at(energy, own[: len(projected)], projected)
        distance = np.zeros(len(order))
        distance[: len(projected)] = np.abs(np.diagonal(r))
        np.minimum.at(independence, own, distance)
    return energy, independence


def _factor(block: Block) -> _Factored:
    matrix, data = block.matrix, block.data
    short = matrix.shape[1] - matrix.shape[0]
    if short > 0:
        # fewer rows than columns: zero rows change nothing and keep the factor square (and singular)
        matrix = np.pad(matrix, ((0, short), (0, 0)))
        data = np.pad(data, ((0, 0), (0, short), (0, 0)))
    q, r = qr(matrix, mode="economic", check_finite=False)
    trtri = get_lapack_funcs("trtri", (r,))
    inverse, info = trtri(r, lower=0)
    if info > 0:
        # no plain solution; what would be computed from it is no number either
        inverse = np.full_like(r, np.nan)
        largest, smallest = float(np.linalg.norm(r)), 0.0
    elif len(r) <= _SMALL:
        values = np.linalg.svd(r, compute_uv=False)
        largest, smallest = float(values[0]), float(values[-1])
    else:
        largest, smallest = _spectral_norm(r), 1.0 / _spectral_norm(inverse)
    return _Factored(block, q, r, inverse, largest, smallest, q.conj().T @ data)


def _rows(factored: _Factored, values: Complexes) -> Complexes:
    """Values on the true rows of the block, padding left off; rows are the last axis but one."""
    return np.asarray(values[..., : len(factored.block.matrix), :])


def _spectral_norm(matrix: Complexes) -> float:
    """Largest singular value, to a few percent."""

    def gram(values: Complexes) -> Complexes:
        # A^H A v without a copy of the conjugate matrix
        return np.asarray(((matrix @ values).conj().T @ matrix).conj().T)

    return float(np.sqrt(largest_eigenvalue(gram, matrix.shape[1])))


def _regularised(
    factored: Sequence[_Factored], prior: Floats, condition: float, coefficients: Complexes
) -> BlockSolution:
    """Tikhonov in the coordinates of the prior; weight per channel by maximum marginal likelihood.

    With data = noise of variance v plus columns of variance v / w^2, minus the log likelihood is
    M log(misfit) + sum log(1 + s^2/w^2), v eliminated (Pereira, Antoni & Leclere, Applied Acoustics 97
    (2015) 11). Generalised cross-validation held the fit a hundred times more loosely on the measured head,
    to no better prediction.
    """
    priors = [prior[one.block.columns[0]] for one in factored]
    parts = [np.linalg.svd(one.r * own, full_matrices=False) for one, own in zip(factored, priors, strict=True)]
    rotated = [left.conj().T @ one.projected for one, (left, _, _) in zip(factored, parts, strict=True)]
    weights = _WEIGHTS * max(singular[0] for _, singular, _ in parts)
    chosen = np.argmin(_likelihood(factored, parts, rotated, weights), axis=0)
    bases, filters, fitted, spreads, damping = [], [], [], [], []
    for one, own, (left, singular, right), turned in zip(factored, priors, parts, rotated, strict=True):
        # 1/(s^2 + w^2), finite also where the data say nothing (s = 0)
        damped = 1.0 / (singular[:, None] ** 2 + weights[chosen] ** 2)
        kept = singular[:, None] ** 2 * damped
        bases.append(_rows(one, one.q @ left))
        filters.append(kept)
        fitted.append(bases[-1] @ (kept * turned))
        # posterior, not noise alone: it holds what the prior left open where the data say nothing
        spreads.append(own[:, None] * right.conj().T)
        damping.append(damped)
        coefficients[one.block.columns] = spreads[-1] @ (singular[:, None] * damped * turned)
    return BlockSolution(coefficients, fitted, bases, filters, spreads, damping, condition, _WEIGHTS[chosen])


def _likelihood(
    factored: Sequence[_Factored],
    parts: Sequence[tuple[Complexes, Floats, Complexes]],
    rotated: Sequence[Complexes],
    weights: Floats,
) -> Floats:
    """Minus the log likelihood of each weight, (weight, channel)."""
    channels = rotated[0].shape[2]
    misfit, spread, rows = np.zeros((len(weights), channels)), np.zeros(len(weights)), 0
    for one, (_, singular, _), turned in zip(factored, parts, rotated, strict=True):
        energy = np.sum(np.abs(one.block.data) ** 2, axis=(0, 1)) - np.sum(np.abs(one.projected) ** 2, axis=(0, 1))
        lost = weights[:, None] ** 2 / (singular**2 + weights[:, None] ** 2)
        misfit += np.maximum(energy, 0.0) + lost @ np.sum(np.abs(turned) ** 2, axis=0)
        copies, count, _ = one.block.data.shape
        spread += copies * np.sum(np.log1p((singular / weights[:, None]) ** 2), axis=1)
        rows += copies * count
    return np.asarray(rows * np.log(misfit) + spread[:, None])
