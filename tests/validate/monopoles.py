"""Far fields of point sources in closed form, and what belongs to them, for tests of their validation."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from expand.crafted import make_expansion
from scanned import make_spectra
from scipy.special import sph_harm_y_all

from fieldproc.conventions import output_axes
from fieldproc.records import Correction, Expansion, FarField, KnownSource, ReferenceAxis, Spectra
from fieldproc.settings import ValidationSettings
from fieldproc.validate import Validation, validate, validation_directions

SOUND_SPEED_M_PER_S = 343.2
DENSITY_KG_PER_M3 = 1.204
FREQUENCY_HZ = np.array([30.0, 63.0, 125.0, 250.0, 500.0, 1000.0, 4000.0])
K = 2 * np.pi * FREQUENCY_HZ / SOUND_SPEED_M_PER_S
PLACE_M = np.array([0.032, -0.021, 0.043])
VOLUME_VELOCITY_M3_PER_S = 1e-3
# A wrong place: 5 mm higher.
RAISED_M = np.array([0.0, 0.0, 0.005])
# Pressure at 1 m of a monopole, rho f Q / 2: 0.602 Pa at 1 kHz.
STRENGTH_PA = 0.5j * DENSITY_KG_PER_M3 * FREQUENCY_HZ * VOLUME_VELOCITY_M3_PER_S
DIRECTIONS, WEIGHTS = validation_directions()
GOOD = np.zeros(7, dtype=np.int64)
# kr = 4.3 at the most: beyond degree 16, a monopole at PLACE_M has 1e-11 of its amplitude.
DEGREE = 16


def monopole(place_m: np.ndarray = PLACE_M, strength: float = 1.0, reference_m: float = 1.0) -> FarField:
    pressure = strength * STRENGTH_PA[:, None] * np.exp(1j * K[:, None] * (DIRECTIONS @ place_m))
    return far_field(pressure / reference_m, reference_m)


def far_field(pressure: np.ndarray, reference_m: float = 1.0) -> FarField:
    return FarField(
        frequency_hz=FREQUENCY_HZ,
        directions=DIRECTIONS,
        pressure_pa=pressure[:, None],
        sound_power_w=np.full((7, 1), np.nan),
        distance_m=np.inf,
        channel_names=("full range",),
        reference_distance_m=reference_m,
        air_density_kg_per_m3=DENSITY_KG_PER_M3,
        sound_speed_m_per_s=SOUND_SPEED_M_PER_S,
    )


@cache
def projection(*rotation: float) -> np.ndarray:
    """k times the far field in DIRECTIONS to coefficients, (direction, coefficient): (-i)^(n+1) int P conj(Y).

    [DLMF] 10.52.4. ``rotation`` are the nine numbers of the output axes.
    """
    x, y, z = (DIRECTIONS @ np.reshape(rotation, (3, 3))).T
    harmonics = sph_harm_y_all(DEGREE, DEGREE, np.arccos(z), np.arctan2(y, x))
    columns = [(-1j) ** (n + 1) * harmonics[n, m].conj() for n in range(DEGREE + 1) for m in range(-n, n + 1)]
    return np.asarray(4 * np.pi * WEIGHTS[:, None] * np.transpose(columns))


def expansion_of(record: FarField, verdict: np.ndarray = GOOD, axis: ReferenceAxis | None = None) -> Expansion:
    """Coefficients about the axis origin by quadrature."""
    axis = axis or ReferenceAxis()
    pressure = np.nan_to_num(record.pressure_pa[:, 0]) * record.reference_distance_m
    outgoing = K[:, None] * (pressure @ projection(*output_axes(axis.direction, axis.up).ravel()))
    # rounding of high degrees would be a huge near field
    outgoing[np.abs(outgoing) < 1e-13 * np.abs(outgoing).max(axis=1, keepdims=True)] = 0.0
    origin_m = np.tile(axis.origin_m, (len(K), 1))
    return make_expansion(FREQUENCY_HZ, outgoing[:, None], verdict=verdict, origin_m=origin_m)


def spectra_of(place_m: np.ndarray = PLACE_M, **stated: Any) -> Spectra:
    """Of the spectra, only the axis, the stated place and what was put right count."""
    return make_spectra(np.ones((1, 3)), FREQUENCY_HZ, np.ones((7, 1)), known_source=KnownSource(place_m), **stated)


def validated(
    record: FarField,
    strength: float | None = VOLUME_VELOCITY_M3_PER_S,
    stated_m: np.ndarray = PLACE_M,
    verdict: np.ndarray = GOOD,
    put_right: tuple[Correction, ...] = (),
    **settings: Any,
) -> Validation:
    spectra = spectra_of(stated_m, put_right=put_right)
    return validate(record, expansion_of(record, verdict), spectra, strength, ValidationSettings(**settings))


def checks_of(result: Validation) -> list[str]:
    """Names of the checks that failed."""
    return [failure.partition(":")[0] for failure in result.failures]
