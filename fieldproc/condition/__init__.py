"""From recordings to calibrated pressures on the frequency grid."""

from fieldproc.condition.condition import condition

__all__ = ["condition"]
