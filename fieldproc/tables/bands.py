"""Bands of 95 % beside the columns of a table, from the errors that a far field may have.

Every column is a function of pressures and sound power. To first order, a vector of errors changes it by its
directional derivative, taken as a central difference over a step too small for curvature. Derivatives of one cause at
all angles belong together, so that averages, ratios and angles see how errors are correlated. Variances add: the mean
square of what was drawn at random, the square of every other cause. The band is the value -+ two standard
uncertainties (coverage factor 2: JCGM 100:2008, 6.3.3); levels are turned into amplitudes for that, so that a null
may be infinitely deep and a level has no band below silence. In the null itself an amplitude has no derivative: any
error makes it larger, and the second difference tells by how much.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import REFERENCE_PRESSURE_PA, Complexes, Floats, Integers, amplitude_db, phase_deg
from fieldproc.records import AnyComplexes, Bands, FarField, Verdict, verdict_legend

COVERAGE_FACTOR = 2.0
# How far from a level its band may reach for "good" and "caution", dB.
CELL_LIMITS_DB = (1.0, 3.0)
FACTS: Mapping[str, str | float | int] = {
    "bands": "low and high: value -+ 2 standard uncertainties, about 95 % (JCGM 100:2008, coverage factor 2)",
    "coverage_factor": COVERAGE_FACTOR,
    "verdict_codes": verdict_legend(),
    "verdicts": (
        f"good where the band reaches no farther than {CELL_LIMITS_DB[0]:g} dB from the level, caution up to "
        f"{CELL_LIMITS_DB[1]:g} dB; never better than the verdict of the frequency (quality.csv)"
    ),
}
# Share of an error vector: amplitudes change by 1e-4 where errors are as large as they.
_STEP = 1e-4

Columns = Mapping[str, Floats]


def standard_uncertainty(effects: Floats, draws: int) -> Floats:
    """Of a quantity that vectors (vector, ...) of errors change by ``effects``, the first ``draws`` at random."""
    return np.asarray(np.sqrt(np.mean(effects[:draws] ** 2, axis=0) + np.sum(effects[draws:] ** 2, axis=0)))


def level_band(amplitude: Floats, uncertainty: Floats) -> tuple[Floats, Floats]:
    """Low and high level in dB of an amplitude re its reference, and of its uncertainty re the same."""
    reach = COVERAGE_FACTOR * uncertainty
    return amplitude_db(np.maximum(amplitude - reach, 0.0)), amplitude_db(amplitude + reach)


def pressure_band(pressure_pa: Complexes, errors_pa: AnyComplexes, draws: int) -> tuple[Floats, Floats]:
    """Low and high level in dB of pressures (frequency, channel, direction) that vectors of errors add to.

    ``errors_pa`` (frequency, channel, vector, direction).
    """
    size = np.abs(pressure_pa)
    errors = np.moveaxis(errors_pa, 2, 0)
    along = np.divide(pressure_pa, size, out=np.ones_like(pressure_pa), where=size > 0)
    effects = np.where(size == 0, np.abs(errors), (errors * along.conj()).real)
    return level_band(size / REFERENCE_PRESSURE_PA, standard_uncertainty(effects, draws) / REFERENCE_PRESSURE_PA)


def far_field_bands(far_field: FarField) -> Bands:
    """Bands of every level and phase, in single precision, from the vectors of errors that the far field comes with.

    A phase is known to half a turn at worst.
    """
    errors = far_field.errors
    assert errors is not None
    pressure_pa = far_field.pressure_pa
    low_db, high_db = pressure_band(pressure_pa, errors.pressure_pa, errors.draws)
    with np.errstate(divide="ignore", invalid="ignore"):
        turns = np.degrees((np.moveaxis(errors.pressure_pa, 2, 0) / pressure_pa).imag)
    reach_deg = np.minimum(COVERAGE_FACTOR * standard_uncertainty(turns, errors.draws), 180.0)
    about_deg = phase_deg(pressure_pa)
    return Bands(
        level_low_db=low_db.astype(np.float32),
        level_high_db=high_db.astype(np.float32),
        phase_low_deg=(about_deg - reach_deg).astype(np.float32),
        phase_high_deg=(about_deg + reach_deg).astype(np.float32),
        verdict=errors.verdict,
    )


def cell_verdict(value_db: Floats, band_db: tuple[Floats, Floats], of_frequency: Integers) -> Integers:
    """Verdict of every level: by how far its band reaches, never better than that of its frequency."""
    low_db, high_db = band_db
    # an infinite level has no band, and nothing of it is known
    with np.errstate(invalid="ignore"):
        reach_db = np.maximum(high_db - value_db, value_db - low_db)
    caution_db, stop_db = CELL_LIMITS_DB
    grade = np.where(
        reach_db <= caution_db, Verdict.GOOD, np.where(reach_db <= stop_db, Verdict.CAUTION, Verdict.DO_NOT_USE)
    )
    return np.maximum(grade, of_frequency)


def with_bands(far_field: FarField, columns_of: Callable[[FarField], Columns], channel: int) -> dict[str, Floats]:
    """The columns (``name_db``, ``name_deg`` or ``name_s``, frequency), and after them their low and high ends.

    These are ``name_low_unit`` and ``name_high_unit``; of levels, there is ``name_verdict_code`` too. The columns
    alone where the errors of the far field are not known.
    """
    columns = dict(columns_of(far_field))
    errors = far_field.errors
    if errors is None:
        return columns
    effects: dict[str, list[Floats]] = {name: [] for name in columns}
    for vector in range(errors.pressure_pa.shape[2]):
        above, below = (columns_of(_changed(far_field, vector, step)) for step in (_STEP, -_STEP))
        for name, value in columns.items():
            change = _CHANGES[name.rpartition("_")[2]]
            effects[name].append(change(below[name], value, above[name]) / (2.0 * _STEP))
    verdicts: dict[str, NDArray[Any]] = {}
    for name, value in list(columns.items()):
        stem, unit = name.rsplit("_", 1)
        uncertainty = standard_uncertainty(np.array(effects[name]), errors.draws)
        columns[f"{stem}_low_{unit}"], columns[f"{stem}_high_{unit}"] = band = _band(name, value, uncertainty)
        if unit == "db":
            verdicts[f"{stem}_verdict_code"] = cell_verdict(value, band, errors.verdict[:, channel])
    return columns | verdicts


def _amplitude(level: Floats) -> Floats:
    return np.asarray(10.0 ** (level / 20.0))


def _amplitude_change(below_db: Floats, value_db: Floats, above_db: Floats) -> Floats:
    """Of both steps together, whatever its sign: variances take squares."""
    below, value, above = (_amplitude(level) for level in (below_db, value_db, above_db))
    # what is infinite re nothing has no band
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(above - below) + np.abs((above - value) + (below - value)))


def _angle_change(below_deg: Floats, _: Floats, above_deg: Floats) -> Floats:
    return np.asarray(np.remainder(above_deg - below_deg + 180.0, 360.0) - 180.0)


def _time_change(below_s: Floats, _: Floats, above_s: Floats) -> Floats:
    return np.asarray(above_s - below_s)


_CHANGES = {"db": _amplitude_change, "deg": _angle_change, "s": _time_change}


def _band(name: str, value: Floats, uncertainty: Floats) -> tuple[Floats, Floats]:
    """Low and high of a column, by the unit in its name."""
    stem, unit = name.rsplit("_", 1)
    if unit == "db":
        return level_band(_amplitude(value), uncertainty)
    if unit == "deg":
        return _angle_band(stem, value, uncertainty)
    return value - COVERAGE_FACTOR * uncertainty, value + COVERAGE_FACTOR * uncertainty


def _angle_band(stem: str, value: Floats, uncertainty: Floats) -> tuple[Floats, Floats]:
    """A phase is known to half a turn at worst, and its band is not wrapped; a coverage angle has limits."""
    reach = np.minimum(COVERAGE_FACTOR * uncertainty, 180.0)
    side = 360.0 if stem.endswith("coverage") else 180.0
    least, most = (0.0, side) if "coverage" in stem else (-np.inf, np.inf)
    return np.maximum(value - reach, least), np.minimum(value + reach, most)


def _changed(far_field: FarField, vector: int, step: float) -> FarField:
    """The far field with a share of one error vector."""
    errors = far_field.errors
    assert errors is not None
    return replace(
        far_field,
        pressure_pa=far_field.pressure_pa + step * errors.pressure_pa[:, :, vector],
        sound_power_w=far_field.sound_power_w * (1.0 + step * errors.power[:, :, vector]),
        errors=None,
    )
