"""Before and after the separation: sound at points of the scan, all of it, and the loudspeaker's own alone."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, level_db, output_axes, wavenumber
from fieldproc.records import Expansion, ReferenceAxis, Table
from fieldproc.waves.basis import wave_field
from fieldproc.waves.indexing import coefficient_count

# Output axes of what is looked at.
SIDES = {"front": (1.0, 0.0, 0.0), "left": (0.0, 1.0, 0.0), "behind": (-1.0, 0.0, 0.0)}
# A point farther off stands for no such direction. Of those about as near to it as the nearest the innermost counts.
_FARTHEST_DEG, _ABOUT_DEG = 30.0, 5.0
# Within the smallest sphere about the loudspeaker, a series has not converged if one of its last two degrees makes
# more than this share of the sound.
_LAST_SHARE = 0.25
_NOTES = {
    "whole_note": "what the waves of both sets come to at the point: what the microphone heard, as they have it",
    "own_note": "the outgoing waves alone; higher or lower than the whole, as the room adds to it or cancels it",
    "nan_note": (
        "nan = nothing to compare: no waves of the room were fitted, or the waves do not converge so near to the "
        "loudspeaker, or no point lies within 30 degrees of the direction"
    ),
}


def separation_table(
    expansion: Expansion, axis: ReferenceAxis, channel: int, *, facts: Mapping[str, str | float | int]
) -> Table | None:
    """Table ``separation`` of one channel: levels re 20 uPa at three points, ``front_whole_db``, ``front_own_db``,
    and so on for ``left`` and ``behind``.

    The points are those of the innermost surface nearest to these output axes, seen from the middle of the scan.
    ``None`` where the points of the scan are not known. ``facts`` as for ``tabulate``.
    """
    if expansion.points_m is None or not len(expansion.points_m):
        return None
    # the axis origin may lie on the front, from where no point is far off to the side
    middle_m = 0.5 * (expansion.points_m.min(axis=0) + expansion.points_m.max(axis=0))
    offsets_m = (expansion.points_m - middle_m) @ output_axes(axis.direction, axis.up).T
    columns, told = {"frequency_hz": expansion.frequency_hz}, {}
    for side, direction in SIDES.items():
        whole_db = own_db = np.full(len(expansion.frequency_hz), np.nan)
        point = nearest_inside(offsets_m, np.array(direction))
        if point is not None:
            position_m = expansion.points_m[point]
            told[f"{side}_position_m"] = " ".join(f"{x:.6g}" for x in position_m)
            whole_db, own_db = _levels(expansion, channel, position_m)
        columns |= {f"{side}_whole_db": whole_db, f"{side}_own_db": own_db}
    content = "sound at points of the innermost surface before and after the room is taken out"
    all_told = {"content": content, **facts, "channel_index": channel, **told, **_NOTES}
    return Table.of_columns("separation", columns, {**all_told, "position_note": "scan axes"})


def nearest_inside(offsets_m: Floats, direction: Floats) -> int | None:
    """Of points (point, 3) the innermost of those about nearest to a unit vector; ``None`` if all are far from it."""
    radius_m = np.linalg.norm(offsets_m, axis=1)
    cosine = np.divide(offsets_m @ direction, radius_m, out=np.full(len(radius_m), -1.0), where=radius_m > 0.0)
    away_deg = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    if away_deg.min() > _FARTHEST_DEG:
        return None
    near = np.flatnonzero(away_deg <= away_deg.min() + _ABOUT_DEG)
    # of equally near ones the one on the direction
    return int(near[np.lexsort((away_deg[near], radius_m[near].round(3)))[0]])


def _levels(expansion: Expansion, channel: int, position_m: Floats) -> tuple[Floats, Floats]:
    """Level of the whole sound and of the loudspeaker's own at a place, (frequency,) each."""
    k = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)
    own, room = np.full((2, len(k)), complex(np.nan, np.nan))
    for row in np.flatnonzero(_compared(expansion, channel)):
        offset_m = (position_m - expansion.origin_m[row])[None]
        outgoing = expansion.outgoing[row, channel, : coefficient_count(int(expansion.outgoing_order[row]))]
        regular = expansion.regular[row, channel, : coefficient_count(int(expansion.regular_order[row]))]
        if _converged(outgoing, k[row], offset_m, expansion.source_radius_m):
            own[row] = wave_field("outgoing", outgoing, k[row], offset_m)[0]
            room[row] = wave_field("regular", regular, k[row], offset_m)[0]
    return level_db(own + room), level_db(own)


def _compared(expansion: Expansion, channel: int) -> Booleans:
    """Frequencies with waves of both sets."""
    fitted = np.abs(expansion.outgoing[:, channel]).sum(axis=1) > 0.0
    return np.asarray(fitted & (expansion.regular_order >= 0))


def _converged(outgoing: Complexes, k: float, offset_m: Floats, source_radius_m: float) -> bool:
    """Whether the outgoing waves may be believed at a place (1, 3), which may lie within the source's sphere."""
    order = int(np.sqrt(len(outgoing))) - 1
    if order == 0 or np.linalg.norm(offset_m) >= source_radius_m:
        return True
    # two: at a place of symmetry every other degree is silent
    fewer = [outgoing[: coefficient_count(max(top, 0))] for top in (order, order - 1, order - 2)]
    whole, *less = (wave_field("outgoing", one, k, offset_m)[0] for one in fewer)
    return bool(max(abs(whole - less[0]), abs(less[0] - less[1])) <= _LAST_SHARE * abs(whole))
