"""From pressures at the points to coefficients of outgoing and regular spherical waves."""

from fieldproc.expand.coverage import Coverage, unscanned
from fieldproc.expand.expand import expand
from fieldproc.expand.mend import mend
from fieldproc.expand.recenter import recenter

__all__ = ["Coverage", "expand", "mend", "recenter", "unscanned"]
