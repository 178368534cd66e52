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

__all__ = [
    "deviations_at",
    "extrapolate",
    "extrapolate_blocks",
    "far_field_deviations",
    "far_field_pressure",
    "pressure_at",
    "sound_power",
]
