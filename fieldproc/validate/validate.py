"""A scan of a point source against the only field a point source can have.

Place x0 and strength a are fitted to the far field P(s) = a exp(+ik s.x0); what is left is error. The fit
reads the far field alone: it knows nothing of the expansion's origin or orders.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    REFERENCE_PRESSURE_PA,
    Booleans,
    Complexes,
    Floats,
    Integers,
    amplitude_db,
    horizontal_directions,
    power_db,
    vertical_directions,
    wavenumber,
)
from fieldproc.errors import NumericalError
from fieldproc.records import FarField, Table, Verdict
from fieldproc.settings import ValidationSettings

# Gauss rings by equally spaced azimuths: exact for products of two fields of degree 23.
_RINGS = 24


@dataclass(frozen=True, slots=True)
class Validation:
    """Found place in output axes (m), the table per frequency, the worst of the tolerance band, and every
    check that failed."""

    place_m: Floats
    table: Table
    largest_ripple_db: float
    largest_phase_error_deg: float
    failures: tuple[str, ...]


def validation_directions() -> tuple[Floats, Floats]:
    """The directions ``validate`` needs and their weights: the 70 standard ones (weight 0), then a sphere.

    Shapes (direction, 3) and (direction,); the weights sum to 1.
    """
    angles = np.array(POLAR_ANGLES_DEG, dtype=np.float64)
    # on axis and straight behind belong to both planes and are counted once
    vertical = angles[(angles != 0) & (angles != 180)]
    height, weight = np.polynomial.legendre.leggauss(_RINGS)
    azimuth = np.arange(2 * _RINGS) * np.pi / _RINGS
    across = np.sqrt(1.0 - height**2)[:, None]
    sphere = np.stack(
        [
            across * np.cos(azimuth),
            across * np.sin(azimuth),
            np.broadcast_to(height[:, None], (_RINGS, 2 * _RINGS)),
        ],
        axis=-1,
    ).reshape(-1, 3)
    polar = np.concatenate([horizontal_directions(angles), vertical_directions(vertical)])
    weights = np.concatenate([np.zeros(len(polar)), np.repeat(weight / (4 * _RINGS), 2 * _RINGS)])
    return np.concatenate([polar, sphere]), weights


def validate(
    far_field: FarField,
    verdict: Integers,
    stated_place_m: Floats,
    stated_strength_m3_per_s: float | None,
    settings: ValidationSettings,
) -> Validation:
    """Compare the first channel of a far field at ``validation_directions`` with a monopole.

    ``verdict`` (frequency,) as in ``Quality``; ``stated_place_m`` in output axes from the axis origin;
    ``stated_strength_m3_per_s`` is the rms volume velocity at the drive voltage, if known. Raises
    ``NumericalError`` when no frequency of the tolerance band can be used.
    """
    directions, weights = validation_directions()
    pressure = far_field.pressure_pa[:, 0] * far_field.reference_distance_m
    k = wavenumber(far_field.frequency_hz, far_field.sound_speed_m_per_s)
    solved = np.asarray(np.isfinite(pressure).all(axis=1))
    band = (far_field.frequency_hz >= settings.lowest_hz) & (far_field.frequency_hz <= settings.highest_hz)
    judged = band & solved & (verdict != Verdict.DO_NOT_USE)
    if not judged.any():
        raise NumericalError(
            "validate",
            f"number of usable frequencies from {settings.lowest_hz:g} to {settings.highest_hz:g} Hz",
            "0",
            "at least 1",
            "widen validation.lowest_hz and validation.highest_hz, or scan more points",
        )
    place_m = _fit_place(pressure[judged], k[judged], directions, stated_place_m)
    columns = _columns(far_field, pressure, k, place_m, weights)
    columns["place_error_m"] = _place_error_per_frequency(pressure, k, solved, place_m, stated_place_m)
    stated_db = _stated_level_db(far_field, stated_strength_m3_per_s)
    columns["level_error_db"] = columns["level_db"] - stated_db
    columns["verdict_code"] = verdict.astype(np.float64)
    told = {"content": "far field against the monopole that fits it best", **_FACTS}
    table = Table.of_columns("validation", columns, told)
    misplaced_m = float(np.linalg.norm(place_m - stated_place_m))
    return Validation(
        place_m,
        table,
        largest_ripple_db=float(columns["ripple_db"][judged].max()),
        largest_phase_error_deg=float(columns["phase_error_deg"][judged].max()),
        failures=_failures(columns, judged, misplaced_m, settings),
    )


_FACTS = {
    "level": "of the fitted monopole at 1 m, re 20 uPa, at the drive voltage",
    "ripple": "highest minus lowest level over the 70 directions of ANSI/CTA-2034-A",
    "phase_error": "largest deviation of phase from the fitted monopole over those directions",
    "off_monopole": "power in everything but degree 0 about the found place, re the total power",
    "place_error": "distance of the place fitted at this frequency alone from the stated one",
    "level_error": "level minus rho f Q / 2 of the stated volume velocity; nan = none stated",
}


def _fit_place(pressure: Complexes, k: Floats, directions: Floats, start_m: Floats) -> Floats:
    """Place that explains all frequencies at once; each frequency's strength is eliminated in closed form."""
    scaled = pressure / np.linalg.norm(pressure, axis=1, keepdims=True)

    def misfit(place_m: Floats) -> Floats:
        model = np.exp(1j * k[:, None] * (directions @ place_m)) / np.sqrt(len(directions))
        strength = np.sum(scaled * model.conj(), axis=1, keepdims=True)
        difference = (scaled - strength * model).ravel()
        return np.concatenate([difference.real, difference.imag])

    return np.asarray(least_squares(misfit, start_m, x_scale=0.01, xtol=1e-12, ftol=1e-12, gtol=1e-12).x)


