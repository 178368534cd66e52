"""What many tests need around a fit: spectra without a session, a source in its room, the error of a far field."""

from __future__ import annotations

from typing import Any

import numpy as np
from expand.plain_waves import complex_normal

from fieldproc.conventions import amplitude_db
from fieldproc.extrapolate import far_field_pressure
from fieldproc.records import Expansion, ReferenceAxis, Spectra
from fieldproc.simulate.medium import Medium
from fieldproc.simulate.rooms import Room, room_pressure
from fieldproc.simulate.sources import Source

# Of everything here: 343.2 m/s and 1.204 kg/m3.
AIR = Medium()
CHANNEL_NAMES = {1: ("full range",), 2: ("one", "two")}


def make_spectra(
    positions_m: np.ndarray,
    frequency_hz: np.ndarray,
    pressure_pa: np.ndarray,
    surface: int | np.ndarray = -1,
    **stated: Any,
) -> Spectra:
    """One record per point, all usable: pressure (frequency, point) of one channel, or (frequency, channel, point).

    ``surface`` is one for all points (-1: none is named) or one each. ``stated`` are further fields of
    :class:`Spectra`, or others in place of the usual ones.
    """
    points = len(positions_m)
    pressure = pressure_pa[:, None] if pressure_pa.ndim == 2 else pressure_pa
    usual: dict[str, Any] = {
        "usable": np.ones(len(frequency_hz), dtype=np.bool_),
        "sound_speed_m_per_s": np.full(points, AIR.sound_speed_m_per_s),
        "file_point": np.arange(points),
        "repeats": np.ones(points, dtype=np.int64),
        "channel_names": CHANNEL_NAMES[pressure.shape[1]],
        "air_density_kg_per_m3": AIR.density_kg_per_m3,
    }
    return Spectra(
        frequency_hz=frequency_hz,
        pressure_pa=pressure,
        positions_m=positions_m,
        surface=np.full(points, surface),
        **{**usual, **stated},
    )


def noisy(pressure_pa: np.ndarray, noise_db: float, generator: np.random.Generator) -> np.ndarray:
    """Plus noise at a level re the rms over the points (last axis), per frequency and channel."""
    rms = np.sqrt(np.mean(np.abs(pressure_pa) ** 2, axis=-1, keepdims=True))
    return pressure_pa + 10 ** (noise_db / 20) * rms * complex_normal(generator, *pressure_pa.shape)


def noisy_pressure(
    source: Source,
    room: Room,
    frequency_hz: np.ndarray,
    positions_m: np.ndarray,
    noise_db: float,
    generator: np.random.Generator,
) -> np.ndarray:
    """A source in a room, as :func:`noisy` hears it at the positions, (frequency, point)."""
    direct = source.pressure(frequency_hz, positions_m, AIR)
    return noisy(direct + room_pressure(source, room, frequency_hz, positions_m, AIR), noise_db, generator)


def relative_error_db(found: np.ndarray, expected: np.ndarray) -> np.ndarray:
    """Norm of the difference re norm of what is expected, row by row."""
    return amplitude_db(np.linalg.norm(found - expected, axis=1) / np.linalg.norm(expected, axis=1))


def far_field_error_db(expansion: Expansion, source: Source, directions: np.ndarray) -> np.ndarray:
    """Rms over the directions of the first channel's complex difference from the closed form, per frequency."""
    found = far_field_pressure(expansion, ReferenceAxis(), directions)[:, 0]
    return relative_error_db(found, source.far_field(expansion.frequency_hz, directions, np.zeros(3), AIR))
