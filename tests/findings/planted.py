"""Scans with something planted, small and cheap, through the whole pipeline."""

from __future__ import annotations

from typing import Any

import numpy as np

from fieldproc.conventions import Floats, fine_polar_directions
from fieldproc.expand import expand
from fieldproc.extrapolate import extrapolate
from fieldproc.findings.curves import Curve
from fieldproc.pipeline import mended_spectra
from fieldproc.records import FarField
from fieldproc.settings import ExtrapolationSettings, Settings
from fieldproc.simulate import Scene, simulate
from fieldproc.simulate.filters import peaking


def _settings(lowest_hz: float, count: int) -> Settings:
    """24 per octave."""
    return Settings.model_validate({"spectra": {"lowest_hz": lowest_hz, "per_octave": 24, "count": count}})


# 150 Hz to 16 kHz; 500 Hz to 8 kHz; for every run 250 Hz to 4 kHz
RESONANCES, NULLS, SHORT = _settings(150.0, 163), _settings(500.0, 97), _settings(250.0, 97)
# Its sound at the points is -10 to -20 dB re the direct sound.
ROOM = {"kind": "shoebox", "size_m": (5.0, 4.0, 2.6), "corner_m": (-2.9, -1.8, -1.2), "order": 2}


def scene(monopoles: list[dict[str, Any]], resonances: list[dict[str, float]], points: int = 300) -> Scene:
    return Scene.model_validate(
        {
            "title": "Planted",
            "source": {"kind": "monopoles", "monopoles": monopoles, "resonances": resonances},
            "room": ROOM,
            "scan": {"kind": "sphere", "points": points, "radius_m": 0.15, "gap_m": 0.05, "grid": "spiral"},
            "recording": {"kind": "impulse response", "sampling_rate_hz": 40000.0, "samples": 4096},
            "noise": {"level_db": -50.0},
            "position_jitter_m": 4e-4,
        }
    )


def small_source(rng: np.random.Generator) -> list[dict[str, Any]]:
    """Three monopoles within half a centimetre: a little directive at the top, and smooth."""
    gains = (1.0, *rng.uniform(0.1, 0.3, 2))
    return [{"position_m": tuple(rng.uniform(-0.002, 0.002, 3)), "gain": gain} for gain in gains]


def circles_of(of: Scene, seed: int, settings: Settings) -> FarField:
    """Simulated, conditioned, mended, expanded, and seen around both circles."""
    spectra = mended_spectra(simulate(of, seed), settings)
    return extrapolate(expand(spectra, settings), spectra.axis, fine_polar_directions(), ExtrapolationSettings())


# A grid for curves that come from no scan: 24 per octave, 100 Hz to 16 kHz.
GRID_HZ = 100.0 * 2.0 ** (np.arange(177) / 24.0)


def curve_of(level_db: Floats, errors_db: Floats | None = None, draws: int = 0) -> Curve:
    """A curve on the grid; errors (vector, frequency), by default not known."""
    vectors = np.empty((0, len(GRID_HZ))) if errors_db is None else errors_db
    return Curve(GRID_HZ, level_db, vectors, draws, np.ones(len(GRID_HZ), dtype=np.bool_))


def peak_db(frequency_hz: float, q: float, gain_db: float, at_hz: Floats = GRID_HZ) -> Floats:
    """Level of a peaking filter, in the simulation's own form."""
    return 20.0 * np.log10(np.abs(peaking(frequency_hz, q, gain_db)(at_hz)))
