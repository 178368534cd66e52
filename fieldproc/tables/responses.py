"""A picture of the recorded responses beside their gates, so that it can be drawn without the scan."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.records import ReferenceAxis, Table, Waterfall

# A picture needs no more, and the file is a fifth of what all digits take.
_DECIMALS = 1


def responses_table(
    waterfall: Waterfall, axis: ReferenceAxis, channel: int, *, facts: Mapping[str, str | float | int]
) -> Table:
    """Table ``responses`` of one channel: a row per bin of time, a column ``point_N_db`` per point shown.

    N is the point's index in the session. Points of a surface stand together, those in front first; facts hold lists
    of numbers, one for each column in its order. ``facts`` as for ``tabulate``.
    """
    # the axis origin may lie on the front, from where no point is far off to the side
    offset_m = waterfall.positions_m - 0.5 * (waterfall.positions_m.min(axis=0) + waterfall.positions_m.max(axis=0))
    length_m = np.linalg.norm(offset_m, axis=1) * np.linalg.norm(axis.direction)
    cosine = np.divide(offset_m @ axis.direction, length_m, out=np.ones(len(length_m)), where=length_m > 0.0)
    off_axis_deg = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    order = np.lexsort((off_axis_deg, waterfall.surface))
    level_db = waterfall.level_db[channel]
    points = waterfall.file_point[order]
    columns = {
        "time_s": waterfall.time_s.round(9),
        **{f"point_{point}_db": level_db[at].round(_DECIMALS) for point, at in zip(points, order, strict=True)},
    }
    told = {
        "content": "recorded responses of some points: largest sample of every bin of time, re the largest of all",
        **facts,
        "channel_index": channel,
        "time_note": "middles of the bins, from the earliest direct sound of the scan",
        "columns_note": "lists below: one number per column, in their order",
        "points": _listed(points),
        "surfaces": _listed(waterfall.surface[order]),
        "off_axis_note": "angle between the axis and the way to the point from the middle of these points",
        "off_axis_deg": _listed(off_axis_deg[order].round(1)),
        "direct_s": _listed(waterfall.direct_s[order].round(6)),
        "gate_end_s": _listed(waterfall.gate_end_s[order].round(6)),
        "gate_note": "when the gate of a point has closed: before the first reflection; nan = no gate",
    }
    return Table.of_columns("responses", columns, told)


def _listed(values: Floats | Integers) -> str:
    return " ".join(f"{value:g}" for value in values.tolist())
