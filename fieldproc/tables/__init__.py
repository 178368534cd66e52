"""Far field in, standard tables out: ANSI/CTA-2034-A, polars, directivity, quality, points, rescan list, trust.

``tabulate`` makes the four tables of one channel's far field; ``quality_table``, ``points_table`` and
``trust_table`` make those that say how far to believe it, ``rescan_table`` the one that says what to measure again.
Numbers only: writing them is the work of ``results``.
"""

from fieldproc.tables.bands import FACTS as BAND_FACTS
from fieldproc.tables.bands import pressure_band
from fieldproc.tables.points import points_table
from fieldproc.tables.quality import quality_table
from fieldproc.tables.rescan import rescan_table
from fieldproc.tables.tables import tabulate
from fieldproc.tables.trust import trust_table

__all__ = ["BAND_FACTS", "points_table", "pressure_band", "quality_table", "rescan_table", "tabulate", "trust_table"]
