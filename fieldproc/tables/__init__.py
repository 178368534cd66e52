"""Far field in, standard tables out: ANSI/CTA-2034-A, polars, directivity, quality, points, rescan list, trust.

``tabulate`` makes the four tables of one channel's far field; ``quality_table``, ``points_table`` and
``trust_table`` make those that say how far to believe it, ``rescan_table`` the one that says what to measure again.
``smoothed`` and ``octave_bands`` average the standard curves, ``scalars_of`` reads numbers off them.
Numbers only: writing them is the work of ``results``.
"""

from fieldproc.tables.acoustic_center import acoustic_center_table
from fieldproc.tables.bands import FACTS as BAND_FACTS
from fieldproc.tables.bands import far_field_bands, pressure_band, standard_uncertainty
from fieldproc.tables.cta2034a import curve_columns
from fieldproc.tables.fine_polars import fine_polars
from fieldproc.tables.fractional_octaves import octave_bands
from fieldproc.tables.interpolation import LEVEL_LIMIT_DB, Filled, filling_notices, interpolated
from fieldproc.tables.points import points_table
from fieldproc.tables.polar import match_directions
from fieldproc.tables.quality import quality_table
from fieldproc.tables.rescan import rescan_table
from fieldproc.tables.responses import responses_table
from fieldproc.tables.scalars import scalars_of
from fieldproc.tables.separation import separation_table
from fieldproc.tables.smoothing import smoothed
from fieldproc.tables.tables import common_facts, tabulate
from fieldproc.tables.time import time_table
from fieldproc.tables.trust import trust_table

__all__ = [
    "BAND_FACTS",
    "LEVEL_LIMIT_DB",
    "Filled",
    "acoustic_center_table",
    "common_facts",
    "curve_columns",
    "far_field_bands",
    "filling_notices",
    "fine_polars",
    "interpolated",
    "match_directions",
    "octave_bands",
    "points_table",
    "pressure_band",
    "quality_table",
    "rescan_table",
    "responses_table",
    "scalars_of",
    "separation_table",
    "smoothed",
    "standard_uncertainty",
    "tabulate",
    "time_table",
    "trust_table",
]
