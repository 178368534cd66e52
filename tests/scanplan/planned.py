"""Plans that several tests look at, small enough to be made in a second."""

from __future__ import annotations

from typing import Any

import numpy as np

from fieldproc.records import Cabinet, ReferenceAxis
from fieldproc.scanplan.grid import Grid
from fieldproc.scanplan.propose import Proposal, propose
from fieldproc.scanplan.settings import PlanSettings
from fieldproc.scanplan.visiting import interleaved

Vector = tuple[float, float, float]


def settings_for(size_m: Vector, **sections: dict[str, Any]) -> PlanSettings:
    """Settings for a cabinet; ``sections`` as in a settings file."""
    return PlanSettings.model_validate({"loudspeaker": {"size_m": size_m}, **sections})


def small_plan(**sections: dict[str, Any]) -> tuple[PlanSettings, Proposal]:
    """Some 300 points about a small box, one metre above the floor."""
    usual = {
        "scan": {"points": 300, "gap_m": 0.1, "azimuths": 16},
        "band": {"lowest_hz": 60.0, "highest_hz": 2000.0},
        "room": {"down_m": 1.0},
    }
    settings = settings_for((0.15, 0.12, 0.2), **{**usual, **sections})
    return settings, propose(settings)


def grid_at(positions_m: np.ndarray, surface: np.ndarray, size_m: Vector | None = None) -> Grid:
    """A grid in the order of its rows, a visit a second, no reflector known."""
    cabinet = None if size_m is None else Cabinet(np.array(size_m), np.zeros(3))
    seconds = np.arange(len(positions_m), dtype=np.float64)
    return Grid(positions_m, surface, seconds, ReferenceAxis(), np.full(6, np.inf), cabinet)


def all_visits(rings: int, azimuths: int) -> set[tuple[int, int, int]]:
    """Every (surface, ring, azimuth)."""
    return {tuple(row) for row in interleaved(rings, azimuths, 1).tolist()}
