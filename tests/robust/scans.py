"""Small sessions, for tests about files and not about sound."""

from __future__ import annotations

from fieldproc.records import Session
from fieldproc.simulate import Scene, simulate


def tiny_session(seed: int, points: int = 12) -> Session:
    """A monopole heard at two frequencies: 60 bytes a point and some kilobytes."""
    scene = {
        "title": "A point source",
        "source": {"kind": "monopoles", "monopoles": [{"position_m": (0.01, 0.0, 0.0)}]},
        "scan": {"kind": "sphere", "points": points, "radius_m": 0.3, "grid": "spiral"},
        "recording": {"kind": "transfer function", "frequency_hz": (100.0, 200.0)},
        "noise": {"level_db": -70.0},
    }
    return simulate(Scene.model_validate(scene), seed)
