"""Horizontal and vertical polars: 36 angles each, found in whatever directions a far field holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    Booleans,
    Complexes,
    Floats,
    Integers,
    known_phase_deg,
    level_db,
    polar_directions,
)
from fieldproc.records import FarField

# Imported directions come rounded to a few digits; a degree off would be another direction.
MATCH_TOLERANCE_DEG = 0.05

MISSING = -1


@dataclass(frozen=True, slots=True)
class Polars:
    """Complex pressure, shape (frequency, angle), at ``POLAR_ANGLES_DEG``.

    Columns of directions that the far field does not hold are nan; ``missing`` counts those directions, and those
    without a value at any frequency (0 and 180 degrees belong to both planes and count once: there are 70 in all).
    ``index`` are the places of the directions in the far field, by plane.
    """

    horizontal_pa: Complexes
    vertical_pa: Complexes
    missing: int
    index: Mapping[str, Integers]

    @property
    def on_axis_pa(self) -> Complexes:
        """Pressure in the direction of the axis, shape (frequency,)."""
        on_axis: Complexes = self.horizontal_pa[:, POLAR_ANGLES_DEG.index(0)]
        return on_axis


def match_directions(directions: Floats, wanted: Floats) -> Integers:
    """Index of the nearest of ``directions`` (n, 3) to each ``wanted`` unit vector (m, 3); -1 if none is
    within ``MATCH_TOLERANCE_DEG``."""
    chord = 2.0 * np.sin(np.radians(MATCH_TOLERANCE_DEG) / 2.0)
    distance, index = cKDTree(directions).query(wanted, distance_upper_bound=chord)
    return np.where(np.isfinite(distance), index, MISSING)


def polars_of(far_field: FarField, channel: int) -> Polars:
    """The two polars of one channel; see :class:`Polars`."""
    index = match_directions(far_field.directions, polar_directions())
    pressure = far_field.pressure_pa[:, channel, index]
    pressure[:, index == MISSING] = np.nan
    horizontal, vertical = np.split(pressure, 2, axis=1)
    # in the vertical plane, the second half
    shared = np.concatenate([np.zeros(len(POLAR_ANGLES_DEG), dtype=bool), np.isin(POLAR_ANGLES_DEG, (0, 180))])
    missing = int(np.count_nonzero(np.isnan(pressure).all(axis=0) & ~shared))
    places = dict(zip(("horizontal", "vertical"), np.split(index, 2), strict=True))
    return Polars(horizontal_pa=horizontal, vertical_pa=vertical, missing=missing, index=places)


def polar_columns(
    pressure_pa: Complexes, phase_known: bool | Booleans, angles_deg: Sequence[int] = POLAR_ANGLES_DEG
) -> dict[str, Floats]:
    """``level_+030_db`` and ``phase_+030_deg`` for every angle of pressures (frequency, angle)."""
    level = level_db(pressure_pa)
    phase = known_phase_deg(pressure_pa, phase_known)
    columns = {}
    for index, angle in enumerate(angles_deg):
        columns[f"level_{angle:+04d}_db"] = level[:, index]
        columns[f"phase_{angle:+04d}_deg"] = phase[:, index]
    return columns
