"""What children of a batch are forked with: all that a session needs, loaded and compiled once."""

import fieldproc.page
import fieldproc.pipeline  # noqa: F401
from fieldproc.side_by_side import hold_matrix_library
from fieldproc.waves.zonal import warm_up

# threads do not survive a fork, and nobody needs these
hold_matrix_library()
# compiled once for all sessions
warm_up()
