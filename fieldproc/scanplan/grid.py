"""The grid of a scan: where the microphone goes, in the order of time, and what stands around it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from fieldproc.conventions import DEFAULT_TEMPERATURE_C, Complexes, Floats, Integers
from fieldproc.expand.cells import divide
from fieldproc.expand.geometry import cells_reach, expansion_origin, source_reach
from fieldproc.expand.order import Reach
from fieldproc.records import Axes, Cabinet, Gated, ReferenceAxis, Spectra, check_axes
from fieldproc.settings import ExpansionSettings

# At 20 degrees Celsius, and that in kelvin less 20.
_SPEED_M_PER_S, _ZERO_C = 343.2, 273.15
# Spectra have one; nothing here depends on it.
_AIR_DENSITY_KG_PER_M3 = 1.204


@dataclass(frozen=True, slots=True)
class Grid:
    """Visits in the order of time; equal positions are returns to one point.

    ``surface`` is -1 throughout where none is named; ``at_s`` may be counted in visits where times are unknown.
    ``reflectors_m`` (side,) are distances from the axis origin, inf = none, in the order of a scan session.
    """

    AXES: ClassVar[Axes] = {
        "positions_m": ("visit", "xyz"),
        "surface": ("visit",),
        "at_s": ("visit",),
        "reflectors_m": ("side",),
    }
    positions_m: Floats
    surface: Integers
    at_s: Floats
    axis: ReferenceAxis
    reflectors_m: Floats
    cabinet: Cabinet | None = None
    sound_speed_m_per_s: float = 343.2

    def __post_init__(self) -> None:
        check_axes(self, self.AXES)

    def first_visits(self) -> Integers:
        """Indices of the first visit to every distinct point, rising."""
        return np.sort(np.unique(self.positions_m, axis=0, return_index=True)[1])

    def mean_time_s(self) -> Floats:
        """When the points of ``first_visits`` are visited, the mean where they are several times."""
        _, first, place = np.unique(self.positions_m, axis=0, return_index=True, return_inverse=True)
        mean_s = np.bincount(place.ravel(), self.at_s) / np.bincount(place.ravel())
        return np.asarray(mean_s[np.argsort(first)])

    def spectra(self, frequency_hz: Floats, pressure_pa: Complexes, gated: Gated | None = None) -> Spectra:
        """Pressures (frequency, channel, point) at the points of ``first_visits``, as a scan would give them."""
        points = self.first_visits()
        return Spectra(
            frequency_hz=frequency_hz,
            pressure_pa=pressure_pa,
            usable=np.ones(len(frequency_hz), dtype=np.bool_),
            positions_m=self.positions_m[points],
            sound_speed_m_per_s=np.full(len(points), self.sound_speed_m_per_s),
            surface=self.surface[points],
            file_point=points,
            repeats=np.ones(len(points), dtype=np.int64),
            channel_names=tuple(f"channel {number}" for number in range(pressure_pa.shape[1])),
            air_density_kg_per_m3=_AIR_DENSITY_KG_PER_M3,
            axis=self.axis,
            cabinet=self.cabinet,
            measured_at_s=self.mean_time_s(),
            gated=gated,
        )

    def reach(self) -> tuple[Floats, Reach]:
        """Origin of the expansion, (3,), and the lengths of the order rule; those of cells, where a run has them."""
        bare = self.spectra(np.ones(1), np.ones((1, 1, len(self.first_visits())), dtype=np.complex128))
        settings = ExpansionSettings()
        origin_m = expansion_origin(bare, settings)
        whole, cells = source_reach(bare, settings, origin_m), divide(bare, origin_m)
        return origin_m, whole if cells is None else cells_reach(cells, whole)


def in_time_order(grid: Grid) -> Grid:
    """The same visits sorted by time, those of equal times as they are; where all are equal, a unit of time each."""
    if not np.ptp(grid.at_s) > 0:
        return replace(grid, at_s=np.arange(len(grid.at_s), dtype=np.float64))
    order = np.argsort(grid.at_s, kind="stable")
    return replace(grid, positions_m=grid.positions_m[order], surface=grid.surface[order], at_s=grid.at_s[order])


def sound_speed_at(temperature_c: float) -> float:
    """In metres per second, dry air, ISO 9613-1."""
    return float(_SPEED_M_PER_S * np.sqrt((temperature_c + _ZERO_C) / (DEFAULT_TEMPERATURE_C + _ZERO_C)))
