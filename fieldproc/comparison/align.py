"""Two grids of frequencies brought to a common one, and levels to it."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.errors import UsageError
from fieldproc.records import Table, Verdict

# Grids that were computed alike differ by rounding.
_SAME = 1e-9


def same_grid(one_hz: Floats, other_hz: Floats) -> bool:
    """Are both grids of frequencies one?"""
    return len(one_hz) == len(other_hz) and bool(np.allclose(one_hz, other_hz, rtol=_SAME, atol=0.0))


def common_grid(one_hz: Floats, other_hz: Floats) -> Floats:
    """The grid itself where both are one; else, in the band that both cover, the rows of the coarser there.

    ``UsageError`` where that band holds fewer than two rows.
    """
    if same_grid(one_hz, other_hz):
        return one_hz
    lowest_hz, highest_hz = max(one_hz[0], other_hz[0]), min(one_hz[-1], other_hz[-1])
    within = [own[(own >= lowest_hz * (1 - _SAME)) & (own <= highest_hz * (1 + _SAME))] for own in (one_hz, other_hz)]
    coarser = min(within, key=len)
    if len(coarser) < 2:
        raise UsageError(
            f"one result goes from {one_hz[0]:g} to {one_hz[-1]:g} Hz, the other from {other_hz[0]:g} to "
            f"{other_hz[-1]:g} Hz: no band to compare; run both on frequencies that overlap"
        )
    return np.asarray(coarser)


def levels_at(table: Table, name: str, frequency_hz: Floats) -> Floats:
    """A column in dB at frequencies within those of the table, linear in dB over the logarithm of frequency.

    nan where the table has no such column, or none of its values on either side.
    """
    if name not in table.header:
        return np.full(len(frequency_hz), np.nan)
    own_hz, level_db = table.column("frequency_hz"), table.column(name)
    if same_grid(own_hz, frequency_hz):
        return level_db
    # where a row is met, its neighbours have no say, not even infinite ones
    left, right, share = _neighbours(own_hz, frequency_hz)
    with np.errstate(invalid="ignore"):
        between = (1.0 - share) * level_db[left] + share * level_db[right]
    return np.where(share == 0.0, level_db[left], np.where(share == 1.0, level_db[right], between))


def worst_verdict(quality: Table, frequency_hz: Floats) -> Integers:
    """Verdict at any frequencies: the worse of the neighbouring rows; not to be used outside the table."""
    own_hz, codes = quality.column("frequency_hz"), quality.column("verdict_code").astype(np.int64)
    left, right, share = _neighbours(own_hz, frequency_hz)
    worse = np.maximum(np.where(share < 1.0, codes[left], 0), np.where(share > 0.0, codes[right], 0))
    outside = (frequency_hz < own_hz[0] * (1 - _SAME)) | (frequency_hz > own_hz[-1] * (1 + _SAME))
    return np.where(outside, np.int64(Verdict.DO_NOT_USE), worse)


def _neighbours(own_hz: Floats, frequency_hz: Floats) -> tuple[Integers, Integers, Floats]:
    """Rows on either side of every frequency, and how far it is from the left to the right one: 0 to 1."""
    right = np.clip(np.searchsorted(own_hz, frequency_hz), 1, len(own_hz) - 1)
    left = right - 1
    share = np.log(frequency_hz / own_hz[left]) / np.log(own_hz[right] / own_hz[left])
    met = [np.isclose(frequency_hz, own_hz[side], rtol=_SAME, atol=0.0) for side in (left, right)]
    return left, right, np.select(met, [0.0, 1.0], np.clip(share, 0.0, 1.0))
