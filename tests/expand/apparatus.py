"""A compact source in a reflective room, scanned by apparatus that errs: what the tests of its errors share."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Literal

import numpy as np
from expand.plain_waves import spiral
from scanned import AIR, far_field_error_db, make_spectra, noisy

from fieldproc.expand import expand
from fieldproc.records import Spectra
from fieldproc.settings import Settings
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.rooms import Shoebox, room_pressure
from fieldproc.simulate.scans import cylinder_scan, sphere_scan
from fieldproc.simulate.sources import Monopole, MonopoleCluster

SOURCE = MonopoleCluster(
    (
        Monopole((0.10, 0.03, -0.09)),
        Monopole((0.09, -0.04, 0.12), 0.6, 90e-6),
        Monopole((-0.11, 0.06, 0.02), -0.35, 210e-6),
        Monopole((0.02, -0.12, -0.04), 0.4, 120e-6),
    ),
    1e-4,
)
# Its sound at the points of these scans, re the direct sound: +2 dB at 20 Hz, -14 to -8 dB from 50 Hz up.
ROOM = Shoebox((6.0, 5.0, 3.0), (-2.6, -2.2, -1.3), (0.85, 0.85, 0.8, 0.85, 0.7, 0.8), 3)
# Sixth octaves about 1 kHz, 63 Hz to 2.2 kHz.
FREQUENCY_HZ = 1000.0 * 2.0 ** (np.arange(-24, 8) / 6.0)
DIRECTIONS = spiral(200)
JITTER_M = 2e-4

Kind = Literal["rings", "irregular", "spheres", "three"]


@cache
def scan(kind: Kind, gap_m: float = 0.05) -> tuple[np.ndarray, np.ndarray]:
    """Cylinders on equal rings, spirals on two spheres, rings on two or three spheres."""
    if kind == "rings":
        return cylinder_scan(2016, 0.40, 0.42, gap_m=gap_m, azimuths=36)
    if kind == "irregular":
        return sphere_scan(1400, 0.42, gap_m=gap_m, grid="spiral")
    return sphere_scan(2232, 0.42, gap_m=gap_m, surfaces=3 if kind == "three" else 2)


def heard(
    positions_m: np.ndarray,
    air: Medium = AIR,
    source: MonopoleCluster = SOURCE,
    frequency_hz: np.ndarray = FREQUENCY_HZ,
) -> np.ndarray:
    """Source and room at the positions, (frequency, point)."""
    direct = source.pressure(frequency_hz, positions_m, air)
    return direct + room_pressure(source, ROOM, frequency_hz, positions_m, air)


@cache
def session(kind: Kind, gap_m: float = 0.05, jitter_m: float = JITTER_M, seed: int = 0) -> Spectra:
    """A scan with noise at -60 dB and places off by ``jitter_m`` rms per axis."""
    generator = np.random.default_rng(seed)
    positions_m, surface = scan(kind, gap_m)
    true_m = positions_m + jitter_m * generator.standard_normal(positions_m.shape)
    return make_spectra(positions_m, FREQUENCY_HZ, noisy(heard(true_m), -60.0, generator), surface)


def with_pressure(spectra: Spectra, points: np.ndarray, pressure_pa: np.ndarray) -> Spectra:
    """Other pressures at some points."""
    changed = spectra.pressure_pa.copy()
    changed[:, :, points] = pressure_pa
    return replace(spectra, pressure_pa=changed)


def at_frequencies(spectra: Spectra, wanted_hz: tuple[float, ...]) -> Spectra:
    """The rows nearest to some frequencies."""
    rows = np.abs(spectra.frequency_hz - np.array(wanted_hz)[:, None]).argmin(axis=1)
    return replace(
        spectra,
        frequency_hz=spectra.frequency_hz[rows],
        pressure_pa=spectra.pressure_pa[rows],
        usable=spectra.usable[rows],
    )


def error_db(spectra: Spectra, *wanted_hz: float) -> np.ndarray:
    """Error of the far field at some frequencies; nothing is taken out of it, no common factor either."""
    return far_field_error_db(expand(at_frequencies(spectra, wanted_hz), Settings()), SOURCE, DIRECTIONS)
