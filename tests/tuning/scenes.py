"""Three kinds of loudspeaker in a room, each on a small scan, and the truth of their far fields."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from fieldproc.conventions import amplitude_db, wavenumber
from fieldproc.expand import expand
from fieldproc.extrapolate import far_field_pressure
from fieldproc.pipeline import mended_spectra
from fieldproc.records import Expansion, ReferenceAxis
from fieldproc.session import open_input, write_session
from fieldproc.settings import Settings
from fieldproc.simulate import Scene, simulate, truth
from fieldproc.simulate.scans import sphere_scan
from fieldproc.tuning.tune import Recommendation
from fieldproc.waves.basis import pattern_coefficients
from fieldproc.waves.harmonics import spherical_harmonics

# Two in each of three octaves.
FREQUENCY_HZ = (100.0, 125.0, 250.0, 315.0, 800.0, 1000.0)
DIRECTIONS = sphere_scan(200, 1.0, surfaces=1, grid="spiral")[0]
CLUSTER = [
    {"position_m": (0.12, 0.03, -0.11)},
    {"position_m": (0.11, -0.04, 0.14), "gain": 0.6, "delay_s": 90e-6},
    {"position_m": (-0.13, 0.08, 0.02), "gain": -0.35, "delay_s": 210e-6},
]
COLUMN = [
    {"position_m": (0.03, -0.02, -0.45)},
    {"position_m": (-0.02, 0.03, -0.25), "gain": -0.6, "delay_s": 5e-5},
    {"position_m": (0.01, 0.01, -0.05), "gain": 0.8, "delay_s": 1e-4},
    {"position_m": (0.04, 0.02, 0.20), "gain": 0.5, "delay_s": 2e-5},
    {"position_m": (0.00, -0.02, 0.43), "gain": 0.9, "delay_s": 8e-5},
]
CAPS = [
    {"half_angle_deg": 30.0},
    {"elevation_deg": 60.0, "half_angle_deg": 12.0, "volume_acceleration_m3_per_s2_per_v": 0.5, "delay_s": 1e-4},
]
KINDS = {
    "cluster": (
        {"kind": "monopoles", "monopoles": CLUSTER},
        {"kind": "cylinder", "points": 480, "azimuths": 20, "radius_m": 0.28, "half_height_m": 0.28},
    ),
    "caps": (
        {"kind": "sphere caps", "radius_m": 0.12, "caps": CAPS},
        {
            "kind": "cylinder",
            "points": 600,
            "azimuths": 20,
            "radius_m": 0.26,
            "half_height_m": 0.26,
            "gap_m": 0.04,
            "surfaces": 3,
        },
    ),
    "tall": (
        {"kind": "monopoles", "monopoles": COLUMN},
        {
            "kind": "cylinder",
            "points": 704,
            "azimuths": 22,
            "radius_m": 0.3,
            "half_height_m": 0.58,
            "gap_m": 0.05,
        },
    ),
}


def scene_of(kind: str, frequency_hz: tuple[float, ...] = FREQUENCY_HZ) -> Scene:
    """One of KINDS in a reflective room, noise at -60 dB."""
    source, scan = KINDS[kind]
    return Scene.model_validate(
        {
            "title": kind,
            "source": source,
            "room": {"kind": "shoebox", "size_m": (5.09, 3.29, 2.9)},
            "scan": scan,
            "recording": {"kind": "transfer function", "frequency_hz": frequency_hz},
            "noise": {"level_db": -60.0},
        }
    )


def written(scene: Scene, path: Path, seed: int = 1) -> Path:
    """The session of a scene as a file."""
    write_session(simulate(scene, seed), path)
    return path


@cache
def true_far_field(kind: str, frequency_hz: tuple[float, ...]) -> np.ndarray:
    """(frequency, direction)."""
    return truth(scene_of(kind)).far_field(np.array(frequency_hz), DIRECTIONS)


def run(path: Path, settings: Settings) -> Expansion:
    """The expansion that a run makes of a file."""
    return expand(mended_spectra(open_input(path), settings), settings)


def error_of(expansion: Expansion, kind: str, frequency_hz: np.ndarray) -> np.ndarray:
    """Its relative far-field error at some frequencies."""
    rows = np.searchsorted(expansion.frequency_hz, frequency_hz)
    found = far_field_pressure(expansion, ReferenceAxis(), DIRECTIONS)[rows, 0]
    expected = true_far_field(kind, tuple(frequency_hz.tolist()))
    return np.linalg.norm(found - expected, axis=1) / np.linalg.norm(expected, axis=1)


def errors_of_pairs(found: Recommendation, kind: str) -> list[np.ndarray]:
    """Far-field error of every pair of truncations of each candidate, (row, outgoing, regular); inf where not tried.

    Compared about the origin of each candidate, where the truth has no phase of a shift.
    """
    frequency_hz = found.spectra.frequency_hz[found.judged]
    k = wavenumber(frequency_hz, float(found.spectra.sound_speed_m_per_s.mean()))
    expected = true_far_field(kind, tuple(frequency_hz.tolist()))
    errors = []
    for choice in found.choices:
        origin_m = choice.sweep.candidate.solver.origin_m
        about = expected * np.exp(-1j * k[:, None] * (DIRECTIONS @ origin_m))
        of_trial = {}
        for row, of_row in enumerate(choice.sweep.trials):
            for trial in of_row.values():
                harmonics = spherical_harmonics(int(np.sqrt(trial.outgoing.shape[1])) - 1, DIRECTIONS)
                missed = pattern_coefficients(trial.outgoing)[0] @ harmonics.T / k[row] - about[row]
                of_trial[id(trial)] = float(np.linalg.norm(missed) / np.linalg.norm(about[row]))
        errors.append(np.nan_to_num(choice.sweep.values(lambda trial, of=of_trial: of[id(trial)]), nan=np.inf))
    return errors


def octave_db(error: np.ndarray, numbers: np.ndarray) -> np.ndarray:
    """Rms over every octave of the first axis, in dB."""
    return amplitude_db(
        np.array([np.sqrt(np.mean(error[numbers == one] ** 2, axis=0)) for one in np.unique(numbers)])
    )
