"""How far up each standard direction may be believed: where its level is known to 1 dB (95 %)."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fieldproc.conventions import POLAR_ANGLES_DEG, Booleans, Floats, Integers, level_db, polar_directions
from fieldproc.records import FarField, Table, Verdict
from fieldproc.tables.bands import cell_verdict, pressure_band
from fieldproc.tables.polar import match_directions

# Directions are judged by thirds of an octave: most of one must be trusted. Below this frequency none is a top.
_BAND_OCTAVES, _MOST = 1.0 / 3.0, 0.5
_LOWEST_TOP_HZ = 200.0


def trust_table(
    far_field: FarField,
    unscanned: Booleans,
    channel: int,
    *,
    facts: Mapping[str, str | float | int],
) -> Table:
    """Table ``trust`` of one channel: the 70 standard directions, and the highest frequency to believe in each.

    ``far_field`` is not a true pressure; ``unscanned`` (direction,) says which of the polar directions rest on a
    sector without points. nan where nothing above 200 Hz is to be believed, or the errors are not known.
    """
    directions = polar_directions()
    # 0 and 180 degrees belong to both planes
    once = np.concatenate([np.ones(len(POLAR_ANGLES_DEG), dtype=np.bool_), ~np.isin(POLAR_ANGLES_DEG, (0, 180))])
    believed = _believed(far_field, match_directions(far_field.directions, directions), channel)
    highest_hz = np.array([_top(far_field.frequency_hz, own) for own in believed.T])
    columns = {
        "azimuth_deg": np.degrees(np.arctan2(directions[:, 1], directions[:, 0]))[once].round(9) + 0.0,
        "elevation_deg": np.degrees(np.arcsin(np.clip(directions[:, 2], -1.0, 1.0)))[once].round(9) + 0.0,
        "highest_hz": highest_hz[once],
        "unscanned": unscanned[once],
    }
    told = {
        "content": "highest frequency up to which the level in a direction is known to 1 dB (95 %)",
        **facts,
        "channel_index": channel,
        "highest_note": "by thirds of an octave, from 200 Hz up; nan = none",
        "unscanned_note": "1 = the direction rests on a sector that was not scanned",
    }
    return Table.of_columns("trust", columns, told)


def _believed(far_field: FarField, index: Integers, channel: int) -> Booleans:
    """Cells (frequency, direction) that are good, or would be if their frequency were not merely "caution"."""
    errors = far_field.errors
    if errors is None:
        return np.zeros((len(far_field.frequency_hz), len(index)), dtype=np.bool_)
    pressure_pa = far_field.pressure_pa[:, [channel]][..., index]
    band_db = pressure_band(pressure_pa, errors.pressure_pa[:, [channel]][..., index], errors.draws)
    usable = errors.verdict[:, channel, None] < Verdict.DO_NOT_USE
    # a frequency that is "caution" for reasons of its own still has levels
    verdict = cell_verdict(level_db(pressure_pa), band_db, np.zeros(1, dtype=np.int64))[:, 0]
    return np.asarray((verdict == Verdict.GOOD) & usable)


def _top(frequency_hz: Floats, believed: Booleans) -> float:
    """Highest believed frequency below the first third of an octave that is mostly not."""
    octave = np.log2(frequency_hz / _LOWEST_TOP_HZ)
    top = np.nan
    for band in range(int(np.floor(octave.max() / _BAND_OCTAVES)) + 1):
        inside = (octave >= band * _BAND_OCTAVES) & (octave < (band + 1) * _BAND_OCTAVES)
        if not inside.any():
            continue
        if np.mean(believed[inside]) < _MOST:
            break
        top = float(frequency_hz[inside][believed[inside]].max())
    return top
