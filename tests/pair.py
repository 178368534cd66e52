"""A scan that takes seconds from end to end: two monopoles in a room, 120 points on two spheres."""

from __future__ import annotations

from pathlib import Path

from fieldproc.session import write_session
from fieldproc.simulate import Scene, simulate

# Two octaves that the points carry with both wave sets. The expansion stays where it is, wherever the axis goes.
GRID = "[spectra]\nlowest_hz = 63.0\nper_octave = 6\ncount = 13\n[expansion]\norigin_m = [0, 0, 0]\n"


def write_pair(path: Path) -> None:
    """Monopoles that are alike on neither side, a few centimetres off the axis origin."""
    scene = {
        "title": "Two monopoles",
        "source": {
            "kind": "monopoles",
            "monopoles": [
                {"position_m": (0.05, 0.08, 0.03)},
                {"position_m": (0.04, -0.09, -0.04), "gain": -0.6, "delay_s": 4e-4},
            ],
            "spectrum": "constant volume velocity",
        },
        "room": {"kind": "shoebox", "order": 1},
        "scan": {"kind": "sphere", "points": 120, "radius_m": 0.3, "gap_m": 0.06, "grid": "spiral"},
        "recording": {"kind": "impulse response", "sampling_rate_hz": 8000.0, "samples": 1024},
        "noise": {"level_db": -70.0},
    }
    write_session(simulate(Scene.model_validate(scene), 1), path)
