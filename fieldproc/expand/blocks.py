"""Least squares in independent blocks: the one solver behind the dense fit (one block) and the ring fit (many).

A block shares no row and no column with another. Columns have unit norm over the whole problem. Several
blocks may have the same matrix (azimuthal orders m and -m on rings); they travel as copies of one.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.linalg import get_lapack_funcs, qr

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.eigenvalue import largest_eigenvalue

# How a regularisation weight is chosen.
WeightBy = Literal["likelihood", "cross-validation"]
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
class Tikhonov:
    """Regularisation towards ``prior`` (unknown,), the expected rms of each unknown.

    It takes effect where the condition exceeds ``above``; its weight is chosen per channel, by ``weight_by``.
    """

    prior: Floats
    above: float = 0.0
    weight_by: WeightBy = "likelihood"


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
    projected: Complexes


def solve_blocks(
    blocks: Sequence[Block], unknowns: int, pressure: Complexes, tikhonov: Tikhonov | None
) -> BlockSolution:
    """Solve ``unknowns`` unknowns, plainly or regularised. Copies of a block must share their priors.

    ``pressure`` (channel, point) is all data: blocks leave out what no column reaches, which is noise all the same.
    """
    factored = [_factor(block) for block in blocks]
    condition = _condition(factored)
    channels = blocks[0].data.shape[2]
    coefficients = np.zeros((unknowns, channels), dtype=np.complex128)
    if tikhonov is not None and not condition <= tikhonov.above:
        return _regularised(factored, pressure, tikhonov, condition, coefficients)
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
    geqrf, ungqr, trtri = get_lapack_funcs(("geqrf", "ungqr", "trtri"), (matrix,))
    packed, reflectors, _, _ = geqrf(matrix)
    r = np.triu(packed[: packed.shape[1]])
    q, _, _ = ungqr(packed, reflectors, overwrite_a=True)
    inverse, info = trtri(r, lower=0)
    if info > 0:
        # no plain solution; what would be computed from it is no number either
        inverse = np.full_like(r, np.nan)
    return _Factored(block, q, r, inverse, q.conj().T @ data)


def _condition(factored: Sequence[_Factored]) -> float:
    """2-norm condition of all blocks together: exact for small ones, to a few percent for large ones.

    A Frobenius norm is an upper bound of the 2-norm, so most blocks need not be looked at.
    """
    of_factor = np.array([np.linalg.norm(one.r) for one in factored])
    of_inverse = np.array([np.linalg.norm(one.inverse) for one in factored])
    if not np.all(np.isfinite(of_inverse)):
        return float("inf")
    largest = inverse = 0.0
    for at in np.argsort(-of_factor * of_inverse):
        if of_factor[at] > largest or of_inverse[at] > inverse:
            own, own_inverse = _extremes(factored[at])
            largest, inverse = max(largest, own), max(inverse, own_inverse)
    return largest * inverse


def _extremes(factored: _Factored) -> tuple[float, float]:
    """Largest singular values of a triangular factor and of its inverse."""
    if len(factored.r) <= _SMALL:
        values = np.linalg.svd(factored.r, compute_uv=False)
        return float(values[0]), float(1.0 / values[-1]) if values[-1] > 0 else float("inf")
    return _spectral_norm(factored.r), _spectral_norm(factored.inverse)


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
    factored: Sequence[_Factored],
    pressure: Complexes,
    tikhonov: Tikhonov,
    condition: float,
    coefficients: Complexes,
) -> BlockSolution:
    """Tikhonov in the coordinates of the prior; ``coefficients`` are filled in."""
    priors = [tikhonov.prior[one.block.columns[0]] for one in factored]
    parts = [np.linalg.svd(one.r * own, full_matrices=False) for one, own in zip(factored, priors, strict=True)]
    rotated = [left.conj().T @ one.projected for one, (left, _, _) in zip(factored, parts, strict=True)]
    weights = _WEIGHTS * max(singular[0] for _, singular, _ in parts)
    chosen = np.argmin(_CRITERIA[tikhonov.weight_by](*_misfit(factored, pressure, parts, rotated, weights)), axis=0)
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


def _misfit(
    factored: Sequence[_Factored],
    pressure: Complexes,
    parts: Sequence[tuple[Complexes, Floats, Complexes]],
    rotated: Sequence[Complexes],
    weights: Floats,
) -> tuple[Floats, Floats, Floats, int]:
    """Square sum of the misfit of each weight, (weight, channel); per weight (weight, 1) the effective number of
    unknowns and sum log(1 + s^2/w^2); the number of rows."""
    reached = sum(np.sum(np.abs(one.projected) ** 2, axis=(0, 1)) for one in factored)
    misfit = np.tile(np.maximum(np.sum(np.abs(pressure) ** 2, axis=1) - reached, 0.0), (len(weights), 1))
    effective, spread = np.zeros((len(weights), 1)), np.zeros((len(weights), 1))
    for one, (_, singular, _), turned in zip(factored, parts, rotated, strict=True):
        lost = weights[:, None] ** 2 / (singular**2 + weights[:, None] ** 2)
        misfit += lost @ np.sum(np.abs(turned) ** 2, axis=0)
        copies = len(one.block.data)
        effective += copies * np.sum(1.0 - lost, axis=1, keepdims=True)
        spread += copies * np.sum(np.log1p((singular / weights[:, None]) ** 2), axis=1, keepdims=True)
    return misfit, effective, spread, pressure.shape[1]


def _likelihood(misfit: Floats, _effective: Floats, spread: Floats, rows: int) -> Floats:
    """Minus the log marginal likelihood.

    With data = noise of variance v plus columns of variance v / w^2 it is M log(misfit) + sum log(1 + s^2/w^2), v
    eliminated (Pereira, Antoni & Leclere, Applied Acoustics 97 (2015) 11).
    """
    return np.asarray(rows * np.log(misfit) + spread)


def _cross_validation(misfit: Floats, effective: Floats, _spread: Floats, rows: int) -> Floats:
    """Generalised cross-validation, misfit / (rows - effective unknowns)^2 (Golub, Heath & Wahba 1979)."""
    return np.asarray(misfit / np.maximum(rows - effective, np.finfo(float).eps * rows) ** 2)


_CRITERIA: dict[WeightBy, Callable[[Floats, Floats, Floats, int], Floats]] = {
    "likelihood": _likelihood,
    "cross-validation": _cross_validation,
}
