"""From outgoing coefficients to pressure in any direction and radiated power."""

from fieldproc.extrapolate.extrapolate import (
    deviations_at,
    extrapolate,
    extrapolate_blocks,
    far_field_deviations,
    far_field_pressure,
    pressure_at,
    sound_power,
)
from fieldproc.extrapolate.grids import balloon_directions
from fieldproc.extrapolate.pattern import pattern_harmonics

__all__ = [
    "balloon_directions",
    "deviations_at",
    "extrapolate",
    "extrapolate_blocks",
    "far_field_deviations",
    "far_field_pressure",
    "pattern_harmonics",
    "pressure_at",
    "sound_power",
]
