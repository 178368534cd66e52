"""A Cholesky factor for work in single precision, many threads side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import get_lapack_funcs

from fieldproc.conventions import Complexes

_BLOCK = 128


@dataclass(frozen=True)
class Factor:
    """Lower Cholesky factor of a Gram matrix, and the inverses of its diagonal blocks.

    Triangular steps go block by block: nearly all of it is matrix products, which leave other threads alone.
    """

    lower: NDArray[Any]
    inverses: list[NDArray[Any]]

    @property
    def _parts(self) -> list[slice]:
        size = len(self.lower)
        return [slice(start, min(start + _BLOCK, size)) for start in range(0, size, _BLOCK)]

    def solve(self, values: NDArray[Any]) -> NDArray[Any]:
        """L^-1 values, in place."""
        for part, inverse in zip(self._parts, self.inverses, strict=True):
            values[part] -= self.lower[part, : part.start] @ values[: part.start]
            values[part] = inverse @ values[part]
        return values

    def gram(self, values: Complexes) -> Complexes:
        """The factored matrix times values (unknown, any), in single precision."""
        single = self._single(values)
        upper = np.concatenate(
            [self.lower[part.start :, part].conj().T @ single[part.start :] for part in self._parts]
        )
        return self._wide(
            np.concatenate([self.lower[part, : part.stop] @ upper[: part.stop] for part in self._parts])
        )

    def inverse(self, values: Complexes) -> Complexes:
        """Its inverse times values, in single precision."""
        return self._wide(self._adjoint_solve(self.solve(self._single(values))))

    def adjoint_inverse(self, values: Complexes) -> Complexes:
        """L^-H times values, in single precision: unit noise with the covariance of the inverse."""
        return self._wide(self._adjoint_solve(self._single(values)))

    def _adjoint_solve(self, single: NDArray[Any]) -> NDArray[Any]:
        for part, inverse in zip(self._parts[::-1], self.inverses[::-1], strict=True):
            single[part] -= self.lower[part.stop :, part].conj().T @ single[part.stop :]
            single[part] = inverse.conj().T @ single[part]
        return single

    def _single(self, values: Complexes) -> NDArray[Any]:
        """Complex values travel as two real ones through a real factor."""
        flat = values if np.iscomplexobj(self.lower) else np.ascontiguousarray(values).view(np.float64)
        return flat.astype(self.lower.dtype)

    def _wide(self, single: NDArray[Any]) -> Complexes:
        if np.iscomplexobj(single):
            return single.astype(np.complex128)
        return single.astype(np.float64).view(np.complex128)


def factorise(gram: NDArray[Any]) -> Factor | None:
    """Factor of ``gram``, which is overwritten from its lower triangle; None where it is not positive definite."""
    inverses = []
    for start in range(0, len(gram), _BLOCK):
        here, below = slice(start, min(start + _BLOCK, len(gram))), slice(start, None)
        gram[below, here] -= gram[below, :start] @ gram[here, :start].conj().T
        try:
            gram[here, here] = np.linalg.cholesky(gram[here, here])
        except np.linalg.LinAlgError:
            return None
        inverses.append(lower_inverse(gram[here, here]))
        gram[here.stop :, here] = gram[here.stop :, here] @ inverses[-1].conj().T
    return Factor(gram, inverses)


def lower_inverse(lower: NDArray[Any]) -> NDArray[Any]:
    """Inverse of a lower triangular matrix; what lies above its diagonal is ignored."""
    trtri = get_lapack_funcs("trtri", (lower,))
    inverse: NDArray[Any] = np.tril(trtri(lower, lower=1)[0])
    return inverse
