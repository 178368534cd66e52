"""One numbering of scan surfaces for several pieces."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from scipy.spatial import cKDTree

from fieldproc.conventions import Floats, Integers

# A point lies among those of another piece, not at their edge, where one of them is within so many point spacings.
_WITHIN_SPACINGS = 0.7
# So many of a piece's points must lie among the other's before they are compared: resumed scans meet at an edge.
_AMONG = 0.25
# Neighbours that span the plane from which a point of the same surface is away by less than this share of the
# points' distance: its curvature between them. Surfaces worth scanning are farther apart.
_NEIGHBOURS, _OFF_PLANE = 8, 0.25


def number_surfaces(
    positions_m: Sequence[Floats],
    surfaces: Sequence[Integers],
    center_m: Floats,
    rule: Literal["auto", "as named", "one per piece"],
) -> list[Integers]:
    """Surface number of every point, piece by piece: positions (point, 3), surfaces (point,) or -1 throughout.

    "as named" keeps the numbers. "one per piece" numbers the pieces, from the innermost out. "auto" takes equal
    numbers of two pieces for one surface (a scan that was stopped and resumed) unless points in the same directions
    from ``center_m`` lie off each other's surface (scans that each call themselves 0); then everything is numbered
    anew, from the innermost out. Pieces without numbers stay so if none can be told from another.
    """
    if rule == "as named":
        return list(surfaces)
    if rule == "one per piece":
        return _ranked(positions_m, [np.full(len(one), index) for index, one in enumerate(positions_m)], center_m)
    distinct: list[Integers] = []
    # surfaces that turned out to go by one number
    known: dict[int, list[int]] = {}
    unused = max(int(one.max()) for one in surfaces) + 1
    for at_m, named in zip(positions_m, surfaces, strict=True):
        own = np.array(named)
        for number in np.unique(named).tolist():
            here = named == number
            candidates = known.setdefault(number, [number])
            match = (
                one for one in candidates if _may_be(one, at_m[here] - center_m, positions_m, distinct, center_m)
            )
            found = next(match, None)
            if found is None:
                found, unused = unused, unused + 1
                candidates.append(found)
            own[here] = found
        distinct.append(own)
    everything = np.concatenate(distinct)
    kept = np.array_equal(everything, np.concatenate(list(surfaces)))
    if kept and (np.all(everything >= 0) or np.all(everything == -1)):
        return distinct
    return _ranked(positions_m, distinct, center_m)


def _may_be(
    number: int, own: Floats, positions_m: Sequence[Floats], distinct: Sequence[Integers], center_m: Floats
) -> bool:
    """May points at offsets ``own`` (point, 3) lie on the surface of a number, as the pieces so far have it?"""
    before = [at[given == number] - center_m for at, given in zip(positions_m, distinct, strict=False)]
    offsets = np.concatenate([np.empty((0, 3)), *before])
    if len(offsets) < _NEIGHBOURS:
        return True
    directions = cKDTree(_unit(offsets))
    spacing = np.median(directions.query(_unit(offsets), k=2)[0][:, 1])
    among = directions.query(_unit(own))[0] <= _WITHIN_SPACINGS * spacing
    if np.mean(among) < _AMONG:
        return True
    places = cKDTree(offsets)
    apart_m = np.median(places.query(offsets, k=2)[0][:, 1])
    nearby = offsets[places.query(own[among], k=_NEIGHBOURS)[1]]
    middle = nearby.mean(axis=1)
    normal = np.linalg.svd(nearby - middle[:, None])[2][:, -1]
    off_plane_m = np.abs(np.sum((own[among] - middle) * normal, axis=1))
    return bool(np.median(off_plane_m) <= _OFF_PLANE * apart_m)


def _unit(offsets: Floats) -> Floats:
    return np.asarray(offsets / np.linalg.norm(offsets, axis=1)[:, None])


def _ranked(positions_m: Sequence[Floats], numbers: Sequence[Integers], center_m: Floats) -> list[Integers]:
    """Numbers 0, 1, ... by rising median distance from the centre."""
    number = np.concatenate(list(numbers))
    distance_m = np.linalg.norm(np.concatenate(list(positions_m)) - center_m, axis=1)
    used = np.unique(number)
    order = used[np.argsort([np.median(distance_m[number == one]) for one in used], kind="stable")]
    rank = {int(one): index for index, one in enumerate(order)}
    return [np.array([rank[int(one)] for one in piece]) for piece in numbers]
