"""The largest eigenvalue of a matrix that is known by what it does to vectors."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fieldproc.conventions import Complexes

# Width of the subspace iteration, and the relative gain or the number of rounds at which it stops.
_SUBSPACE, _SETTLED, _MOST_ROUNDS = 4, 0.01, 30


def largest_eigenvalue(matrix: Callable[[Complexes], Complexes], size: int) -> float:
    """Largest eigenvalue of a Hermitian matrix to a few percent, by subspace iteration from a fixed start."""
    image = np.exp(1j * np.arange(1, size + 1)[:, None] ** 2 * np.arange(1, _SUBSPACE + 1))
    value = 0.0
    for _ in range(_MOST_ROUNDS):
        basis, _ = np.linalg.qr(image)
        image = matrix(basis)
        before, value = value, float(np.linalg.eigvalsh(basis.conj().T @ image)[-1])
        if value <= before * (1 + _SETTLED):
            break
    return value