def _place_error_per_frequency(
    pressure: Complexes, k: Floats, solved: Booleans, start_m: Floats, stated_m: Floats
) -> Floats:
    directions, _ = validation_directions()
    error = np.full(len(k), np.nan)
    for row in np.flatnonzero(solved):
        place_m = _fit_place(pressure[row : row + 1], k[row : row + 1], directions, start_m)
        error[row] = np.linalg.norm(place_m - stated_m)
    return error


def _columns(
    far_field: FarField, pressure: Complexes, k: Floats, place_m: Floats, weights: Floats
) -> dict[str, Floats]:
    """Deviations from the monopole at the found place, per frequency."""
    directions, _ = validation_directions()
    # the same field counted from the found place: a monopole is the same in every direction there
    centred = pressure * np.exp(-1j * k[:, None] * (directions @ place_m))
    standard = centred[:, weights == 0]
    level = amplitude_db(np.abs(standard))
    mean = centred @ weights
    total = np.abs(centred) ** 2 @ weights
    deviation = np.degrees(np.angle(standard * mean.conj()[:, None]))
    return {
        "frequency_hz": far_field.frequency_hz,
        "level_db": amplitude_db(np.abs(mean) / REFERENCE_PRESSURE_PA),
        "ripple_db": level.max(axis=1) - level.min(axis=1),
        "phase_error_deg": np.abs(deviation).max(axis=1),
        "off_monopole_db": power_db(np.maximum(1.0 - np.abs(mean) ** 2 / total, 0.0)),
    }


def _stated_level_db(far_field: FarField, strength_m3_per_s: float | None) -> Floats:
    """Level of a monopole at 1 m: p = rho f Q / (2 r)."""
    if strength_m3_per_s is None:
        return np.full(len(far_field.frequency_hz), np.nan)
    pressure = far_field.air_density_kg_per_m3 * far_field.frequency_hz * strength_m3_per_s / 2.0
    return amplitude_db(pressure / REFERENCE_PRESSURE_PA)


def _failures(
    columns: dict[str, Floats], judged: Booleans, misplaced_m: float, settings: ValidationSettings
) -> tuple[str, ...]:
    frequency_hz = columns["frequency_hz"][judged]
    checks = (
        ("ripple_db", "level ripple over angle", "dB", settings.ripple_db),
        ("level_error_db", "level off the stated strength", "dB", settings.level_db),
    )
    failures = []
    for column, words, unit, limit in checks:
        size = np.abs(columns[column][judged])
        # nan = there was nothing to compare with
        if np.any(size > limit):
            worst = int(np.nanargmax(size))
            failures.append(
                f"{words}: {size[worst]:.3g} {unit} at {frequency_hz[worst]:.4g} Hz, limit {limit:g} {unit}"
            )
    if misplaced_m > settings.place_m:
        failures.append(
            f"place: found {1e3 * misplaced_m:.2f} mm from the stated place, limit {1e3 * settings.place_m:g} mm"
        )
    return tuple(failures)
