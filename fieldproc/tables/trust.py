"""How far up each standard direction may be believed.

The error of a far field, rms over the sphere, is that of every direction in pascal: where little is radiated, the
same error is more decibels. A level is within 1 dB (95 %) where that error is 22 dB below it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fieldproc.conventions import POLAR_ANGLES_DEG, Booleans, Floats, polar_directions
from fieldproc.records import Expansion, FarField, Table, Verdict
from fieldproc.tables.polar import match_directions

# 1.96 standard deviations of the part in phase, which has half the power, lower the level by 1 dB.
TRUSTED_DB = 20.0 * np.log10((1.0 - 10.0**-0.05) * np.sqrt(2.0) / 1.96)
# Directions are judged by thirds of an octave: most of one must be trusted. Below this frequency none is a top.
_BAND_OCTAVES, _MOST = 1.0 / 3.0, 0.5
_LOWEST_TOP_HZ = 200.0


def trust_table(
    far_field: FarField,
    expansion: Expansion,
    unscanned: Booleans,
    channel: int,
    *,
    facts: Mapping[str, str | float | int],
) -> Table:
    """Table ``trust`` of one channel: the 70 standard directions, and the highest frequency to believe in each.

    ``far_field`` is not a true pressure; ``unscanned`` (direction,) says which of the polar directions rest on a
    sector without points. nan where nothing above 200 Hz is to be believed.
    """
    directions = polar_directions()
    # 0 and 180 degrees belong to both planes
    once = np.concatenate([np.ones(len(POLAR_ANGLES_DEG), dtype=np.bool_), ~np.isin(POLAR_ANGLES_DEG, (0, 180))])
    index = match_directions(far_field.directions, directions)
    size = np.abs(far_field.pressure_pa[:, channel, index])
    rms = np.sqrt(np.mean(np.abs(expansion.outgoing[:, channel]) ** 2, axis=1))
    error_db = _error_db(expansion, channel, size, rms)
    believed = (error_db <= TRUSTED_DB) & (expansion.quality.verdict[:, channel] < Verdict.DO_NOT_USE)[:, None]
    highest_hz = np.array([_top(expansion.frequency_hz, own) for own in believed.T])
    columns = {
        "azimuth_deg": np.degrees(np.arctan2(directions[:, 1], directions[:, 0]))[once].round(9) + 0.0,
        "elevation_deg": np.degrees(np.arcsin(np.clip(directions[:, 2], -1.0, 1.0)))[once].round(9) + 0.0,
        "highest_hz": highest_hz[once],
        "unscanned": unscanned[once],
    }
    told = {
        "content": "highest frequency up to which the level in a direction is within 1 dB (95 %, random errors)",
        **facts,
        "channel_index": channel,
        "highest_note": "by thirds of an octave, from 200 Hz up; nan = none",
        "unscanned_note": "1 = the direction rests on a sector that was not scanned",
    }
    return Table.of_columns("trust", columns, told)


def _error_db(expansion: Expansion, channel: int, size: Floats, rms: Floats) -> Floats:
    """Random error of each direction re its own pressure, (frequency, direction)."""
    # mean square over the sphere: sum |c|^2 / (4 pi k^2)
    k = 2.0 * np.pi * expansion.frequency_hz / expansion.sound_speed_m_per_s
    over_sphere = rms * np.sqrt(expansion.outgoing.shape[2] / (4.0 * np.pi)) / k
    with np.errstate(divide="ignore", invalid="ignore"):
        relative_db = 20.0 * np.log10(over_sphere[:, None] / size)
    return np.asarray(expansion.quality.random_error_db[:, channel, None] + relative_db)


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
