"""The acoustic centre per octave, from that of every frequency."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.records import Expansion, Table, Verdict

# IEC 61260-1:2014, equations (1), (2), (4), (5): ratio of an octave, and middles 1000 Hz G^x of whole octaves, whose
# nominal values are those of ISO 266 (both from transcriptions of the standards).
_OCTAVE = 10.0**0.3
_NOMINAL_HZ = {-5: 31.5, -4: 63, -3: 125, -2: 250, -1: 500, 0: 1000, 1: 2000, 2: 4000, 3: 8000, 4: 16000}
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


def octave_bands() -> tuple[Floats, Floats, Floats, Floats]:
    """Nominal and exact middle, lower and upper edge of the octaves of IEC 61260-1 from 31.5 Hz to 16 kHz, in Hz."""
    middle_hz = 1000.0 * _OCTAVE ** np.array(list(_NOMINAL_HZ), dtype=np.float64)
    nominal_hz = np.array(list(_NOMINAL_HZ.values()), dtype=np.float64)
    return nominal_hz, middle_hz, middle_hz / np.sqrt(_OCTAVE), middle_hz * np.sqrt(_OCTAVE)


def acoustic_center_table(expansion: Expansion, channel: int, *, facts: Mapping[str, str | float | int]) -> Table:
    """Table ``acoustic_center`` of one channel, a row per octave; nan where none of its frequencies may be believed.

    ``facts`` as for ``tabulate``.
    """
    nominal_hz, middle_hz, lower_hz, upper_hz = octave_bands()
    believed = expansion.quality.verdict[:, channel] < Verdict.DO_NOT_USE
    believed &= np.isfinite(expansion.acoustic_center_m).all(axis=1)
    octave = np.floor(np.log(expansion.frequency_hz / lower_hz[0]) / np.log(_OCTAVE))
    center_m, spread_m = np.full((2, len(middle_hz), 3), np.nan)
    counts = np.zeros(len(middle_hz))
    for at in range(len(middle_hz)):
        own_m = expansion.acoustic_center_m[believed & (octave == at)]
        counts[at] = len(own_m)
        if len(own_m):
            center_m[at] = np.median(own_m, axis=0)
            spread_m[at] = np.diff(np.quantile(own_m, _SHARES, axis=0), axis=0)[0] / 2.0
    columns = {
        "frequency_hz": middle_hz,
        "nominal_frequency_hz": nominal_hz,
        "lower_edge_hz": lower_hz,
        "upper_edge_hz": upper_hz,
        **{f"acoustic_center_{name}_m": center_m[:, at] for at, name in enumerate("xyz")},
        **{f"spread_{name}_m": spread_m[:, at] for at, name in enumerate("xyz")},
        "frequencies_used": counts,
    }
    return Table.of_columns("acoustic_center", columns, {**facts, **_FACTS, "channel_index": channel})
