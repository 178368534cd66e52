"""From pressures at the points to coefficients of outgoing and regular spherical waves."""

from fieldproc.expand.expand import expand

__all__ = ["expand"]
