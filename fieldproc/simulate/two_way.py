"""A two-way demonstration loudspeaker of our own making: two caps on a rigid sphere."""

from __future__ import annotations

import math

import numpy as np

from fieldproc.simulate.filters import AnalogFilter, high_pass, low_pass, resonance
from fieldproc.simulate.sphere_caps import Cap, SphereCaps

# The low-frequency cap looks down from the front, the high-frequency one up.
LOW_ELEVATION_DEG, LOW_HALF_ANGLE_DEG = -24.0, 28.0
HIGH_ELEVATION_DEG, HIGH_HALF_ANGLE_DEG = 14.0, 5.0
# Volume acceleration per volt: about 0.1 Pa/V at 1 m from a point source.
VOLUME_ACCELERATION = 1.0
HIGH_PASS_HZ, HIGH_PASS_QUALITY = 55.0, 0.75
RESONANCE_HZ, RESONANCE_QUALITY, RESONANCE_DB = 870.0, 6.0, 2.5


def two_way(
    radius_m: float = 0.15,
    crossover_hz: float = 2200.0,
    center_m: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> SphereCaps:
    """The loudspeaker, facing x.

    A 4th-order low-pass and high-pass (two equal Butterworth sections each, in phase with one another)
    split the drive; both ways share a 2nd-order high-pass at 55 Hz and a mild resonance at 870 Hz that
    looks the same from every direction.
    """
    common = high_pass(HIGH_PASS_HZ, HIGH_PASS_QUALITY) + resonance(RESONANCE_HZ, RESONANCE_QUALITY, RESONANCE_DB)
    low, high = low_pass(crossover_hz, math.sqrt(0.5)), high_pass(crossover_hz, math.sqrt(0.5))
    caps = (
        _cap(LOW_ELEVATION_DEG, LOW_HALF_ANGLE_DEG, common + low + low),
        _cap(HIGH_ELEVATION_DEG, HIGH_HALF_ANGLE_DEG, common + high + high),
    )
    return SphereCaps(radius_m, caps, center_m)


def _cap(elevation_deg: float, half_angle_deg: float, response: AnalogFilter) -> Cap:
    elevation = np.radians(elevation_deg)
    axis = (float(np.cos(elevation)), 0.0, float(np.sin(elevation)))
    return Cap(axis, float(np.radians(half_angle_deg)), VOLUME_ACCELERATION, "axial", response)
