"""What a reader of the results must know about the expansion, in sentences."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Booleans, Floats
from fieldproc.expand.divided import Division
from fieldproc.expand.seam import Seam
from fieldproc.records import Causes


def separation_notices(separate: bool, frequency_hz: Floats, alike: Booleans) -> list[str]:
    """Whether room and loudspeaker were told apart, and the bands where they look ``alike`` (frequency,)."""
    if not separate:
        return ["no separation: outgoing waves only, so room sound counts as the loudspeaker's"]
    notices = []
    if alike.any():
        notices.append(
            f"outgoing and regular waves look alike at the points ({', '.join(_bands(frequency_hz, alike))}): "
            "surfaces near half a wavelength apart, or too few points"
        )
    return notices


def causes_notices(causes: Causes | None) -> list[str]:
    """What errors of the apparatus the uncertainties count with, as far as all points have them in common."""
    if causes is None:
        return [
            "errors that all points have in common were not looked at: a gain or place error between the surfaces "
            "does not show in the verdict"
        ]
    told = []
    for name, size in zip(causes.names, np.sqrt(np.sum(causes.deviation**2, axis=1)), strict=True):
        what, unit = name.split(" (")
        if size > 0 and "knot" not in unit:
            told.append(f"{what} {size:.2g} {unit.rstrip(')')}")
    return [f"standard uncertainties that all points have in common: {', '.join(told)}"] if told else []


def source_notices(offsets_m: Floats, source_radius_m: float, division: Division | None, untried: bool) -> list[str]:
    """Points (point, 3) that lie too near for waves from one origin, and what was done about them.

    ``untried``: the shape of the source asks for several centres, the settings do not.
    """
    inside = int(np.sum(np.linalg.norm(offsets_m, axis=1) < source_radius_m))
    where = f"{inside} points lie inside the sphere of radius {source_radius_m:.3f} m around the source"
    if division is not None:
        better = "better" if division.gain_db >= 0 else "worse"
        return [
            f"{where}: outgoing waves leave from {len(division.solver.cells.centers_m)} centres, which predicts "
            f"left-out points {abs(division.gain_db):.1f} dB {better} than one"
        ]
    if untried and not inside:
        where = "points lie inside the smallest sphere around a source of the shape of this scan"
    if untried or inside:
        return [f"{where}, where outgoing waves about one origin need not converge"]
    return []


def order_notices(carried: Booleans, frequency_hz: Floats, points: int) -> list[str]:
    """From where on the points are too few."""
    if carried.all():
        return []
    first_hz = frequency_hz[np.argmin(carried)]
    return [f"from {first_hz:.6g} Hz on, {points} points cannot carry the orders the sound field needs"]


def seam_notices(seam: Seam, frequency_hz: Floats) -> list[str]:
    """Where gated spectra take over, and how well the two agree there."""
    if not (seam.share > 0.0).any():
        return ["gated spectra are not used: below the top of the band nothing speaks for them"]
    at = int(np.argmin(np.abs(np.log2(frequency_hz / seam.crossover_hz))))
    agree = seam.difference_db[at]
    how = "; nowhere do both answer" if np.isnan(agree).all() else f", where the two differ by {np.max(agree):.1f} dB"
    return [f"gated spectra take over at {seam.crossover_hz:.0f} Hz{how}"]


def _bands(frequency_hz: Floats, chosen: Booleans) -> list[str]:
    """Runs of chosen rows, in words."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]])))
    runs = [(frequency_hz[first], frequency_hz[end - 1]) for first, end in edges.reshape(-1, 2)]
    return [f"{low:.4g} Hz" if low == high else f"{low:.4g} to {high:.4g} Hz" for low, high in runs]
