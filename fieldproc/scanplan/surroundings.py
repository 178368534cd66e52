"""What stands around the points of a grid: the source within, walls without, and the time they leave for a gate."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats, mirrored, output_axes
from fieldproc.scanplan.grid import Grid

# Walls that are not stated stand at so many times the distance of the nearest one that is, else at so many metres.
_FARTHER, _ASSUMED_M = 2.0, 2.0
# A gate of length L is trusted from this many inverse lengths on.
TRUSTED_LENGTHS = 2.0
# A gate shorter than this holds no octave that a scan can use.
_SHORTEST_S = 5e-4
# Half sizes of what radiates, re the nearest point, where no cabinet is stated.
_UNSTATED = 0.4


def walls(grid: Grid) -> Floats:
    """Distances of all six walls, those assumed that are not stated, (side,)."""
    stated = grid.reflectors_m
    if not np.isfinite(stated).any():
        return np.full(6, float(np.abs(grid.positions_m - grid.axis.origin_m).max()) + _ASSUMED_M)
    return np.where(np.isfinite(stated), stated, _FARTHER * stated.min())


def images(grid: Grid, positions_m: Floats) -> list[Floats]:
    """Positions (point, 3) as each of the walls mirrors them."""
    axes = output_axes(grid.axis.direction, grid.axis.up)
    return mirrored(positions_m, grid.axis.origin_m, axes, walls(grid))


def source_of(grid: Grid) -> tuple[Floats, Floats]:
    """Centre and half sizes of what radiates, (3,) each."""
    if grid.cabinet is not None:
        return np.asarray(grid.cabinet.center_m), np.asarray(grid.cabinet.size_m / 2.0)
    nearest_m = np.linalg.norm(grid.positions_m - grid.axis.origin_m, axis=1).min()
    return np.asarray(grid.axis.origin_m), np.full(3, _UNSTATED * nearest_m)


def gate_lengths(grid: Grid) -> Floats | None:
    """Time from the direct sound to the first reflection at the points of a grid, (point,) in seconds.

    By the shortest ways from the nearest part of the cabinet, as a run tells it from the same distances. None where
    no reflector is stated, or it is too near.
    """
    if not np.isfinite(grid.reflectors_m).any():
        return None
    center_m, half_m = source_of(grid)
    positions_m = grid.positions_m[grid.first_visits()]

    def way_m(places_m: Floats) -> Floats:
        beside_m = np.maximum(np.abs(places_m - center_m) - half_m, 0.0)
        return np.asarray(np.linalg.norm(beside_m, axis=1))

    reflected_m = np.min([way_m(one) for one in images(grid, positions_m)], axis=0)
    lengths_s = (reflected_m - way_m(positions_m)) / grid.sound_speed_m_per_s
    return lengths_s if lengths_s.min() >= _SHORTEST_S else None
