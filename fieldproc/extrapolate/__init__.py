"""From outgoing coefficients to pressure in any direction and radiated power."""

from fieldproc.extrapolate.extrapolate import extrapolate, far_field_pressure, pressure_at, sound_power

__all__ = ["extrapolate", "far_field_pressure", "pressure_at", "sound_power"]
