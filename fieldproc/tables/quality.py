"""The quality table: per frequency, how well the expansion is determined and whether to believe it."""

from __future__ import annotations

from collections.abc import Mapping

from fieldproc.conventions import Floats, Integers
from fieldproc.records import Quality, Table, verdict_legend


def quality_table(
    frequency_hz: Floats,
    quality: Quality,
    outgoing_order: Integers,
    regular_order: Integers,
    channel: int,
    *,
    facts: Mapping[str, str | float | int],
) -> Table:
    """Table ``quality`` of one channel; arrays of shape (frequency,). ``facts`` as for ``tabulate``."""
    columns = {
        "frequency_hz": frequency_hz,
        "outgoing_order": outgoing_order,
        "regular_order": regular_order,
        "residual_db": quality.residual_db[:, channel],
        "leave_one_out_db": quality.leave_one_out_db[:, channel],
        "condition": quality.condition,
        "noise_gain_db": quality.noise_gain_db,
        "room_to_direct_db": quality.room_to_direct_db[:, channel],
        "verdict_code": quality.verdict[:, channel],
        "truncation_db": quality.truncation_db,
        "regularisation": quality.regularisation[:, channel],
        "random_error_db": quality.random_error_db[:, channel],
    }
    told = {
        "content": "how well the expansion in spherical waves is determined, per frequency",
        **facts,
        "channel_index": channel,
        "verdict_codes": verdict_legend(),
        "regular_order_note": "-1 = nothing arriving from the room was fitted",
    }
    return Table.of_columns("quality", columns, told)
