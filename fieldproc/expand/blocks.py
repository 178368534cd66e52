"""Least squares in independent blocks: the one solver behind the dense fit (one block) and the ring fit (many).

A block shares no row and no column with another. Columns have unit norm over the whole problem. Several
blocks may have the same matrix (azimuthal orders m and -m on rings); they travel as copies of one. Several
frequencies with the same blocks travel as a stack, first axis of everything: small matrices go many at a call.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import get_lapack_funcs

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.eigenvalue import largest_eigenvalue

# How a regularisation weight is chosen.
WeightBy = Literal["likelihood", "cross-validation"]
# Regularisation weights tried, relative to the largest singular value.
_WEIGHTS = np.logspace(-7, 0, 113)
# Up to this size, exact singular values cost less than iterating for the largest and smallest, and a stack of
# general inverses less than one triangular inverse after the other.
_SMALL = 100


@dataclass(frozen=True, slots=True)
class Block:
    """``matrix`` (frequency, row, column), ``data`` (frequency, copy, row, channel), and the places of its columns
    among all unknowns, ``columns`` (copy, column)."""

    matrix: NDArray[Any]
    data: NDArray[Any]
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
    """Solution of all blocks, frequency first in every array.

    ``coefficients`` (frequency, unknown, channel) belong to the unit columns. ``fitted`` holds per block (frequency,
    copy, row, channel). The hat matrix of a block is ``bases`` (frequency, row, column) times ``filters`` (frequency,
    column, channel) times its adjoint. The covariance of its unknowns, per unit variance of a row (posterior, with a
    prior), is ``spreads`` (frequency, column, part) times ``spread_weights`` (frequency, part, channel) times its
    adjoint. ``weight`` (frequency, channel) is the regularisation relative to the largest singular value, 0 = none.
    """

    coefficients: Complexes
    fitted: list[Complexes]
    bases: list[Complexes]
    filters: list[Floats]
    spreads: list[Complexes]
    spread_weights: list[Floats]
    condition: Floats
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

    ``pressure`` (frequency, channel, point) is all data: blocks leave out what no column reaches, which is noise all
    the same.
    """
    factored = [_factor(block) for block in blocks]
    frequencies, channels = pressure.shape[:2]
    solution = BlockSolution(
        coefficients=np.zeros((frequencies, unknowns, channels), dtype=np.complex128),
        fitted=[_rows(one, one.q[:, None] @ one.projected) for one in factored],
        bases=[_rows(one, one.q) for one in factored],
        filters=[np.ones((frequencies, one.r.shape[2], channels)) for one in factored],
        spreads=[one.inverse for one in factored],
        spread_weights=[np.ones((frequencies, one.r.shape[2], channels)) for one in factored],
        condition=_conditions(factored),
        weight=np.zeros((frequencies, channels)),
    )
    for one in factored:
        solution.coefficients[:, one.block.columns] = one.inverse[:, None] @ one.projected
    if tikhonov is not None:
        for at in np.flatnonzero(~(solution.condition <= tikhonov.above)):
            _regularise(solution, factored, int(at), pressure[at], tikhonov)
    return solution


def explained_energy(blocks: Sequence[Block], level: Integers, levels: int) -> tuple[Floats, Floats]:
    """What each level of unknowns explains on top of all higher levels, and how independent they are of these.

    ``blocks`` of one frequency; ``level`` (unknown,) from 0 to ``levels`` - 1; the highest come first, and of one
    level the last unknowns first. One factorisation serves every nested selection of unknowns: columns stand in the
    order of the selections, unpivoted. Returns the square sum of the data explained, (level, channel), and the
    distance of every unit column from the span of those before it, (unknown,): the condition of a selection is at
    least one over the smallest of its unknowns.
    """
    energy, distance = np.zeros((levels, blocks[0].data.shape[-1])), np.zeros(len(level))
    for block in blocks:
        count = block.columns.shape[1]
        order = count - 1 - np.argsort(-level[block.columns[0][::-1]], kind="stable")
        copies, rows, channels = block.data.shape[1:]
        beside = np.moveaxis(block.data[0], 0, 1).reshape(rows, copies * channels)
        # the data go through the factorisation beside the matrix: no orthogonal factor is needed
        whole = np.concatenate([block.matrix[0][:, order], beside], axis=1)
        r: NDArray[Any] = np.asarray(np.linalg.qr(whole, mode="r"))
        held = min(rows, count)
        projected = np.abs(r[:held, count:].reshape(held, copies, channels)) ** 2
        np.add.at(energy, level[block.columns[0][order]][:held], projected.sum(axis=1))
        distance[block.columns[:, order[:held]]] = np.abs(np.diagonal(r)[:held])
    return energy, distance


def _factor(block: Block) -> _Factored:
    matrix, data = block.matrix, block.data
    short = matrix.shape[2] - matrix.shape[1]
    if short > 0:
        # fewer rows than columns: zero rows change nothing and keep the factor square (and singular)
        matrix = np.pad(matrix, ((0, 0), (0, short), (0, 0)))
        data = np.pad(data, ((0, 0), (0, 0), (0, short), (0, 0)))
    q, r = np.linalg.qr(matrix)
    return _Factored(block, q, r, _triangular_inverse(r), q.conj().swapaxes(1, 2)[:, None] @ data)


