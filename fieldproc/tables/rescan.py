"""The rescan list: points that are worth measuring again, in an order that makes a short way."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from fieldproc.conventions import Booleans, Floats, Integers, power_db
from fieldproc.records import Session, Spectra, Table

_MISFIT, _NOISY = "residual far above that of the points around it", "noise far above that of the other points"
# Points around one, enough for a median.
_AROUND = 30
# Five times the median of the points around it: three and a half standard deviations of a place error, the same at
# all frequencies, which is one point in 2,000 by chance. Points at twice that are left out from the start.
_FAR_ABOVE_DB = 14.0
# Noise so far above the median of all points matters where it is a quarter or more of the power of the residual.
_NOISY_DB, _OF_RESIDUAL_DB = 10.0, -6.0
# Up to so many points the way is improved after each next point was the nearest.
_MOST_IMPROVED = 300


def rescan_table(
    session: Session, spectra: Spectra, point_residual_db: Floats, *, facts: Mapping[str, str | float | int]
) -> Table:
    """Table ``rescan``: one row per place, in visiting order; header alone where nothing is worth it.

    ``point_residual_db`` has shape (channel, point), points as in ``spectra``; the worst channel counts. Listed are
    points that took no part, unless another record of their place did (``reason_code`` from 2 on, as in ``points``),
    and points whose residual (0) or noise (1) is far above that of the others.
    """
    reasons = [_MISFIT, _NOISY, *sorted({point.reason for point in spectra.dropped})]
    code = _dropped(session, spectra, reasons) | _poor(spectra, point_residual_db)
    listed = np.array(sorted(code), dtype=np.int64)
    listed = listed[short_way(session.positions_m[listed])]
    positions_m = session.positions_m[listed]
    columns = {
        "visit": np.arange(len(listed)),
        "point": listed,
        **{f"{name}_m": positions_m[:, at] for at, name in enumerate("xyz")},
        "surface": session.surface[listed],
        "reason_code": np.array([code[point] for point in listed.tolist()], dtype=np.int64),
    }
    told = {
        "content": "points worth measuring again, in visiting order, scan axes",
        **facts,
        "point_note": "index in the session, from 0",
        "visit_note": "a short sum of straight ways, which may lead through the loudspeaker: go round it",
        "surface_note": "-1 = the session does not name surfaces",
        **{f"reason_{number}": reason for number, reason in enumerate(reasons)},
    }
    return Table.of_columns("rescan", columns, told)


def _dropped(session: Session, spectra: Spectra, reasons: list[str]) -> dict[int, int]:
    """Reason codes of points that took no part, each place once, none that another record stands for."""
    taken = spectra.file_point if spectra.left_out is None else spectra.file_point[~spectra.left_out]
    places = {tuple(place) for place in session.positions_m[taken].tolist()}
    code = {}
    for point in spectra.dropped:
        place = tuple(session.positions_m[point.index].tolist())
        if place not in places:
            places.add(place)
            code[point.index] = reasons.index(point.reason)
    return code


def _poor(spectra: Spectra, point_residual_db: Floats) -> dict[int, int]:
    """Reason codes of points that took part, but fit far worse, or are far noisier, than others."""
    took_part = np.ones(len(spectra.file_point), dtype=np.bool_) if spectra.left_out is None else ~spectra.left_out
    rows = np.flatnonzero(took_part)
    residual_db, positions_m = point_residual_db[:, rows], spectra.positions_m[rows]
    _, around = cKDTree(positions_m).query(positions_m, k=min(_AROUND + 1, len(rows)))
    # without the point itself, which is the nearest
    usual_db = np.median(residual_db[:, around[:, 1:]], axis=2)
    # a fit without any residual has none that stands out
    with np.errstate(invalid="ignore"):
        misfit = np.any(residual_db - usual_db > _FAR_ABOVE_DB, axis=0)
    noisy = _noisy(spectra, rows, residual_db)
    code = dict.fromkeys(spectra.file_point[rows[noisy]].tolist(), 1)
    return code | dict.fromkeys(spectra.file_point[rows[misfit]].tolist(), 0)


def _noisy(spectra: Spectra, rows: Integers, residual_db: Floats) -> Booleans:
    """Which points have far more noise than most, and have it in their residual, (point,)."""
    if spectra.noise_pa is None:
        return np.zeros(len(rows), dtype=np.bool_)
    noise = spectra.noise_pa[spectra.usable][:, :, rows] ** 2
    level = np.mean(np.abs(spectra.pressure_pa[spectra.usable][:, :, rows]) ** 2, axis=2, keepdims=True)
    above_db = power_db(np.mean(noise / np.median(noise, axis=2, keepdims=True), axis=0))
    shown_db = power_db(np.mean(noise / level, axis=0)) - residual_db
    return np.asarray(np.any((above_db > _NOISY_DB) & (shown_db > _OF_RESIDUAL_DB), axis=0))


def short_way(positions_m: Floats) -> Integers:
    """Order (visit,) of points (point, 3) that makes the sum of straight ways between them short, ends free.

    Each next point is the nearest; then parts of the way are reversed as long as that shortens it (2-opt, textbook).
    """
    count = len(positions_m)
    order = np.arange(count)
    for at in range(1, count):
        far_m = np.linalg.norm(positions_m[order[at:]] - positions_m[order[at - 1]], axis=1)
        nearest = at + int(far_m.argmin())
        order[[at, nearest]] = order[[nearest, at]]
    return _improved(order, cdist(positions_m, positions_m)) if 3 <= count <= _MOST_IMPROVED else order


def _improved(order: Integers, way_m: Floats) -> Integers:
    """The order (visit,) with every part turned round that shortens the sum of the ways ``way_m`` (point, point)."""
    # a place that is no way from any other, before the first and after the last, leaves both ends free
    count, way_m = len(order), np.pad(way_m, ((0, 1), (0, 1)))
    order = np.concatenate([[count], order, [count]])
    while True:
        # turning the part from one visit to another round changes the way to the one and the way from the other
        before, one = order[:-2, None], order[1:-1, None]
        other, after = order[None, 1:-1], order[None, 2:]
        change = np.triu(way_m[before, other] + way_m[one, after] - way_m[before, one] - way_m[other, after], 1)
        start, end = np.unravel_index(change.argmin(), change.shape)
        # rounding must not turn a part to and fro
        if change[start, end] > -1e-9 * way_m.max():
            return order[1:-1]
        order[start + 1 : end + 2] = order[start + 1 : end + 2][::-1].copy()
