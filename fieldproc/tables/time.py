"""Group delay on axis: what the phase says of time, frequency by frequency."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np

from fieldproc.conventions import Complexes, Floats, horizontal_directions
from fieldproc.records import FarField, Table
from fieldproc.tables.bands import FACTS, with_bands
from fieldproc.tables.polar import MISSING, match_directions
from fieldproc.waves.delay import carried_s, common_delay_s, row_turns

_FACTS = {
    "content": "group delay on axis, propagation over the reference distance removed",
    "definition": (
        "-d phase / d omega, from the phase at both neighbouring frequencies once delay_removed_s is taken out, "
        "which is added again; nan beside silence"
    ),
    "ambiguity": (
        "a group delay farther from delay_removed_s than half of 1 / (step of frequency) reads wrongly: "
        "unambiguous_lowest_s and unambiguous_highest_s, at both ends of the grid"
    ),
}


def time_table(
    far_field: FarField, channel: int, *, facts: Mapping[str, str | float | int], delay_s: float | None = None
) -> Table:
    """Table ``time`` of one channel: ``on_axis_group_delay_s`` with its band. ``facts`` as for ``tabulate``.

    ``delay_s`` is taken out before phases are compared; by default the common one.
    """
    frequency_hz = far_field.frequency_hz
    pressure_pa = _on_axis_pa(far_field, channel)
    removed_s = common_delay_s(frequency_hz, pressure_pa) if delay_s is None else delay_s
    known = far_field.phase_known
    columns_of = partial(_columns, channel=channel, delay_s=removed_s if known else np.nan)
    carried = carried_s(frequency_hz)
    told = {
        **facts,
        **_FACTS,
        **({} if far_field.errors is None else FACTS),
        "channel": far_field.channel_names[channel],
        "delay_removed_s": removed_s if known else 0.0,
        "unambiguous_lowest_s": float(carried[0]),
        "unambiguous_highest_s": float(carried[-1]),
    }
    columns = {"frequency_hz": frequency_hz, **with_bands(far_field, columns_of, channel)}
    return Table.of_columns("time", columns, told)


def _columns(far_field: FarField, channel: int, delay_s: float) -> dict[str, Floats]:
    pressure_pa = _on_axis_pa(far_field, channel)
    return {"on_axis_group_delay_s": group_delay_s(far_field.frequency_hz, pressure_pa, delay_s)}


def _on_axis_pa(far_field: FarField, channel: int) -> Complexes:
    """(frequency,); nan where the far field has no such direction."""
    (index,) = match_directions(far_field.directions, horizontal_directions(np.zeros(1)))
    nothing = np.full(len(far_field.frequency_hz), complex(np.nan, np.nan))
    return nothing if index == MISSING else np.asarray(far_field.pressure_pa[:, channel, index])


def group_delay_s(frequency_hz: Floats, pressure: Complexes, delay_s: float) -> Floats:
    """-d phase / d omega of a pressure (frequency,), whose phase turns by less than half a turn from row to row once
    ``delay_s`` is taken out.

    Between rows: the difference; at a row: the slope of the parabola through it and both neighbours, where one of
    them says nothing the difference to the other, else nan.
    """
    turns, steps_rad_per_s = row_turns(frequency_hz, pressure)
    between_s = delay_s - np.angle(turns * np.exp(1j * steps_rad_per_s * delay_s)) / steps_rad_per_s
    before_s, after_s = np.append(np.nan, between_s), np.append(between_s, np.nan)
    before, after = np.append(1.0, steps_rad_per_s), np.append(steps_rad_per_s, 1.0)
    central_s = (before_s * after + after_s * before) / (before + after)
    one_sided_s = np.where(np.isfinite(before_s), before_s, after_s)
    return np.where(np.isfinite(central_s), central_s, one_sided_s)
