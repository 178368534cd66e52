"""Sound power, directivity index and coverage angles.

Source: directivity factor, IEC 60050-801:1994 and ANSI/ASA S1.1 (6.66, 6.67). ``coverage.py`` has the angles.
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import REFERENCE_POWER_W, Floats, power_db
from fieldproc.records import FarField
from fieldproc.tables.coverage import circle_of, coverage_deg
from fieldproc.tables.sphere_average import LARGEST_GAP_DEG, sphere_weights


def directivity_columns(
    far_field: FarField, circles: FarField, channel: int, fitted_pa2: Floats | None = None
) -> tuple[dict[str, Floats], dict[str, str | float]]:
    """The columns of ``directivity.csv`` but the frequency, and the facts that go with them.

    ``circles`` is ``far_field`` in the directions of the two planes; it may be ``far_field`` itself. A sound power
    that is not known comes from the mean over the sphere, where that and the air are known. ``fitted_pa2``
    (frequency,) is what harmonics say of that mean, for directions that are too coarse for a sum.
    """
    power = far_field.sound_power_w[:, channel]
    mean_square, facts = _sphere_mean_square(far_field, channel, fitted_pa2)
    if np.isinf(far_field.distance_m) and np.isnan(power).all():
        power = 4.0 * np.pi * far_field.reference_distance_m**2 * mean_square / _impedance(far_field)
    planes = {plane: circle_of(circles, channel, plane) for plane in ("horizontal", "vertical")}
    facts |= {f"{plane}_coverage_step_deg": circle.step_deg for plane, circle in planes.items()}
    left, right = coverage_deg(planes["horizontal"])
    up, down = coverage_deg(planes["vertical"])
    # Nothing radiated anywhere: 0/0, undefined.
    with np.errstate(divide="ignore", invalid="ignore"):
        index = power_db(planes["horizontal"].power[:, 0] / mean_square)
    columns = {
        "sound_power_db": power_db(power / REFERENCE_POWER_W),
        "directivity_index_db": index,
        "horizontal_coverage_deg": left + right,
        "vertical_coverage_deg": up + down,
        "horizontal_coverage_left_deg": left,
        "horizontal_coverage_right_deg": right,
        "vertical_coverage_up_deg": up,
        "vertical_coverage_down_deg": down,
    }
    return columns, facts


def _sphere_mean_square(
    far_field: FarField, channel: int, fitted_pa2: Floats | None
) -> tuple[Floats, dict[str, str | float]]:
    """Mean square pressure over the sphere at the far field's distance, and where it comes from."""
    power = far_field.sound_power_w[:, channel]
    if np.isinf(far_field.distance_m) and not np.all(np.isnan(power * _impedance(far_field))):
        # W = 4 pi r^2 <p^2> / (rho c) holds for the far field alone, whatever r it is scaled to.
        mean_square = power * _impedance(far_field) / (4.0 * np.pi * far_field.reference_distance_m**2)
        return mean_square, {"directivity_index": "on axis re the sphere mean that the sound power implies"}
    weights = sphere_weights(far_field.directions)
    gap = round(weights.largest_gap_deg, 3)
    facts: dict[str, str | float] = {"largest_gap_deg": gap}
    if np.isnan(weights.values).any() and fitted_pa2 is not None and np.isfinite(fitted_pa2).any():
        facts["directivity_index"] = "on axis re the mean square over the sphere of the harmonics fitted"
        return fitted_pa2, facts
    if np.isnan(weights.values).any():
        near = "no far field, whose mean square the sound power would tell"
        why = "no sound power" if np.isinf(far_field.distance_m) else near
        facts["directivity_index"] = (
            f"undefined: {why}, and the directions leave a cap of {gap} degrees empty (limit {LARGEST_GAP_DEG:g})"
        )
        return np.full(power.size, np.nan), facts
    facts["directivity_index"] = (
        f"on axis re the area-weighted mean over {weights.values.size} directions, at their distance"
    )
    mean: Floats = np.abs(far_field.pressure_pa[:, channel, :]) ** 2 @ weights.values
    return mean, facts


def _impedance(far_field: FarField) -> float:
    """rho c of the air; nan where it is not known."""
    return far_field.air_density_kg_per_m3 * far_field.sound_speed_m_per_s
