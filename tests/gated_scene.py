"""A scan on which an expansion does all it can in a second or two.

Irregular points, gated spectra beside whole ones, compact-centre fits at the top, all with their errors.
"""

from __future__ import annotations

import struct
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from fieldproc.pipeline import mended_spectra
from fieldproc.records import Spectra
from fieldproc.settings import Settings, SpectraSettings
from fieldproc.simulate import Scene, simulate

SETTINGS = Settings(spectra=SpectraSettings(lowest_hz=80.0, per_octave=2, count=12))


def gated_spectra() -> Spectra:
    """Two monopoles in a room, 240 points on two spheres, seen from 80 Hz to 4 kHz."""
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
        "scan": {"kind": "sphere", "points": 240, "radius_m": 0.3, "gap_m": 0.06, "grid": "spiral"},
        "recording": {"kind": "impulse response", "sampling_rate_hz": 12000.0, "samples": 1024},
        "noise": {"level_db": -60.0},
    }
    return mended_spectra(simulate(Scene.model_validate(scene), 1), SETTINGS)


def bits(value: Any) -> Any:
    """All that a record holds, numbers by their bits: equal only where nothing differs, not even a nan or a zero."""
    if is_dataclass(value):
        return {one.name: bits(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, np.ndarray):
        return value.shape, str(value.dtype), value.tobytes()
    if isinstance(value, tuple | list):
        return [bits(one) for one in value]
    return struct.pack("d", value) if isinstance(value, float) else value