def _triangular_inverse(r: Complexes) -> Complexes:
    """Inverses of upper triangles (frequency, column, column); nan where there is none."""
    inverse = np.full_like(r, np.nan)
    # no plain solution; what would be computed from it is no number either
    regular = np.all(np.diagonal(r, axis1=1, axis2=2) != 0, axis=1)
    if r.shape[1] <= _SMALL:
        inverse[regular] = np.linalg.inv(r[regular])
        return inverse
    (trtri,) = get_lapack_funcs(("trtri",), (r,))
    for at in np.flatnonzero(regular):
        inverse[at] = trtri(r[at], lower=0)[0]
    return inverse


def _conditions(factored: Sequence[_Factored]) -> Floats:
    """2-norm condition of all blocks together, (frequency,): exact for small ones, to a few percent for others."""
    extremes = np.array([_extremes(one) for one in factored])
    largest, inverse = extremes.max(axis=0)
    return np.asarray(largest * inverse)


def _extremes(factored: _Factored) -> tuple[Floats, Floats]:
    """Largest singular values of the triangular factors and of their inverses, (frequency,) each."""
    if factored.r.shape[1] <= _SMALL:
        values = np.asarray(np.linalg.svd(factored.r, compute_uv=False), dtype=np.float64)
        with np.errstate(divide="ignore"):
            inverses: Floats = 1.0 / values[:, -1]
        return values[:, 0], inverses
    largest = np.array([_spectral_norm(one) for one in factored.r])
    singular = np.isnan(factored.inverse[:, 0, 0])
    inverse = [np.inf if lost else _spectral_norm(one) for lost, one in zip(singular, factored.inverse, strict=True)]
    return largest, np.array(inverse)


def _rows(factored: _Factored, values: Complexes) -> Complexes:
    """Values on the true rows of the block, padding left off; rows are the last axis but one."""
    return np.asarray(values[..., : factored.block.matrix.shape[1], :])


def _spectral_norm(matrix: Complexes) -> float:
    """Largest singular value, to a few percent."""

    def gram(values: Complexes) -> Complexes:
        # A^H A v without a copy of the conjugate matrix
        return np.asarray(((matrix @ values).conj().T @ matrix).conj().T)

    return float(np.sqrt(largest_eigenvalue(gram, matrix.shape[1])))


def _regularise(
    solution: BlockSolution, factored: Sequence[_Factored], at: int, pressure: Complexes, tikhonov: Tikhonov
) -> None:
    """Put frequency ``at`` of a solution right: Tikhonov in the coordinates of the prior."""
    priors = [tikhonov.prior[one.block.columns[0]] for one in factored]
    parts = [np.linalg.svd(one.r[at] * own, full_matrices=False) for one, own in zip(factored, priors, strict=True)]
    rotated = [left.conj().T @ one.projected[at] for one, (left, _, _) in zip(factored, parts, strict=True)]
    weights = _WEIGHTS * max(singular[0] for _, singular, _ in parts)
    misfit = _misfit(factored, at, pressure, parts, rotated, weights)
    chosen = np.argmin(_CRITERIA[tikhonov.weight_by](*misfit), axis=0)
    solution.weight[at] = _WEIGHTS[chosen]
    for number, (one, own, (left, singular, right), turned) in enumerate(
        zip(factored, priors, parts, rotated, strict=True)
    ):
        # 1/(s^2 + w^2), finite also where the data say nothing (s = 0)
        damped = 1.0 / (singular[:, None] ** 2 + weights[chosen] ** 2)
        kept = singular[:, None] ** 2 * damped
        basis = _rows(one, one.q[at] @ left)
        solution.bases[number][at] = basis
        solution.filters[number][at] = kept
        solution.fitted[number][at] = basis @ (kept * turned)
        # posterior, not noise alone: it holds what the prior left open where the data say nothing
        spread = own[:, None] * right.conj().T
        solution.spreads[number][at] = spread
        solution.spread_weights[number][at] = damped
        solution.coefficients[at, one.block.columns] = spread @ (singular[:, None] * damped * turned)


def _misfit(
    factored: Sequence[_Factored],
    at: int,
    pressure: Complexes,
    parts: Sequence[tuple[Complexes, Floats, Complexes]],
    rotated: Sequence[Complexes],
    weights: Floats,
) -> tuple[Floats, Floats, Floats, int]:
    """Square sum of the misfit of each weight, (weight, channel); per weight (weight, 1) the effective number of
    unknowns and sum log(1 + s^2/w^2); the number of rows."""
    reached = sum(np.sum(np.abs(one.projected[at]) ** 2, axis=(0, 1)) for one in factored)
    misfit = np.tile(np.maximum(np.sum(np.abs(pressure) ** 2, axis=1) - reached, 0.0), (len(weights), 1))
    effective, spread = np.zeros((len(weights), 1)), np.zeros((len(weights), 1))
    for one, (_, singular, _), turned in zip(factored, parts, rotated, strict=True):
        lost = weights[:, None] ** 2 / (singular**2 + weights[:, None] ** 2)
        misfit += lost @ np.sum(np.abs(turned) ** 2, axis=0)
        copies = len(one.block.columns)
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
