"""What the script of the page needs to answer "what if I aim it elsewhere?", for one channel."""

from __future__ import annotations

import json

from fieldproc.conventions import Integers
from fieldproc.page import grid
from fieldproc.page.grid import Sphere
from fieldproc.page.in_room import in_room_weights
from fieldproc.report import style
from fieldproc.settings import TableSettings

# Not the pen of any quantity of the tables: the direct sound is that of whatever direction was chosen.
_DIRECT_PEN = style.Pen("direct sound", "#d9601a", (9.0, 2.0))


def explorer_data(sphere: Sphere, channel: int, verdict: Integers, settings: TableSettings) -> str:
    """JSON of a far field in all directions of the grid, and of the verdict of its frequencies (frequency,).

    It holds numbers and words of ours alone, and base64: nothing in it can end the element that it stands in.
    """
    pens = {
        "on_axis": style.PENS["on_axis_db"],
        "direct": _DIRECT_PEN,
        "in_room": style.PENS["in_room_estimate_db"],
    }
    document = {
        "frequency_hz": sphere.far_field.frequency_hz.tolist(),
        "verdict": verdict.tolist(),
        "levels": grid.packed_levels(sphere.far_field, channel),
        "shares": grid.packed_shares(sphere.far_field, channel),
        "unscanned": None if sphere.unscanned is None else grid.packed_flags(sphere.unscanned),
        "coding": {
            "step_deg": grid.STEP_DEG,
            "level_step_db": grid.LEVEL_STEP_DB,
            "no_level": grid.NO_LEVEL,
            "least_share": grid.LEAST_SHARE,
            "most_share": grid.MOST_SHARE,
            "widest_code": grid.WIDEST_CODE,
        },
        "in_room_weights": in_room_weights(settings),
        "pens": {name: {"color": pen.color, "dash": pen.dash} for name, pen in pens.items()},
    }
    return json.dumps(document, separators=(",", ":"), sort_keys=True, allow_nan=False)
