"""The solver that the points of a scan allow: rings where they lie on rings, dense everywhere else."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Complexes, Floats, wavenumber
from fieldproc.expand.blocks import Block
from fieldproc.expand.dense import WaveFit, dense_block, fit_waves
from fieldproc.expand.rings import RingGrid, fit_rings, recognise_rings, ring_blocks
from fieldproc.records import Spectra
from fieldproc.waves.harmonics import spherical_harmonics


class Solver:
    """Fits of single frequencies (rows) of one scan; orders up to ``top_order``.

    Rings need one sound speed for all points.
    """

    def __init__(self, spectra: Spectra, offsets_m: Floats, top_order: int) -> None:
        self.spectra = spectra
        self.grid: RingGrid | None = None
        if np.ptp(spectra.sound_speed_m_per_s) == 0:
            self.grid = recognise_rings(offsets_m, top_order)
        if self.grid is None:
            self.radius_m: Floats = np.linalg.norm(offsets_m, axis=1)
            # computed once: only radial factors change with frequency
            self.harmonics: Complexes = spherical_harmonics(top_order, offsets_m)

    def has_sound(self, row: int) -> bool:
        """Is there anything to fit? Silence at a frequency has no direction to find."""
        pressure = self.spectra.pressure_pa[row]
        return bool(self.spectra.usable[row] and np.all(np.abs(pressure).max(axis=1) > 0))

    def wavenumber(self, row: int) -> Floats:
        """k at every point."""
        return wavenumber(self.spectra.frequency_hz[row], self.spectra.sound_speed_m_per_s)

    def fit(self, row: int, orders: tuple[int, int], prior: Floats | None = None) -> WaveFit:
        """Coefficients at one frequency; see ``fit_waves``."""
        k, pressure = self.wavenumber(row), self.spectra.pressure_pa[row]
        if self.grid is not None:
            return fit_rings(self.grid, float(k[0]), orders, pressure, prior)
        return fit_waves(self.harmonics, k * self.radius_m, orders, pressure, prior)

    def blocks(self, row: int, orders: tuple[int, int]) -> list[Block]:
        """The least-squares problem of one frequency, not yet solved."""
        k, pressure = self.wavenumber(row), self.spectra.pressure_pa[row]
        if self.grid is not None:
            return ring_blocks(self.grid, float(k[0]), orders, pressure)
        return [dense_block(self.harmonics, k * self.radius_m, orders, pressure)[0]]
