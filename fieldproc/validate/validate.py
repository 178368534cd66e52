"""A scan of a point source against the only field a point source can have.

Place x0 and strength a are fitted to the far field P(s) = a exp(+ik s.x0); what is left is error. It shows in level
and phase over angle, in what is not of degree 0 about x0, in the way the true pressure falls off with distance; and
all of it should keep to the errors that the results state of themselves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    REFERENCE_PRESSURE_PA,
    Booleans,
    Floats,
    amplitude_db,
    horizontal_directions,
    output_axes,
    vertical_directions,
    wavenumber,
)
from fieldproc.errors import NumericalError
from fieldproc.records import Expansion, FarField, Spectra, Table, Verdict, verdict_legend
from fieldproc.settings import ValidationSettings
from fieldproc.validate.checks import failures
from fieldproc.validate.coverage import COVERAGE_FACTOR, Expected, expected
from fieldproc.validate.monopole import Centred, distance_error_db, off_monopole_db
from fieldproc.validate.place import fit_place, places

# Gauss rings by equally spaced azimuths: exact for products of two fields of degree 23.
_RINGS = 24


class Number(NamedTuple):
    """One result and the ends of its 95 % interval (nan = not known)."""

    value: float
    unit: str
    low: float = np.nan
    high: float = np.nan


@dataclass(frozen=True, slots=True)
class Validation:
    """Found place in scan axes (m), the table per frequency, the worst of the band, and every check that failed."""

    place_m: Floats
    table: Table
    numbers: dict[str, Number]
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
    expansion: Expansion,
    spectra: Spectra,
    strength_m3_per_s: float | None,
    settings: ValidationSettings,
) -> Validation:
    """Compare the first channel with a monopole.

    ``far_field`` is that of the ``expansion`` at ``validation_directions``, about the axis of the ``spectra``, which
    state where the source stands and what was put right; ``strength_m3_per_s`` is the rms volume velocity at the
    drive voltage, if known. Raises ``NumericalError`` when no frequency of the tolerance band can be used, or where
    a distance of the settings lies within the source.
    """
    assert spectra.known_source is not None
    axis, stated_m = spectra.axis, spectra.known_source.position_m
    rotation, (directions, weights) = output_axes(axis.direction, axis.up), validation_directions()
    verdict = expansion.quality.verdict[:, 0]
    solved = np.asarray(np.isfinite(far_field.pressure_pa[:, 0]).all(axis=1))
    judged = _judged(far_field.frequency_hz, solved & (verdict != Verdict.DO_NOT_USE), settings)
    pressure, k = far_field.pressure_pa[:, 0], wavenumber(far_field.frequency_hz, far_field.sound_speed_m_per_s)
    start_m = rotation @ (stated_m - axis.origin_m)
    found_m = fit_place(pressure[judged], k[judged], directions, start_m)
    at_each_m = places(pressure, k, directions, solved, found_m)
    place_m = rotation.T @ found_m + axis.origin_m
    centred = Centred.about(found_m, far_field, weights)
    stated_pa = _stated_pa(far_field, strength_m3_per_s)
    misplaced_m = (at_each_m - start_m) @ rotation
    towards = directions[centred.standard] @ rotation
    law = distance_error_db(expansion, place_m, towards, centred.level_db, settings.distances_m, solved)
    columns = {
        "frequency_hz": far_field.frequency_hz,
        **_over_angle(centred),
        "off_monopole_db": off_monopole_db(expansion, place_m, solved),
        "place_error_m": np.linalg.norm(misplaced_m, axis=1),
        "level_error_db": amplitude_db(np.abs(centred.mean) / stated_pa),
        "verdict_code": verdict.astype(np.float64),
        "distance_error_db": law,
        **{f"place_error_{name}_m": misplaced_m[:, at] for at, name in enumerate("xyz")},
    }
    errors = expected(far_field, centred, stated_pa, judged, solved)
    if errors is not None:
        columns |= _bands(columns, errors)
    told = {"content": "far field against the monopole that fits it best", **_FACTS}
    numbers = _of_place(place_m, stated_m, rotation, errors) | _worst(columns, judged)
    missed = failures(columns, judged, numbers["place_error"].value, spectra.put_right, settings)
    return Validation(place_m, Table.of_columns("validation", columns, told), numbers, missed)


_FACTS = {
    "level": "of the fitted monopole at 1 m, re 20 uPa, at the drive voltage",
    "ripple": "highest minus lowest level over the 70 directions of ANSI/CTA-2034-A",
    "phase_error": "largest deviation of phase from the fitted monopole over those directions",
    "off_monopole": "power in everything but degree 0 about the found place, re the total power",
    "place_error": "place fitted at this frequency alone minus the stated one, scan axes, and its length",
    "level_error": "level minus rho f Q / 2 of the stated volume velocity; nan = none stated",
    "distance_error": "largest deviation of the level from 1/r between the settings' distances and the far field",
    "normalised_error": "rms over the sphere of the error of the level re its standard uncertainty; 1 is expected",
    "covered_share": "share of the sphere where that error is within the 95 % band; the level that all directions "
    "have in common counts where a volume velocity is stated",
    "bands": "low and high: value -+ 2 standard uncertainties, about 95 % (JCGM 100:2008, coverage factor 2)",
    "verdict_codes": verdict_legend(),
}


def _judged(frequency_hz: Floats, usable: Booleans, settings: ValidationSettings) -> Booleans:
    """Frequencies that tolerances hold for."""
    judged = usable & (frequency_hz >= settings.lowest_hz) & (frequency_hz <= settings.highest_hz)
    if not judged.any():
        raise NumericalError(
            "validate",
            f"number of usable frequencies from {settings.lowest_hz:g} to {settings.highest_hz:g} Hz",
            "0",
            "at least 1",
            "widen validation.lowest_hz and validation.highest_hz, or scan more points",
        )
    return judged


def _over_angle(centred: Centred) -> dict[str, Floats]:
    """Deviations from the monopole at the found place in the standard directions."""
    return {
        "level_db": amplitude_db(np.abs(centred.mean) / REFERENCE_PRESSURE_PA),
        "ripple_db": np.ptp(centred.level_db, axis=1),
        "phase_error_deg": np.abs(centred.phase_deg).max(axis=1),
    }


def _stated_pa(far_field: FarField, strength_m3_per_s: float | None) -> Floats:
    """Pressure of a monopole at 1 m: rho f Q / (2 r); nan where its strength is not known."""
    strength = np.nan if strength_m3_per_s is None else strength_m3_per_s
    return np.asarray(far_field.air_density_kg_per_m3 * far_field.frequency_hz * strength / 2.0)


def _bands(columns: dict[str, Floats], errors: Expected) -> dict[str, Floats]:
    """Ends of the 95 % bands, and how far the errors keep to what is stated of them."""
    bands = {}
    uncertain = (
        ("level", "db", errors.level_db, -np.inf),
        ("ripple", "db", errors.ripple_db, 0.0),
        ("phase_error", "deg", errors.phase_deg, 0.0),
        ("level_error", "db", errors.level_db, -np.inf),
    )
    for stem, unit, uncertainty, least in uncertain:
        value, reach = columns[f"{stem}_{unit}"], COVERAGE_FACTOR * uncertainty
        bands[f"{stem}_low_{unit}"] = np.maximum(value - reach, least)
        bands[f"{stem}_high_{unit}"] = value + reach
    return {**bands, "normalised_error": errors.normalised_error, "covered_share": errors.covered_share}


def _of_place(place_m: Floats, stated_m: Floats, rotation: Floats, errors: Expected | None) -> dict[str, Number]:
    """Found place and its distance from the stated one, which is at most as uncertain as its worst direction."""
    covariance = np.full((3, 3), np.nan) if errors is None else rotation.T @ errors.place_covariance_m2 @ rotation
    reach_m = COVERAGE_FACTOR * np.sqrt(np.diag(covariance))
    most_m = np.nan if errors is None else COVERAGE_FACTOR * np.linalg.norm(covariance, ord=2) ** 0.5
    misplaced_m = float(np.linalg.norm(place_m - stated_m))
    found = {
        f"found_{name}": Number(x, "m", x - reach, x + reach)
        for name, x, reach in zip("xyz", place_m.tolist(), reach_m.tolist(), strict=True)
    }
    # in this order, a nan stays nan
    low_m = float(np.maximum(misplaced_m - most_m, 0.0))
    return {**found, "place_error": Number(misplaced_m, "m", low_m, float(misplaced_m + most_m))}


_LARGEST = {
    "largest_ripple": ("ripple", "db"),
    "largest_phase_error": ("phase_error", "deg"),
    "largest_off_monopole": ("off_monopole", "db"),
    "largest_level_error": ("level_error", "db"),
    "largest_distance_error": ("distance_error", "db"),
}


def _worst(columns: dict[str, Floats], judged: Booleans) -> dict[str, Number]:
    """The worst of every quantity in the band that tolerances hold for, and how often errors are covered."""
    band = {name: column[judged] for name, column in columns.items()}
    unknown, numbers = np.full(int(judged.sum()), np.nan), {}
    for name, (stem, unit) in _LARGEST.items():
        value = band[f"{stem}_{unit}"]
        if np.isnan(value).all():
            continue
        at = int(np.nanargmax(value if stem == "off_monopole" else np.abs(value)))
        ends = (band.get(f"{stem}_{end}_{unit}", unknown)[at] for end in ("low", "high"))
        numbers[name] = Number(float(value[at]), {"db": "dB"}.get(unit, unit), *map(float, ends))
    if "covered_share" in band:
        numbers["covered_share"] = Number(float(band["covered_share"].mean()), "1")
        numbers["normalised_error"] = Number(float(np.sqrt(np.mean(band["normalised_error"] ** 2))), "1")
    return numbers
