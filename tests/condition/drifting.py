"""Scans whose gain, latency and air change from record to record, rendered exactly; some return to one place."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import fft

from fieldproc.records import Air, ImpulseResponses, Session
from fieldproc.simulate import NAMED_SCENES
from fieldproc.simulate.medium import medium_at
from fieldproc.simulate.rooms import room_pressure
from fieldproc.simulate.scans import cylinder_scan
from fieldproc.simulate.scene import ImpulseResponseModel, Scene, build_room, build_source
from fieldproc.simulate.simulate import LEAD_IN_SAMPLES, band_limit

RATE_HZ, SAMPLES = 4000.0, 1024
START_S = -LEAD_IN_SAMPLES / RATE_HZ
TEMPERATURE_C = 20.0
# What a sound speed of 20 degrees C grows by with one kelvin (ISO 9613-1, A.5).
KELVIN = float(np.sqrt(294.15 / 293.15) - 1.0)
# Of records that return: one place of a cylinder.
PLACE_M = np.array([0.28, 0.0, 0.1])


def scene(**changes: Any) -> Scene:
    """Five monopoles in a reflective room."""
    recording = ImpulseResponseModel(sampling_rate_hz=RATE_HZ, samples=SAMPLES)
    return NAMED_SCENES["monopole-cluster"]().model_copy(update={"recording": recording, "noise": None, **changes})


def render(
    of: Scene,
    positions_m: np.ndarray,
    warmer_k: np.ndarray | float = 0.0,
    gain_db: np.ndarray | float = 0.0,
    late_s: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Responses (record, sample) from :data:`START_S`, each in its own air, as loud and as late as stated."""
    records = len(positions_m)
    warmer_k, gain_db, late_s = (np.broadcast_to(one, records) for one in (warmer_k, gain_db, late_s))
    frequency_hz = np.fft.rfftfreq(SAMPLES, 1.0 / RATE_HZ)
    source, room = build_source(of), build_room(of)
    pressure = np.empty((len(frequency_hz), records), dtype=np.complex128)
    for warm in np.unique(warmer_k):
        own = np.flatnonzero(warmer_k == warm)
        air = medium_at(TEMPERATURE_C + float(warm))
        pressure[:, own] = source.pressure(frequency_hz, positions_m[own], air)
        pressure[:, own] += room_pressure(source, room, frequency_hz, positions_m[own], air)
    pressure *= 10 ** (gain_db / 20) * np.exp(-2j * np.pi * np.outer(frequency_hz, late_s - START_S))
    return fft.irfft(band_limit(frequency_hz, RATE_HZ)[:, None] * pressure, SAMPLES, axis=0).T


def with_noise(values: np.ndarray, level_db: float, seed: int) -> np.ndarray:
    """White noise at a level re the rms of all samples."""
    deviation = np.sqrt(np.mean(values**2)) * 10 ** (level_db / 20)
    return values + np.random.default_rng(seed).normal(0.0, deviation, values.shape)


def session_at(positions_m: np.ndarray, values: np.ndarray, **changes: Any) -> Session:
    """A record every ten seconds; the air is said to have 20 degrees C throughout."""
    records = len(positions_m)
    usual: dict[str, Any] = {
        "air": Air(temperature_c=np.full(records, TEMPERATURE_C)),
        "measured_at_s": 10.0 * np.arange(records),
        "surface": np.full(records, -1),
    }
    return Session(
        name="scan",
        title="practice scan",
        device="monopoles",
        attributes={},
        positions_m=positions_m,
        response=ImpulseResponses(values[None].astype(np.float32), RATE_HZ, START_S),
        unit="Pa/V",
        channel_names=("full range",),
        valid=np.ones(records, dtype=np.bool_),
        **{**usual, **changes},
    )


def cylinders_with_returns(points: int, azimuths: int, returns: int) -> tuple[np.ndarray, np.ndarray]:
    """Positions (record, 3) and surfaces (record,) of a scan that comes back to its first point, at last too."""
    positions_m, surface = cylinder_scan(points, 0.28, 0.28, azimuths=azimuths)
    back = np.linspace(0, len(positions_m), returns).astype(np.int64)[1:]
    order = np.insert(np.arange(len(positions_m)), back, 0)
    return positions_m[order], surface[order]
