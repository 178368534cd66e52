"""The points table: every point of the session, how well it fits, and whether it took part."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.records import DroppedPoint, Session, Spectra, Table

_USED = "took part"
_REPEAT = "repeat, averaged into the first record at its position"


def points_table(
    session: Session,
    spectra: Spectra,
    point_residual_db: Floats,
    channel: int,
    *,
    facts: Mapping[str, str | float | int],
) -> Table:
    """Table ``points``: one row per point of the file.

    ``point_residual_db`` has shape (channel, point), points as in ``spectra``. A repeat shows the residual
    of the average it went into; a dropped point has none (nan). ``reason_code`` is 0 for a point that took
    part, 1 for a repeat, and from 2 one code per reason for dropping; ``facts`` of the table name them.
    """
    residual, code = _outcome(session, spectra, point_residual_db[channel])
    reasons = [_USED, _REPEAT, *_reasons(spectra.dropped)]
    for dropped in spectra.dropped:
        code[dropped.index] = reasons.index(dropped.reason)
        residual[dropped.index] = np.nan
    columns = {
        "point": np.arange(code.size),
        "x_m": session.positions_m[:, 0],
        "y_m": session.positions_m[:, 1],
        "z_m": session.positions_m[:, 2],
        "surface": session.surface,
        "residual_db": residual,
        "kept": code < 2,
        "reason_code": code,
    }
    legend = {f"reason_{number}": reason for number, reason in enumerate(reasons)}
    told = {
        "content": "every point of the session in scan axes, the level of its residual, kept or dropped",
        **facts,
        "channel_index": channel,
        "surface_note": "-1 = the session does not name surfaces",
        **legend,
    }
    return Table.of_columns("points", columns, told)


def _reasons(dropped: tuple[DroppedPoint, ...]) -> list[str]:
    return sorted({point.reason for point in dropped})


def _outcome(session: Session, spectra: Spectra, residual_db: Floats) -> tuple[Floats, Integers]:
    """Residual and code (0 or 1) of every point of the file, before the dropped ones are marked."""
    count = len(session.positions_m)
    residual = np.full(count, np.nan)
    code = np.ones(count, dtype=np.int64)
    residual[spectra.file_point] = residual_db
    code[spectra.file_point] = 0
    # Repeats are exactly equal positions, so each finds the record that carries its average.
    places = [tuple(position) for position in session.positions_m.tolist()]
    first = {places[point]: point for point in spectra.file_point}
    for point in np.flatnonzero(code == 1):
        residual[point] = residual[first.get(places[point], point)]
    return residual, code
