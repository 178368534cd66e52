"""The same expansion about other origins, by exact translation of its coefficients."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, wavenumber
from fieldproc.records import Deviations, Expansion
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.translation import Translation, translated_degree

# Share of the energy that a move may lose.
_LOST_SHARE = 1e-20


def recenter(expansion: Expansion, origin_m: Floats) -> Expansion:
    """The expansion about ``origin_m`` (frequency, 3), scan axes: the same field, other coefficients.

    Exact to 1e-10 of the far field. Near the source the moved series converges more slowly, like (b / r)^n, b being
    the distance of the farthest part of the source from the new origin: take the original there.

    Orders grow by what the move needs (``translated_degree``); ``source_radius_m`` grows by the farthest move, so
    that the sphere about every new origin holds the source. Rows with a nan in ``origin_m`` stay where they are.
    """
    shift_m = np.nan_to_num(origin_m - expansion.origin_m)
    distance_m = np.linalg.norm(shift_m, axis=1)
    k = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)
    outgoing, outgoing_order = _moved(expansion.outgoing, expansion.outgoing_order, k, shift_m)
    regular, regular_order = _moved(expansion.regular, expansion.regular_order, k, shift_m)
    return replace(
        expansion,
        outgoing=outgoing,
        regular=regular,
        outgoing_order=outgoing_order,
        regular_order=regular_order,
        origin_m=expansion.origin_m + shift_m,
        deviations=_moved_deviations(expansion, outgoing_order, k, shift_m),
        source_radius_m=expansion.source_radius_m + float(distance_m.max()),
    )


def _moved_deviations(expansion: Expansion, tops: Integers, k: Floats, shift_m: Floats) -> Deviations | None:
    """Of the outgoing set, to the same orders as the coefficients."""
    if expansion.deviations is None:
        return None
    outgoing = []
    for row, own in enumerate(expansion.deviations.outgoing):
        order = int(np.sqrt(own.shape[2])) - 1
        if not own.size:
            outgoing.append(own)
            continue
        translation = Translation.prepare(order, int(tops[row]))
        outgoing.append(translation.apply(own.astype(np.complex128), float(k[row]), shift_m[row]).astype(own.dtype))
    return replace(expansion.deviations, outgoing=tuple(outgoing))


def _moved(coefficients: Complexes, orders: Integers, k: Floats, shift_m: Floats) -> tuple[Complexes, Integers]:
    """Coefficients (frequency, channel, coefficient) and orders after the move; order -1 (no set) stays."""
    distance_m = np.linalg.norm(shift_m, axis=1)
    tops = [
        translated_degree(int(order), float(one), float(far), _LOST_SHARE) if order >= 0 else -1
        for order, one, far in zip(orders, k, distance_m, strict=True)
    ]
    result = np.zeros((*coefficients.shape[:2], coefficient_count(max(tops))), dtype=np.complex128)
    prepared: dict[tuple[int, int], Translation] = {}
    for row, (order, top) in enumerate(zip(orders.tolist(), tops, strict=True)):
        if order < 0:
            continue
        if (order, top) not in prepared:
            prepared[order, top] = Translation.prepare(order, top)
        own = coefficients[row, :, : coefficient_count(order)]
        result[row, :, : coefficient_count(top)] = prepared[order, top].apply(own, float(k[row]), shift_m[row])
    return result, np.array(tops)
