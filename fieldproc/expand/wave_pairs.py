"""The wave matrix of points without symmetry at one frequency: real where it can be, and never formed to be applied.

h_n = j_n - i y_n and j_n span what j_n and y_n span, so where both sets hold a degree its columns are real: a quarter
of the work. Fields and their adjoints go degree by degree: radial functions times harmonics, which all frequencies
share.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.expand.cholesky import Factor
from fieldproc.expand.eigenvalue import largest_eigenvalue
from fieldproc.expand.gram import IrregularGrid, mirror
from fieldproc.waves.indexing import coefficient_count, column_degrees
from fieldproc.waves.radial import spherical_bessel, spherical_neumann

# Where |j_n| at the points stays below this share of |y_n|, h_n is as good as -i y_n to the factor: leverages
# feel its square only. The solution itself always takes the true h_n.
_NEGLIGIBLE = 1e-3

DegreePair = tuple[int, int, Integers, Integers, list[tuple[slice, slice, bool]]]


class WavePairs:
    """Both wave sets at one wavenumber, over real harmonics, columns of unit norm: regular first, then outgoing.

    Regular columns are j_n. Outgoing degrees that have a regular partner are represented by y_n alone, all others by
    i h_n = y_n + i j_n. A field  e j_n + g y_n  has the outgoing coefficient  c = i g  and the regular d = e - c.
    """

    def __init__(self, grid: IrregularGrid, wavenumber: float, orders: tuple[int, int], penalised: bool) -> None:
        self.grid, self.orders = grid, orders
        self.split = coefficient_count(orders[1])
        self.unknowns: int = self.split + coefficient_count(orders[0])
        top = max(orders)
        bessel, self.bessel_exponent = spherical_bessel(top, wavenumber * grid.node_radius_m).column_scaled()
        neumann, self.neumann_exponent = spherical_neumann(top, wavenumber * grid.node_radius_m).column_scaled()
        on_scale = np.ldexp(bessel, self.bessel_exponent - self.neumann_exponent)[:, : orders[0] + 1]
        neumann = neumann[:, : orders[0] + 1]
        bessel = bessel[:, : orders[1] + 1]
        lone = np.arange(orders[0] + 1) > orders[1]
        share = np.abs(on_scale).max(axis=0) / np.abs(neumann).max(axis=0)
        propagating = bool(np.any(lone & (share > _NEGLIGIBLE)))
        # a penalty on d = e - i g would couple the pair: with one, all outgoing columns are h_n
        self.complex_gram = penalised or propagating
        self.kind = np.complex64 if self.complex_gram else np.float32
        whole = np.ones_like(lone) if self.complex_gram else lone
        hankel = neumann + 1j * on_scale
        self.nodes = (bessel, np.where(whole, hankel, neumann) if np.any(whole) else neumann)
        self.radial = [np.ascontiguousarray(part.T @ grid.interpolation) for part in self.nodes]
        self.norms = self._norms(bessel), self._norms(self.nodes[1])
        self.unit = np.concatenate(self.norms)
        self._hankel_norms = self._norms(hankel)
        both = min(orders) + 1
        shift = self.bessel_exponent[:both] - self.neumann_exponent[:both]
        # e = d + share * c on the scale of the columns, (coefficient of degrees in both sets, 1)
        self.share = np.ldexp(np.where(whole[:both], 0.0, 1.0), shift)[column_degrees(both - 1)][:, None]

    def _norms(self, radial: NDArray[Any]) -> Floats:
        """Norms of columns; m and -m share theirs, as the complex harmonics do."""
        order = radial.shape[1] - 1
        square = np.abs(radial) ** 2
        energy = np.concatenate(
            [np.zeros(0)] + [self.grid.squares[n * n : (n + 1) ** 2] @ one for n, one in enumerate(square.T)]
        )
        # interpolation may leave a rounding error below zero where a function vanishes at all points
        norms = np.sqrt(np.maximum(energy + energy[mirror(order)], 0.0) / 2)
        return np.asarray(np.where(norms > 0, norms, 1.0))

    def _shown(self, radial: NDArray[Any]) -> NDArray[Any]:
        """What the Gram matrix and its factor see of radial functions."""
        return radial if self.complex_gram else radial.real

    def gram(self, penalty: Floats | None = None) -> NDArray[Any]:
        """Lower triangle of the Gram matrix of unit columns, plus a diagonal, in single precision."""
        gram = np.zeros((self.unknowns, self.unknowns), self.kind)
        radial = np.concatenate([self._shown(part) for part in self.nodes], axis=1).T
        # (row, column, node), every degree of both sets one index
        products = (radial[:, None].conj() * radial).astype(self.kind)
        for n, other, rows, columns, places in _degree_pairs(self.orders):
            blocks = products[rows, columns] @ self.grid.moments[n][other]
            for block, (down, right, turned) in zip(blocks, places, strict=True):
                shaped = block.reshape(2 * n + 1, 2 * other + 1)
                gram[down, right] = shaped.T if turned else shaped
        unit = (1.0 / self.unit).astype(np.float32)
        gram *= unit
        gram *= unit[:, None]
        if penalty is not None:
            gram[np.diag_indices(self.unknowns)] += penalty.astype(np.float32)
        return gram

    def apply(self, values: Complexes) -> Complexes:
        """Field (point, channel) of coefficients of unit columns (unknown, channel)."""
        true = values / self.unit[:, None]
        return self.field(self.radial, (true[: self.split], true[self.split :]))

    def field(self, radial: Sequence[NDArray[Any]], coefficients: Sequence[Complexes]) -> Complexes:
        """Field of several sets of radial functions (degree, point), degree by degree."""
        points, channels = self.grid.harmonics.shape[1], coefficients[0].shape[1]
        field = np.zeros((points, channels), dtype=np.complex128)
        for n in range(max(len(one) for one in radial)):
            part = slice(n * n, (n + 1) ** 2)
            held = [which for which, one in enumerate(radial) if n < len(one)]
            together = np.concatenate([coefficients[which][part] for which in held], axis=1)
            angular = (self.grid.harmonics[part].T @ together.view(np.float64)).view(np.complex128)
            for place, which in enumerate(held):
                field += radial[which][n][:, None] * angular[:, place * channels : (place + 1) * channels]
        return field

    def adjoint(self, values: Complexes) -> Complexes:
        """Adjoint of ``apply``."""
        channels = values.shape[1]
        pieces: tuple[list[Complexes], list[Complexes]] = ([], [])
        for n in range(max(self.orders) + 1):
            held = [which for which, one in enumerate(self.radial) if n < len(one)]
            weighted = np.concatenate([self.radial[which][n].conj()[:, None] * values for which in held], axis=1)
            angular = (self.grid.harmonics[n * n : (n + 1) ** 2] @ weighted.view(np.float64)).view(np.complex128)
            for place, which in enumerate(held):
                pieces[which].append(angular[:, place * channels : (place + 1) * channels])
        return np.asarray(np.concatenate(pieces[0] + pieces[1]) / self.unit[:, None])

    def condition(self, factor: Factor) -> float:
        """2-norm condition of the unit columns h_n and j_n, to a few percent.

        Unit columns (regular, h_n) change to ours by  e' = d' + mix c',  g' = -i stretch c'.
        """
        split, both = self.split, len(self.share)
        mix = self.share * (self.norms[0][:both] / self._hankel_norms[:both])[:, None]
        stretch = (self.norms[1] / self._hankel_norms)[:, None]

        def gram(values: Complexes) -> Complexes:
            changed = np.concatenate([values[:split], -1j * stretch * values[split:]])
            changed[:both] += mix * values[split : split + both]
            product = factor.gram(changed)
            back = np.concatenate([product[:split], 1j * stretch * product[split:]])
            back[split : split + both] += mix * product[:both]
            return back

        def inverse(values: Complexes) -> Complexes:
            changed = values.copy()
            changed[split : split + both] -= mix * values[:both]
            changed[split:] *= -1j / stretch
            solved = factor.inverse(changed)
            solved[split:] *= 1j / stretch
            solved[:both] -= mix * solved[split : split + both]
            return solved

        return float(np.sqrt(largest_eigenvalue(gram, self.unknowns) * largest_eigenvalue(inverse, self.unknowns)))

    def penalty(self, prior: Floats, weight: float) -> tuple[Floats, float]:
        """Diagonal added to the Gram matrix, and the weight relative to the largest singular value."""
        own = np.roll(prior, self.split)

        def gram(values: Complexes) -> Complexes:
            return own[:, None] * self.adjoint(self.apply(own[:, None] * values))

        return (weight / own) ** 2, weight / float(np.sqrt(largest_eigenvalue(gram, self.unknowns)))

    def columns(self) -> NDArray[Any]:
        """Conjugate transpose of the matrix of unit columns, (unknown, point), in single precision."""
        columns = np.empty((self.unknowns, self.grid.harmonics.shape[1]), self.kind)
        start = 0
        for radial in self.radial:
            for n, one in enumerate(self._shown(radial).conj().astype(self.kind)):
                part = slice(start + n * n, start + (n + 1) ** 2)
                np.multiply(self.grid.harmonics_single[n * n : (n + 1) ** 2], one, out=columns[part])
            start = self.split
        columns *= (1.0 / self.unit).astype(np.float32)[:, None]
        return columns


@lru_cache(maxsize=64)
def _degree_pairs(orders: tuple[int, int]) -> list[DegreePair]:
    """Where the blocks of the lower triangle of a Gram matrix lie and which radial products they take.

    Per pair of degrees n >= n': n, n', rows and columns among the radial functions (regular degrees first, then
    outgoing), and per product the place of its block (down, right, stored transposed?).
    """
    outgoing, regular = (np.arange(order + 1) for order in orders)
    degrees = np.concatenate([regular, outgoing])
    starts = np.concatenate([regular**2, coefficient_count(orders[1]) + outgoing**2])
    held = [np.flatnonzero(degrees == n) for n in range(max(orders) + 1)]
    pairs: list[DegreePair] = []
    for n, here in enumerate(held):
        for other, there in enumerate(held[: n + 1]):
            first, second = np.repeat(here, len(there)), np.tile(there, len(here))
            rows, columns = np.maximum(first, second), np.minimum(first, second)
            places = []
            for row, column in zip(rows, columns, strict=True):
                down, right = (slice(starts[one], starts[one] + 2 * degrees[one] + 1) for one in (row, column))
                # a block that would lie above the diagonal is stored below, transposed
                places.append((down, right, bool(degrees[row] != n or degrees[column] != other)))
            pairs.append((n, other, rows, columns, places))
    return pairs


def real_columns(grid: IrregularGrid, argument: Floats, orders: tuple[int, int]) -> tuple[Floats, Floats]:
    """Unit columns y_n and j_n over real harmonics (point, unknown), y_n for outgoing waves first.

    They span what h_n and j_n do, as long as regular waves reach as high as outgoing ones. The distance of h_n from a
    span that holds j_n is that of y_n times the second result, (unknown,); 1 for regular waves. ``argument`` = k r.
    """
    bessel, exponent = spherical_bessel(orders[1], argument).column_scaled()
    neumann, own_exponent = spherical_neumann(orders[0], argument).column_scaled()
    below = np.ldexp(bessel[:, : orders[0] + 1], (exponent[: orders[0] + 1] - own_exponent))
    columns = []
    for radial in (neumann, bessel):
        degrees = column_degrees(radial.shape[1] - 1)
        columns.append(radial[:, degrees] * grid.harmonics[: len(degrees)].T)
    matrix = np.concatenate(columns, axis=1)
    square = np.sum(matrix**2, axis=0)
    norms = np.sqrt(np.where(square > 0, square, 1.0))
    matrix /= norms
    split = coefficient_count(orders[0])
    beside = np.sum((below[:, column_degrees(orders[0])] * grid.harmonics[:split].T) ** 2, axis=0)
    stretch = np.ones(len(norms))
    stretch[:split] = norms[:split] / np.hypot(norms[:split], np.sqrt(beside))
    return matrix, stretch
