"""The largest eigenvalue of a matrix that is known by what it does to vectors."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fieldproc.conventions import Complexes

# AnyComplexes per step of the Krylov space, and the relative gain or the number of steps at which it stops growing.
_BLOCK, _SETTLED, _MOST_STEPS = 2, 0.02, 12


def largest_eigenvalue(matrix: Callable[[Complexes], Complexes], size: int) -> float:
    """Largest eigenvalue of a Hermitian matrix to a few percent, by block Lanczos iteration from a fixed start.

    Every step is orthogonalised against the whole space, which is small enough for that.
    """
    start = np.exp(1j * np.arange(1, size + 1)[:, None] ** 2 * np.arange(1, _BLOCK + 1))
    latest, _ = np.linalg.qr(start)
    space = latest
    # the matrix as seen inside the space
    inside = np.zeros((0, 0), dtype=np.complex128)
    value = 0.0
    for _ in range(_MOST_STEPS):
        image = matrix(latest)
        coupling = space.conj().T @ image
        inside = np.pad(inside, (0, latest.shape[1]))
        inside[:, -latest.shape[1] :] = coupling
        inside[-latest.shape[1] :] = coupling.conj().T
        before, value = value, float(np.linalg.eigvalsh(inside)[-1])
        room = size - space.shape[1]
        if room <= 0 or (value <= before * (1 + _SETTLED) and before > 0):
            break
        # once more: what is left may be small, and must be orthogonal to the space all the same
        fresh = image - space @ coupling
        fresh -= space @ (space.conj().T @ fresh)
        latest = np.linalg.qr(fresh[:, :room])[0]
        space = np.concatenate([space, latest], axis=1)
    return value
