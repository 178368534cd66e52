"""Which frequencies of a scan are judged: a few in every octave, where the points carry both sets."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers

# Frequencies judged in an octave: what one of them says by chance, the others don't.
PER_OCTAVE = 3


def octave_numbers(frequency_hz: Floats) -> Integers:
    """The octave that every frequency belongs to, 0 about 1 kHz; less than half of one at either end belongs to its
    neighbour."""
    octaves = np.log2(frequency_hz / 1000.0)
    lowest, highest = int(np.rint(octaves[0] + 0.5)), int(np.rint(octaves[-1] - 0.5))
    return np.clip(np.rint(octaves).astype(np.int64), min(lowest, highest), max(lowest, highest))


def judged_rows(frequency_hz: Floats, allowed: Booleans) -> Integers:
    """Up to PER_OCTAVE of the allowed rows of every octave, evenly spread; the highest of all is one of them."""
    rows = np.flatnonzero(allowed)
    numbers = octave_numbers(frequency_hz[rows])
    found = []
    for number in np.unique(numbers):
        own = rows[numbers == number]
        shares = (np.arange(PER_OCTAVE) + 0.5) / PER_OCTAVE
        if number == numbers[-1]:
            shares = np.linspace(0.0, 1.0, PER_OCTAVE)
        found.append(own[np.round(shares * (len(own) - 1)).astype(np.int64)])
    return np.unique(np.concatenate(found))
