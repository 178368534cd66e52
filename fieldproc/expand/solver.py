"""The solver that the points of a scan allow: rings where they lie on rings, iteration where they don't.

The dense fit takes what is left: few unknowns, ill-conditioned and regularised fits, and whatever iteration gives
back unsolved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, wavenumber
from fieldproc.expand.blocks import Block, Tikhonov
from fieldproc.expand.cost import dense_bytes, fits_in_memory, in_words, iterated_bytes, require_dense
from fieldproc.expand.dense import Seen, WaveFit, both_sets, dense_block, fit_waves
from fieldproc.expand.gram import IrregularGrid, irregular_grid
from fieldproc.expand.iterative import MOST_CONDITION, Unsolved, fit_irregular
from fieldproc.expand.replacing import Fit, fit_without
from fieldproc.expand.rings import RingGrid, fit_ring_stack, recognise_rings, ring_blocks
from fieldproc.expand.spread import Weighted
from fieldproc.expand.wave_pairs import real_columns
from fieldproc.records import Spectra
from fieldproc.side_by_side import GIB
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count

# Most frequencies per call on rings, and the memory that sets the limit for large scans.
_MOST_AT_ONCE, _STACK_BYTES = 24, 300_000_000
# Below this many unknowns the dense fit is as fast.
FEWEST_ITERATED = 60
# What all bands of weights may hold together for irregular points, and how many bands are worth it at most.
_PREPARED_BYTES, MOST_BANDS = 4 * GIB, 6


@dataclass(frozen=True, slots=True)
class Nested:
    """A problem whose selections of unknowns are to be compared.

    ``stretch`` (unknown,) multiplies distances of its columns to those of the true ones. Every channel of the data
    is ``parts`` of them: real and imaginary part, where the columns are real.
    """

    blocks: list[Block]
    stretch: Floats | float = 1.0
    parts: int = 1


@dataclass(frozen=True, slots=True)
class Irregular:
    """Weighted harmonics (point, coefficient), and the moments that iteration needs between two wavenumbers.

    Without moments (None), all fits are dense.
    """

    harmonics: Complexes
    grid: IrregularGrid | None
    wavenumbers: tuple[float, float]


class Solver:
    """Fits of single frequencies (rows) of one scan about one origin; orders up to ``top_order``.

    ``band`` holds the lowest and highest wavenumber for which an irregular scan is prepared. Rings need one
    sound speed for all points; points that the spectra leave out keep their places on them. ``weights`` (point,),
    or (frequency, point) and equal over bands of neighbours, multiply the rows of every fit; what the fits report of
    points is in pascal all the same. Every band of weights is prepared on its own, irregular points up to the highest
    order of its frequencies, if ``top_order`` (frequency,) says so.
    """

    def __init__(
        self,
        spectra: Spectra,
        origin_m: Floats,
        top_order: int | Integers,
        band: tuple[float, float],
        weights: Floats | None = None,
    ) -> None:
        self.spectra = spectra
        self.origin_m = origin_m
        self.offsets_m: Floats = spectra.positions_m - origin_m
        none = np.zeros(0, dtype=np.int64)
        self.left_out: Integers = none if spectra.left_out is None else np.flatnonzero(spectra.left_out)
        weights = np.ones(len(spectra.positions_m)) if weights is None else weights
        # the first row of every band of weights, and these (band, point)
        of_rows = np.atleast_2d(weights)
        self._first: Integers = np.flatnonzero([True, *np.any(np.diff(of_rows, axis=0), axis=1)])
        self._weights: Floats = of_rows[self._first]
        self._grids: list[RingGrid] = []
        if np.ptp(spectra.sound_speed_m_per_s) == 0:
            found = [recognise_rings(self.offsets_m, int(np.max(top_order)), own) for own in self._weights]
            self._grids = [grid for grid in found if grid is not None]
        if len(self._grids) == len(self._weights):
            return
        # one way for all frequencies
        self._grids = []
        self.radius_m: Floats = np.linalg.norm(self.offsets_m, axis=1)
        # a sound speed per point is a radius per point at the mean speed
        self.mean_speed_m_per_s = float(spectra.sound_speed_m_per_s.mean())
        self._irregular = self._prepare(np.broadcast_to(top_order, len(spectra.frequency_hz)), band)

    def _prepare(self, top_order: Integers, band: tuple[float, float]) -> list[Irregular]:
        """Computed once per band of weights: only radial factors change with frequency."""
        whole: Complexes = spherical_harmonics(int(top_order.max()), self.offsets_m)
        acoustic_m = self.radius_m * self.mean_speed_m_per_s / self.spectra.sound_speed_m_per_s
        k = wavenumber(self.spectra.frequency_hz, self.mean_speed_m_per_s)
        prepared = []
        for at, weights in enumerate(self._weights):
            rows, own = slice(None), band
            if len(self._weights) > 1:
                rows = slice(self._first[at], self._first[at + 1] if at + 1 < len(self._first) else None)
                own = max(band[0], float(k[rows].min())), min(band[1], float(k[rows].max()))
            top = int(top_order[rows].max())
            harmonics = whole[:, : coefficient_count(top)] * weights[:, None]
            grid = irregular_grid(self.offsets_m, acoustic_m, top, own, weights) if own[0] <= own[1] else None
            prepared.append(Irregular(harmonics, grid, own))
        return prepared

    @property
    def grid(self) -> RingGrid | None:
        """The rings that the points lie on, with the weights of the lowest frequencies."""
        return self._grids[0] if self._grids else None

    @property
    def grids(self) -> list[RingGrid]:
        """The rings with the weights of every band; none where points are irregular."""
        return self._grids

    def band_of(self, row: int) -> int:
        """Which of the bands of equal weights a frequency belongs to."""
        return int(np.searchsorted(self._first, row, side="right")) - 1

    def weights(self, row: int) -> Floats:
        """What the rows of a fit are multiplied by, (point,)."""
        own: Floats = self._weights[self.band_of(row)]
        return own

    def has_sound(self, row: int) -> bool:
        """Is there anything to fit? Silence at a frequency has no direction to find."""
        pressure = self.spectra.pressure_pa[row]
        return bool(self.spectra.usable[row] and np.all(np.abs(pressure).max(axis=1) > 0))

    def wavenumber(self, row: int) -> Floats:
        """k at every point."""
        return wavenumber(self.spectra.frequency_hz[row], self.spectra.sound_speed_m_per_s)

    def fit(
        self,
        rows: Sequence[int],
        orders: tuple[int, int],
        tikhonov: Tikhonov | None = None,
        *,
        spread: bool = False,
    ) -> list[WaveFit]:
        """Coefficients at frequencies of equal orders; see ``fit_waves``."""
        if self.grid is None:
            return [self.unweighted(row, self._fit_any(row, orders, tikhonov, spread)) for row in rows]
        return [
            self.unweighted(own[0], fit)
            for band, own in ((band, list(own)) for band, own in groupby(rows, self.band_of))
            for fit in self._fit_rings(self.grids[band], own, orders, tikhonov, spread)
        ]

    def _fit_rings(
        self, grid: RingGrid, rows: Sequence[int], orders: tuple[int, int], tikhonov: Tikhonov | None, spread: bool
    ) -> list[WaveFit]:
        k = np.array([self.wavenumber(row)[0] for row in rows])
        pressure, families = np.array([self.pressure(row) for row in rows]), both_sets(orders, grid)

        def fit(data: Complexes) -> list[WaveFit]:
            return fit_ring_stack(families, k, data, tikhonov, spread=spread)

        return self.without_left_out(fit, pressure)[1]

    def without_left_out(self, fit: Fit, pressure: Complexes) -> tuple[Complexes, list[WaveFit]]:
        """Pressures (frequency, channel, point) with those left out predicted, and the fits these have no part in."""
        return fit_without(fit, pressure, self.left_out) if self.left_out.size else (pressure, fit(pressure))

    def pressure(self, row: int) -> Complexes:
        """Weighted pressure at the points, (channel, point)."""
        return np.asarray(self.spectra.pressure_pa[row] * self.weights(row))

    def unweighted(self, row: int, fit: WaveFit) -> WaveFit:
        """A fit to weighted pressures with its residual in pascal, and its spread for changes in pascal."""
        weights = self.weights(row)
        spread = None if fit.spread is None else Weighted(fit.spread, weights)
        return replace(fit, residual=fit.residual / weights, spread=spread)

    def _fit_any(self, row: int, orders: tuple[int, int], tikhonov: Tikhonov | None, spread: bool) -> WaveFit:
        """On points without rings; those left out may lie on rings whose weights differ along them."""
        _, (fitted,) = self.without_left_out(
            lambda data: [self._fit_irregular(row, orders, tikhonov, data[0], spread)], self.pressure(row)[None]
        )
        return fitted

    def _fit_irregular(
        self, row: int, orders: tuple[int, int], tikhonov: Tikhonov | None, pressure: Complexes, spread: bool
    ) -> WaveFit:
        k = self.wavenumber(row)
        # what iteration solves is far from any condition that would be regularised
        if tikhonov is None or tikhonov.above >= MOST_CONDITION:
            iterated = self._iterated(row, orders, pressure, spread)
            if isinstance(iterated, WaveFit):
                return iterated
        points, unknowns = len(self.radius_m), _unknowns(orders)
        require_dense(points, unknowns)
        if not fits_in_memory(points, unknowns, regularised=True):
            # its condition will say how far to trust it
            tikhonov = None
        harmonics = self._irregular[self.band_of(row)].harmonics
        return fit_waves(harmonics, k * self.radius_m, orders, pressure, tikhonov, spread=spread)

    def at_once(self, unknowns: int) -> int:
        """How many frequencies of equal orders are worth solving in one call."""
        if self.grid is None:
            return 1
        return max(1, min(_MOST_AT_ONCE, _STACK_BYTES // _ring_bytes(len(self.offsets_m), unknowns)))

    def bytes_each(self, unknowns: int) -> int:
        """Most memory that one fit may take, beside what all share."""
        points = len(self.offsets_m)
        if self.grid is not None:
            return self.at_once(unknowns) * _ring_bytes(points, unknowns)
        most = dense_bytes(points, unknowns, regularised=fits_in_memory(points, unknowns, regularised=True))
        return max(most, iterated_bytes(points, unknowns))

    def cost(self, unknowns: int) -> str:
        """How fits of up to so many unknowns are done and what they cost, in words."""
        how = "in blocks of azimuthal orders on rings" if self.grid is not None else "densely"
        if self.grid is None and any(one.grid is not None for one in self._irregular):
            how = f"by iteration, densely where the condition exceeds {MOST_CONDITION:g}"
        return in_words(how, unknowns, len(self.offsets_m), self.bytes_each(unknowns))

    def _iterated(
        self, row: int, orders: tuple[int, int], pressure: Complexes, spread: bool
    ) -> WaveFit | Unsolved | None:
        """The iterative fit, where it is prepared for the frequency and worth it."""
        k = float(wavenumber(self.spectra.frequency_hz[row], self.mean_speed_m_per_s))
        few, prepared = _unknowns(orders) < FEWEST_ITERATED, self._irregular[self.band_of(row)]
        lowest, highest = prepared.wavenumbers
        if prepared.grid is None or few or not lowest <= k <= highest:
            return None
        return fit_irregular(prepared.grid, k, orders, pressure, spread=spread)

    def nested(self, row: int, orders: tuple[int, int], paired: bool) -> Nested:
        """The least-squares problem of one frequency, not yet solved; unknowns in the order of ``fit_waves``.

        ``paired`` allows y_n in place of h_n. Points left out must be gone: whatever stands in their place would
        take sides.
        """
        assert not self.left_out.size
        k, pressure = self.wavenumber(row), self.pressure(row)
        if self.grid is not None:
            return Nested(ring_blocks(both_sets(orders, self.grids[self.band_of(row)]), float(k[0]), pressure))
        prepared = self._irregular[self.band_of(row)]
        if prepared.grid is not None and paired:
            matrix, stretch = real_columns(prepared.grid, k * self.radius_m, orders)
            data = np.ascontiguousarray(pressure.T).view(np.float64)[None, None]
            return Nested([Block(matrix[None], data, np.arange(len(stretch))[None])], stretch, parts=2)
        return Nested([dense_block(both_sets(orders, Seen(prepared.harmonics, k * self.radius_m)), pressure)[0]])


def most_bands(points: int, top_order: int) -> int:
    """In how many bands weights may change where every band is prepared on its own, for memory."""
    count = coefficient_count(top_order)
    # weighted harmonics, complex, real and in single precision; half of all moments, singles, at 80 nodes at most
    prepared = 28 * points * count + 160 * count**2
    return int(min(max(_PREPARED_BYTES // prepared, 1), MOST_BANDS))


def _ring_bytes(points: int, unknowns: int) -> int:
    """Peak of the fit of one frequency on rings: its blocks hold about points * sqrt(unknowns) numbers."""
    return 16 * 6 * points * max(1, int(unknowns**0.5))


def _unknowns(orders: tuple[int, int]) -> int:
    return sum(coefficient_count(order) for order in orders)
