"""How well the levels of an expansion are known, and what that means for the verdict of its frequencies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.expand.coverage import fibonacci_directions
from fieldproc.expand.quality import UNCERTAIN_DB, close_gaps
from fieldproc.records import Expansion, Verdict
from fieldproc.waves.basis import far_field_pattern
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count

# Directions that levels are compared at, even over the sphere.
_DIRECTIONS = 200
_DB = 20.0 / np.log(10.0)
_TINY = np.finfo(np.float64).tiny


def with_certainty(expansion: Expansion) -> Expansion:
    """The expansion with the standard uncertainty of its levels, and a verdict that heeds it."""
    if expansion.deviations is None:
        return expansion
    uncertainty_db = level_uncertainty(expansion)
    caution, stop = UNCERTAIN_DB
    # a frequency without a fit has a verdict already
    known = np.nan_to_num(uncertainty_db, nan=0.0)
    grade = np.where(known <= caution, Verdict.GOOD, np.where(known <= stop, Verdict.CAUTION, Verdict.DO_NOT_USE))
    verdict = close_gaps(np.maximum(expansion.quality.verdict, grade.astype(np.int64)), expansion.frequency_hz)
    quality = replace(expansion.quality, level_uncertainty_db=uncertainty_db, verdict=verdict)
    return replace(expansion, quality=quality)


def level_uncertainty(expansion: Expansion) -> Floats:
    """Standard uncertainty of a level in dB, rms over the sphere, weighted by power, (frequency, channel).

    What turns all phases alike, such as a latency, is no error of a level. nan without a fit.
    """
    deviations = expansion.deviations
    assert deviations is not None
    harmonics = spherical_harmonics(int(expansion.outgoing_order.max()), fibonacci_directions(_DIRECTIONS))
    found = np.full(expansion.outgoing.shape[:2], np.nan)
    for row, vectors in enumerate(deviations.outgoing):
        if not vectors.size:
            continue
        order = int(expansion.outgoing_order[row])
        field = far_field_pattern(expansion.outgoing[row, :, : coefficient_count(order)], 1.0, harmonics)
        errors = far_field_pattern(vectors, 1.0, harmonics)
        # the part in phase with the field, (channel, vector, direction)
        along = np.abs((errors * field.conj()[:, None]).real) ** 2 / np.maximum(np.abs(field[:, None]) ** 2, _TINY)
        variance = along[:, : deviations.draws].mean(axis=1) + along[:, deviations.draws :].sum(axis=1)
        found[row] = _DB * np.sqrt(variance.sum(axis=1) / np.sum(np.abs(field) ** 2, axis=1))
    return found
