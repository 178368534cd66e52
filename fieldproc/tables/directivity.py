"""Sound power, directivity index and coverage angles.

Sources: directivity factor, IEC 60050-801:1994 and ANSI/ASA S1.1 (6.66, 6.67); coverage angle between the
-6 dB directions, IEC 60268-5 (clause 23.4, number from memory).
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    REFERENCE_POWER_W,
    Complexes,
    Floats,
    amplitude_db,
    power_db,
)
from fieldproc.records import FarField
from fieldproc.tables.polar import Polars
from fieldproc.tables.sphere_average import LARGEST_GAP_DEG, sphere_weights

# -6 dB as written, amplitude 10^(-6/20) = 0.5012, not one half: 0.27 degrees apart for a cardioid.
COVERAGE_DROP_DB = -6.0


def directivity_columns(
    far_field: FarField, polars: Polars, channel: int
) -> tuple[dict[str, Floats], dict[str, str | float]]:
    """The columns of ``directivity.csv`` but the frequency, and the facts that go with them."""
    power = far_field.sound_power_w[:, channel]
    mean_square, facts = _sphere_mean_square(far_field, channel)
    # Nothing radiated anywhere: 0/0, undefined.
    with np.errstate(divide="ignore", invalid="ignore"):
        index = power_db(np.abs(polars.on_axis_pa) ** 2 / mean_square)
    columns = {
        "sound_power_db": power_db(power / REFERENCE_POWER_W),
        "directivity_index_db": index,
        "horizontal_coverage_deg": coverage_deg(polars.horizontal_pa),
        "vertical_coverage_deg": coverage_deg(polars.vertical_pa),
    }
    return columns, facts


def coverage_deg(pressure_pa: Complexes) -> Floats:
    """Full angle between the first crossings of -6 dB re the axis on either side, per frequency; nan if
    a side never gets there.

    ``pressure_pa`` has shape (frequency, angle), angles as ``POLAR_ANGLES_DEG``. Levels in dB are joined by
    straight lines between the 10-degree steps. Against closed forms the error is below 0.5 degrees for
    first-order patterns; for a piston in a wall below 1.4 degrees where the coverage is 40 degrees or more,
    below 3 from 20 degrees, and below 20 degrees of the size of a step: the beam falls between the steps.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        level = amplitude_db(np.abs(pressure_pa) / np.abs(pressure_pa[:, [POLAR_ANGLES_DEG.index(0)]]))
    outward = np.arange(0, 181, 10)
    sides = []
    for sign in (1, -1):
        # -180 is the table's 180.
        columns = [POLAR_ANGLES_DEG.index(180 if angle == 180 else sign * angle) for angle in outward]
        sides.append(_first_crossing_deg(level[:, columns]))
    coverage: Floats = sides[0] + sides[1]
    return coverage


def _first_crossing_deg(level: Floats) -> Floats:
    """Angle of the first crossing of -6 dB along levels (frequency, 0 to 180 degrees in 10 degree steps)."""
    # A nan ahead of the crossing leaves open whether there was an earlier one.
    stop = ~(level > COVERAGE_DROP_DB)
    last = np.argmax(stop, axis=1)
    rows = np.arange(level.shape[0])
    outer, inner = level[rows, last], level[rows, last - 1]
    found = stop.any(axis=1) & np.isfinite(inner) & ~np.isnan(outer)
    crossing = np.full(level.shape[0], np.nan)
    fraction = (inner[found] - COVERAGE_DROP_DB) / (inner[found] - outer[found])
    crossing[found] = 10.0 * (last[found] - 1 + fraction)
    return crossing


def _sphere_mean_square(far_field: FarField, channel: int) -> tuple[Floats, dict[str, str | float]]:
    """Mean square pressure over the sphere at the far field's distance, and where it comes from."""
    power = far_field.sound_power_w[:, channel]
    if np.isinf(far_field.distance_m) and not np.all(np.isnan(power)):
        # W = 4 pi r^2 <p^2> / (rho c) holds for the far field alone, whatever r it is scaled to.
        impedance = far_field.air_density_kg_per_m3 * far_field.sound_speed_m_per_s
        mean_square = power * impedance / (4.0 * np.pi * far_field.reference_distance_m**2)
        return mean_square, {"directivity_index": "on axis re the sphere mean that the sound power implies"}
    weights = sphere_weights(far_field.directions)
    gap = round(weights.largest_gap_deg, 3)
    facts: dict[str, str | float] = {"largest_gap_deg": gap}
    if np.isnan(weights.values).any():
        facts["directivity_index"] = (
            f"undefined: no far-field sound power, and the directions leave a cap of {gap} degrees empty "
            f"(limit {LARGEST_GAP_DEG:g})"
        )
        return np.full(power.size, np.nan), facts
    facts["directivity_index"] = (
        f"on axis re the area-weighted mean over {weights.values.size} directions, at their distance"
    )
    mean: Floats = np.abs(far_field.pressure_pa[:, channel, :]) ** 2 @ weights.values
    return mean, facts
