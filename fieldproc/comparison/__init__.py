"""Two or more result folders side by side: differences of curves, indices and scalars, with their bands.

Composed of writers and figures, like the pipeline; whatever is compared was computed before.
"""

from fieldproc.comparison.files import Compared, compare

__all__ = ["Compared", "compare"]
