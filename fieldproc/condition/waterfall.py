"""A small picture of the responses as they were recorded: levels over time at points all over the scan.

Results are looked at again without the scan, so this is kept with them: enough to see the direct sound, where the
room answers, and where the gate ends.
"""

from __future__ import annotations

import numpy as np

from fieldproc.condition.gate import GateTimes
from fieldproc.conventions import Floats, Integers, amplitude_db
from fieldproc.records import ImpulseResponses, Session, Waterfall

_MOST_POINTS = 48
# A bin holds so much at least; the picture begins and ends so long before and after the earliest direct sound.
_BIN_S, _BEFORE_S, _AFTER_S = 1e-4, 2e-3, 30e-3


def waterfall(session: Session, kept: Integers, times: GateTimes | str | None) -> Waterfall | None:
    """Of the points ``kept`` (indices) and their gate, if there is one; ``None`` of transfer functions, and of
    records that end before any sound.
    """
    response = session.response
    if not isinstance(response, ImpulseResponses):
        return None
    shown = spread_evenly(session.positions_m[kept], _MOST_POINTS)
    point = kept[shown]
    rate_hz, samples = response.sampling_rate_hz, response.values.shape[2]
    if isinstance(times, GateTimes):
        zero_s = float(times.direct_s.min())
        direct_s, end_s = times.direct_s[shown] - zero_s, times.end_s[shown] - zero_s
    else:
        # without a gate, nobody has looked for the direct sound: the earliest of the largest samples
        largest = np.abs(response.values[:, point]).max(axis=0).argmax(axis=1)
        zero_s = response.start_s + float(largest.min()) / rate_hz
        direct_s = end_s = np.full(len(point), np.nan)
    size = int(np.ceil(_BIN_S * rate_hz))
    first = max(0, int((zero_s - _BEFORE_S - response.start_s) * rate_hz))
    last = min(samples, int((zero_s + _AFTER_S - response.start_s) * rate_hz) + size)
    if last <= first:
        return None
    # no more than the record, if it is shorter than a bin
    size = min(size, last - first)
    bins = (last - first) // size
    part = np.abs(response.values[:, point, first : first + bins * size].astype(np.float64))
    largest_per_bin = part.reshape(*part.shape[:2], bins, size).max(axis=3)
    whole = np.abs(response.values[:, point]).max(axis=(1, 2)).astype(np.float64)
    middle = first + size * np.arange(bins) + 0.5 * (size - 1)
    return Waterfall(
        time_s=response.start_s + middle / rate_hz - zero_s,
        level_db=amplitude_db(largest_per_bin / np.where(whole > 0.0, whole, 1.0)[:, None, None]),
        file_point=point,
        positions_m=session.positions_m[point],
        surface=session.surface[point],
        direct_s=direct_s,
        gate_end_s=end_s,
    )


def spread_evenly(positions_m: Floats, most: int) -> Integers:
    """Up to ``most`` rising indices of positions (point, 3): each next one is the farthest from all before."""
    chosen = [0]
    away_m = np.linalg.norm(positions_m - positions_m[0], axis=1)
    while len(chosen) < most and away_m.max() > 0.0:
        chosen.append(int(away_m.argmax()))
        away_m = np.minimum(away_m, np.linalg.norm(positions_m - positions_m[chosen[-1]], axis=1))
    return np.array(sorted(chosen), dtype=np.int64)
