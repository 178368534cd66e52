"""Whole surfaces, or every other ring of one, predicted from all other points.

What single left-out points cannot see: their neighbours share the errors of their surface. With three surfaces or
more, each is left out in turn. Two surfaces must both stay, or nothing tells room from loudspeaker: there, every
other ring of one is left out (points on no rings: every other zone, of as many as there would be rings).
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats, Integers, amplitude_db
from fieldproc.expand.dense import WaveFit
from fieldproc.expand.mend import only
from fieldproc.expand.panel import seen, waves_at
from fieldproc.expand.solver import Solver
from fieldproc.records import Spectra
from fieldproc.side_by_side import side_by_side

# What is left out must not be what kept the sets apart: beyond this condition there is no prediction.
_MOST_CONDITION = 300.0
# Rings of a sphere evenly covered with n points: sqrt(pi n) / 2.
_RINGS_PER_ROOT = np.sqrt(np.pi) / 2.0


def parts(spectra: Spectra, offsets_m: Floats) -> list[Integers]:
    """Points to be left out together, (point,) each; none where the file names no two surfaces."""
    taken = np.ones(len(offsets_m), dtype=np.bool_) if spectra.left_out is None else ~spectra.left_out
    surfaces = [np.flatnonzero(taken & (spectra.surface == number)) for number in np.unique(spectra.surface)]
    if len(surfaces) < 2 or spectra.surface.min() < 0:
        return []
    if len(surfaces) > 2:
        return surfaces
    return [part for own in surfaces for part in _alternate(own, offsets_m[own])]


def _alternate(points: Integers, offsets_m: Floats) -> list[Integers]:
    """Points of one surface in two lots: every other ring, or zone, from top to bottom."""
    radius_m = np.linalg.norm(offsets_m, axis=1)
    angle = np.arccos(np.clip(offsets_m[:, 2] / radius_m, -1.0, 1.0))
    # rings stand out as equal angles, to far less than their distance
    rounded = np.round(np.stack([angle, radius_m]), 6)
    ring = np.unique(rounded, axis=1, return_inverse=True)[1].ravel()
    zones = max(2, round(_RINGS_PER_ROOT * np.sqrt(len(points))))
    if ring.max() + 1 > 2 * zones:
        ring = (np.argsort(np.argsort(angle, kind="stable")) * zones) // len(points)
    return [points[ring % 2 == half] for half in (0, 1)]


def held_out_db(spectra: Spectra, origin_m: Floats, orders: list[tuple[int, int]]) -> Floats:
    """Rms error at points that were left out in lots, re the data there; per frequency, mean over channels.

    ``orders`` of every frequency of ``spectra``; nan where there are no lots, or where the other points cannot
    carry the orders.
    """
    offsets_m = spectra.positions_m - origin_m
    lots = parts(spectra, offsets_m)
    missed, heard = (np.zeros((len(orders), spectra.pressure_pa.shape[1])) for _ in range(2))
    for lot in lots:
        kept = np.ones(len(offsets_m), dtype=np.bool_) if spectra.left_out is None else ~spectra.left_out
        kept[lot] = False
        missed += _missed(spectra, origin_m, orders, kept, lot)
        heard += np.sum(np.abs(spectra.pressure_pa[:, :, lot]) ** 2, axis=2)
    if not lots:
        return np.full(len(orders), np.nan)
    return np.asarray(np.mean(amplitude_db(np.sqrt(missed / heard)), axis=1))


def _missed(
    spectra: Spectra, origin_m: Floats, orders: list[tuple[int, int]], kept: np.ndarray, lot: Integers
) -> Floats:
    """Square sum of the errors at one lot, (frequency, channel)."""
    top = max(max(pair) for pair in orders)
    rest = only(spectra, kept)
    k = np.array([2.0 * np.pi * at / spectra.sound_speed_m_per_s.mean() for at in spectra.frequency_hz])
    solver = Solver(rest, origin_m, top, (float(k.min()), float(k.max())))
    at = seen(spectra.positions_m[lot] - origin_m, top)

    def missed(row: int) -> Floats:
        nothing: Floats = np.full(spectra.pressure_pa.shape[1], np.nan)
        if sum((order + 1) ** 2 for order in orders[row]) > 0.9 * kept.sum():
            return nothing
        fit: WaveFit = solver.fit([row], orders[row])[0]
        if fit.condition > _MOST_CONDITION:
            return nothing
        error = spectra.pressure_pa[row][:, lot] - waves_at(fit, float(k[row]), at)
        return np.asarray(np.sum(np.abs(error) ** 2, axis=1))

    most = solver.bytes_each(max((one + 1) ** 2 + (other + 1) ** 2 for one, other in orders))
    return np.array(list(side_by_side(missed, len(orders), most)))
