"""The in-room estimate of ANSI/CTA-2034-A about a horizontally turned axis, as weights of directions.

The estimate is a weighted mean of squared pressure, and the weights are what the standard's own curves make of one
direction at a time: no second list of angles.
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import POLAR_ANGLES_DEG, REFERENCE_PRESSURE_PA
from fieldproc.settings import TableSettings
from fieldproc.tables.cta2034a import standard_curves


def in_room_weights(settings: TableSettings) -> list[tuple[int, int, float]]:
    """Azimuth from the axis, elevation (degrees), and weight of each direction of squared pressure in the estimate.

    Polar angles become azimuths and elevations: beyond 90 degrees up or down, the vertical circle is behind.
    """
    angles = len(POLAR_ANGLES_DEG)
    # one "frequency" for each direction of the two circles, which alone sounds there, at 0 dB
    alone = REFERENCE_PRESSURE_PA * np.eye(2 * angles, dtype=np.complex128)
    curves = standard_curves(alone[:, :angles], alone[:, angles:], settings.rear_wall, settings.early_reflections)
    weights = 10.0 ** (curves["in_room_estimate_db"] / 10.0)
    horizontal = [(angle, 0) for angle in POLAR_ANGLES_DEG]
    vertical = [
        (0, angle) if abs(angle) <= 90 else (180, int(np.sign(angle)) * (180 - abs(angle)))
        for angle in POLAR_ANGLES_DEG
    ]
    places = horizontal + vertical
    return [(*place, float(weight)) for place, weight in zip(places, weights, strict=True) if weight > 0.0]
