"""The page of a result, with everything in one file, and the overview of a batch.

Composed of tables, figures and the far field, like the pipeline. ``report_files`` makes the same bytes for a run,
which has everything in memory, as ``rebuild`` for a result folder. A page fetches nothing, and a policy in its head
sees to it that it cannot.
"""

from fieldproc.page.folder import rebuild
from fieldproc.page.grid import Sphere
from fieldproc.page.overview import INDEX, overview_bytes
from fieldproc.page.page import PAGE, report_files

__all__ = ["INDEX", "PAGE", "Sphere", "overview_bytes", "rebuild", "report_files"]
