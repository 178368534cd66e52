"""The solver that the points of a scan allow: rings where they lie on rings, iteration where they don't.

The dense fit takes what is left: few unknowns, ill-conditioned and regularised fits, and whatever iteration gives
back unsolved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, wavenumber
from fieldproc.expand.blocks import Block, Tikhonov
from fieldproc.expand.cost import dense_bytes, fits_in_memory, in_words, iterated_bytes, require_dense
from fieldproc.expand.dense import Seen, WaveFit, both_sets, dense_block, fit_waves
from fieldproc.expand.gram import irregular_grid
from fieldproc.expand.iterative import MOST_CONDITION, Unsolved, fit_irregular
from fieldproc.expand.replacing import Fit, fit_without
from fieldproc.expand.rings import RingGrid, fit_ring_stack, recognise_rings, ring_blocks
from fieldproc.expand.wave_pairs import real_columns
from fieldproc.records import Spectra
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count

# Most frequencies per call on rings, and the memory that sets the limit for large scans.
_MOST_AT_ONCE, _STACK_BYTES = 24, 300_000_000
# Below this many unknowns the dense fit is as fast.
FEWEST_ITERATED = 60


@dataclass(frozen=True, slots=True)
class Nested:
    """A problem whose selections of unknowns are to be compared.

    ``stretch`` (unknown,) multiplies distances of its columns to those of the true ones. Every channel of the data
    is ``parts`` of them: real and imaginary part, where the columns are real.
    """

    blocks: list[Block]
    stretch: Floats | float = 1.0
    parts: int = 1


class Solver:
    """Fits of single frequencies (rows) of one scan about one origin; orders up to ``top_order``.

    ``band`` holds the lowest and highest wavenumber for which an irregular scan is prepared. Rings need one
    sound speed for all points; points that the spectra leave out keep their places on them. ``weights`` (point,)
    multiply the rows of every fit; what the fits report of
    points is in pascal all the same.
    """

    def __init__(
        self,
        spectra: Spectra,
        origin_m: Floats,
        top_order: int,
        band: tuple[float, float],
        weights: Floats | None = None,
    ) -> None:
        self.spectra = spectra
        self.weights: Floats = np.ones(len(spectra.positions_m)) if weights is None else weights
        self.origin_m = origin_m
        self.offsets_m: Floats = spectra.positions_m - origin_m
        none = np.zeros(0, dtype=np.int64)
        self.left_out: Integers = none if spectra.left_out is None else np.flatnonzero(spectra.left_out)
        self.grid: RingGrid | None = None
        if np.ptp(spectra.sound_speed_m_per_s) == 0:
            self.grid = recognise_rings(self.offsets_m, top_order, self.weights)
        if self.grid is not None:
            return
        self.radius_m: Floats = np.linalg.norm(self.offsets_m, axis=1)
        # computed once: only radial factors change with frequency
        self.harmonics: Complexes = spherical_harmonics(top_order, self.offsets_m) * self.weights[:, None]
        # a sound speed per point is a radius per point at the mean speed
        self.mean_speed_m_per_s = float(spectra.sound_speed_m_per_s.mean())
        acoustic_m = self.radius_m * self.mean_speed_m_per_s / spectra.sound_speed_m_per_s
        self.irregular = irregular_grid(self.offsets_m, acoustic_m, top_order, band, self.weights)
        self.band = band

    def has_sound(self, row: int) -> bool:
        """Is there anything to fit? Silence at a frequency has no direction to find."""
        pressure = self.spectra.pressure_pa[row]
        return bool(self.spectra.usable[row] and np.all(np.abs(pressure).max(axis=1) > 0))

    def wavenumber(self, row: int) -> Floats:
        """k at every point."""
        return wavenumber(self.spectra.frequency_hz[row], self.spectra.sound_speed_m_per_s)

    def fit(self, rows: Sequence[int], orders: tuple[int, int], tikhonov: Tikhonov | None = None) -> list[WaveFit]:
        """Coefficients at frequencies of equal orders; see ``fit_waves``."""
        if self.grid is not None:
            k = np.array([self.wavenumber(row)[0] for row in rows])
            pressure = np.array([self.pressure(row) for row in rows])
            families = both_sets(orders, self.grid)
            _, fits = self.without_left_out(lambda data: fit_ring_stack(families, k, data, tikhonov), pressure)
        else:
            fits = [self._fit_irregular(row, orders, tikhonov) for row in rows]
        return [self.unweighted(fit) for fit in fits]

    def without_left_out(self, fit: Fit, pressure: Complexes) -> tuple[Complexes, list[WaveFit]]:
        """Pressures (frequency, channel, point) with those left out predicted, and the fits these have no part in."""
        return fit_without(fit, pressure, self.left_out) if self.left_out.size else (pressure, fit(pressure))

    def pressure(self, row: int) -> Complexes:
        """Weighted pressure at the points, (channel, point)."""
        return np.asarray(self.spectra.pressure_pa[row] * self.weights)

    def unweighted(self, fit: WaveFit) -> WaveFit:
        """A fit to weighted pressures with its residual in pascal."""
        return replace(fit, residual=fit.residual / self.weights)

    def _fit_irregular(self, row: int, orders: tuple[int, int], tikhonov: Tikhonov | None) -> WaveFit:
        k, pressure = self.wavenumber(row), self.pressure(row)
        # what iteration solves is far from any condition that would be regularised
        if tikhonov is None or tikhonov.above >= MOST_CONDITION:
            iterated = self._iterated(row, orders, pressure)
            if isinstance(iterated, WaveFit):
                return iterated
        points, unknowns = len(self.radius_m), _unknowns(orders)
        require_dense(points, unknowns)
        if not fits_in_memory(points, unknowns, regularised=True):
            # its condition will say how far to trust it
            tikhonov = None
        return fit_waves(self.harmonics, k * self.radius_m, orders, pressure, tikhonov)

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
        if self.grid is None and self.irregular is not None:
            how = f"by iteration, densely where the condition exceeds {MOST_CONDITION:g}"
        return in_words(how, unknowns, len(self.offsets_m), self.bytes_each(unknowns))

    def _iterated(self, row: int, orders: tuple[int, int], pressure: Complexes) -> WaveFit | Unsolved | None:
        """The iterative fit, where it is prepared for the frequency and worth it."""
        k = float(wavenumber(self.spectra.frequency_hz[row], self.mean_speed_m_per_s))
        few = _unknowns(orders) < FEWEST_ITERATED
        if self.irregular is None or few or not self.band[0] <= k <= self.band[1]:
            return None
        return fit_irregular(self.irregular, k, orders, pressure)

    def nested(self, row: int, orders: tuple[int, int], paired: bool) -> Nested:
        """The least-squares problem of one frequency, not yet solved; unknowns in the order of ``fit_waves``.

        ``paired`` allows y_n in place of h_n. Points left out must be gone: whatever stands in their place would
        take sides.
        """
        assert not self.left_out.size
        k, pressure = self.wavenumber(row), self.pressure(row)
        if self.grid is not None:
            return Nested(ring_blocks(both_sets(orders, self.grid), float(k[0]), pressure))
        if self.irregular is not None and paired:
            matrix, stretch = real_columns(self.irregular, k * self.radius_m, orders)
            data = np.ascontiguousarray(pressure.T).view(np.float64)[None, None]
            return Nested([Block(matrix[None], data, np.arange(len(stretch))[None])], stretch, parts=2)
        return Nested([dense_block(both_sets(orders, Seen(self.harmonics, k * self.radius_m)), pressure)[0]])


def _ring_bytes(points: int, unknowns: int) -> int:
    """Peak of the fit of one frequency on rings: its blocks hold about points * sqrt(unknowns) numbers."""
    return 16 * 6 * points * max(1, int(unknowns**0.5))


def _unknowns(orders: tuple[int, int]) -> int:
    return sum(coefficient_count(order) for order in orders)
