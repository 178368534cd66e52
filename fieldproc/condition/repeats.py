"""Records at exactly equal positions are repeats of one point."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Floats, Integers


def groups(positions_m: Floats) -> tuple[Integers, Integers]:
    """Group of each record, first record of each group; groups are numbered in the order of their first records."""
    _, first, group = np.unique(positions_m, axis=0, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[group.ravel()], np.sort(first)


def mean_of_groups(values: NDArray[Any], group: Integers) -> NDArray[Any]:
    """Mean over the last axis within each group."""
    count = np.bincount(group)
    if len(count) == len(group):
        return values
    ordered = values[..., np.argsort(group, kind="stable")]
    starts = np.concatenate([[0], np.cumsum(count)[:-1]])
    return np.asarray(np.add.reduceat(ordered, starts, axis=-1) / count)
