"""From pressures at the points to coefficients of outgoing and regular spherical waves."""

from fieldproc.expand.expand import expand
from fieldproc.expand.recenter import recenter

__all__ = ["expand", "recenter"]
