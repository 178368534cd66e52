"""The acoustic centre per octave, from that of every frequency."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fieldproc.records import Expansion, Table, Verdict
from fieldproc.tables.fractional_octaves import bands_between

# Octaves from 31.5 Hz to 16 kHz.
_LOWEST_HZ, _HIGHEST_HZ = 31.5, 16000.0
# Spread: half of what lies between these shares; for normal deviations, a standard deviation.
_SHARES = (0.1587, 0.8413)

_FACTS = {
    "content": "acoustic centre per octave, scan axes",
    "bands": "octaves of IEC 61260-1, base ten: middle 1000 Hz times 10^(0.3 x), edges middle times 10^(-+0.15)",
    "acoustic_center": (
        "median over the frequencies of the band that are good or caution; the centre is where the far field needs "
        "the lowest degrees, joined over an octave, alike for all channels"
    ),
    "spread": (
        "half of the range of the central 68 % of these frequencies: how far the centre moves within the band, no "
        "uncertainty"
    ),
}


def acoustic_center_table(expansion: Expansion, channel: int, *, facts: Mapping[str, str | float | int]) -> Table:
    """Table ``acoustic_center`` of one channel, a row per octave; nan where none of its frequencies may be believed.

    ``facts`` as for ``tabulate``.
    """
    bands = bands_between(1, _LOWEST_HZ, _HIGHEST_HZ)
    believed = expansion.quality.verdict[:, channel] < Verdict.DO_NOT_USE
    believed &= np.isfinite(expansion.acoustic_center_m).all(axis=1)
    octave = np.searchsorted(bands.lower_hz, expansion.frequency_hz, side="right") - 1
    within = believed & (expansion.frequency_hz < bands.upper_hz[-1])
    center_m, spread_m = np.full((2, len(bands.center_hz), 3), np.nan)
    counts = np.zeros(len(bands.center_hz))
    for at in range(len(bands.center_hz)):
        own_m = expansion.acoustic_center_m[within & (octave == at)]
        counts[at] = len(own_m)
        if len(own_m):
            center_m[at] = np.median(own_m, axis=0)
            spread_m[at] = np.diff(np.quantile(own_m, _SHARES, axis=0), axis=0)[0] / 2.0
    columns = {
        **bands.columns(),
        **{f"acoustic_center_{name}_m": center_m[:, at] for at, name in enumerate("xyz")},
        **{f"spread_{name}_m": spread_m[:, at] for at, name in enumerate("xyz")},
        "frequencies_used": counts,
    }
    return Table.of_columns("acoustic_center", columns, {**facts, **_FACTS, "channel_index": channel})
