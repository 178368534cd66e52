"""Where a loudspeaker hands over to a subwoofer: what its own fall leaves for an electrical high-pass to do.

The target is the high-pass of a Linkwitz-Riley crossover of fourth order, the square of a Butterworth one of second:
-6.02 dB at its frequency, 24 dB per octave far below. Levels alone: how the phases of both meet depends on delays and
places.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Floats, amplitude_db
from fieldproc.findings.curves import Curve, octave_shares

HAND_OVER_HZ = 80.0
REFERENCE_BAND_HZ = (300.0, 3000.0)
# Steepest electrical high-pass that is proposed, as steep as the target.
_MOST_ORDER = 4
# Less of a band than this says nothing of it.
_LEAST_SHARE = 0.75
_FEWEST = 5


@dataclass(frozen=True, slots=True)
class HandOver:
    """Level and slope of a response at a frequency, and how far they are from the target.

    ``level_db`` is re the mean level, in dB over log frequency, of ``REFERENCE_BAND_HZ``; level and slope are those
    of a parabola over the octave about the frequency, with standard uncertainties (nan = not known). ``lacking_db``
    is level minus target: how much an electrical high-pass must take there yet. ``order`` is that of the Butterworth
    high-pass at this frequency (0: none) that comes closest to the target over the octaves on both sides, ``rms_db``
    how close.
    """

    frequency_hz: float
    level_db: float
    level_uncertainty_db: float
    slope_db_per_octave: float
    slope_uncertainty_db_per_octave: float
    target_level_db: float
    target_slope_db_per_octave: float
    lacking_db: float
    order: int
    rms_db: float


def hand_over(curve: Curve, frequency_hz: float = HAND_OVER_HZ) -> HandOver | None:
    """Of a response on axis or over the listening window; ``None`` where too little of it may be used."""
    mean = _mean(curve, REFERENCE_BAND_HZ)
    about = _octave_about(curve, frequency_hz)
    around_hz = (frequency_hz / 2.0, frequency_hz * 2.0)
    around = _mean(curve, around_hz)
    if mean is None or about is None or around is None:
        return None

    def read(level_db: Floats) -> Floats:
        used = np.where(curve.usable, level_db, 0.0)
        value, slope = about @ used
        return np.array([value - mean @ used, slope])

    level_db, slope = read(curve.level_db).tolist()
    level_uncertainty_db, slope_uncertainty = curve.uncertainty_of(read).tolist()
    ratio = curve.frequency_hz / frequency_hz
    target_db = 2.0 * butterworth_db(2, ratio)
    used_db = np.where(curve.usable, curve.level_db, 0.0)
    relative_db = used_db - mean @ used_db
    rms_db = [
        float(np.sqrt(around @ (relative_db + butterworth_db(order, ratio) - target_db) ** 2))
        for order in range(_MOST_ORDER + 1)
    ]
    order = int(np.argmin(rms_db))
    target_level_db = 2.0 * float(butterworth_db(2, np.array(1.0)))
    return HandOver(
        frequency_hz=frequency_hz,
        level_db=level_db,
        level_uncertainty_db=level_uncertainty_db,
        slope_db_per_octave=slope,
        slope_uncertainty_db_per_octave=slope_uncertainty,
        target_level_db=target_level_db,
        # x^4 / (1 + x^4) at x = 1
        target_slope_db_per_octave=2.0 * float(amplitude_db(2.0)),
        lacking_db=level_db - target_level_db,
        order=order,
        rms_db=rms_db[order],
    )


def butterworth_db(order: int, ratio: Floats) -> Floats:
    """Level of a Butterworth high-pass at frequencies re its own (any shape), dB; order 0 leaves all as it is."""
    if order == 0:
        return np.zeros_like(ratio)
    below = np.maximum(ratio, 1e-6) ** (-2.0 * order)
    return np.asarray(-10.0 * np.log10(1.0 + below))


def _mean(curve: Curve, band_hz: tuple[float, float]) -> Floats | None:
    """Weights (frequency,) of the mean over a band; ``None`` where too little of it may be used."""
    shares = octave_shares(curve.frequency_hz, band_hz) * curve.usable
    if shares.sum() < _LEAST_SHARE * np.log2(band_hz[1] / band_hz[0]):
        return None
    return np.asarray(shares / shares.sum())


def _octave_about(curve: Curve, frequency_hz: float) -> Floats | None:
    """Weights (2, frequency) of value and slope, per octave, of a parabola over the octave about a frequency."""
    edge = np.sqrt(2.0)
    weight = octave_shares(curve.frequency_hz, (frequency_hz / edge, frequency_hz * edge)) * curve.usable
    inside = weight > 0.0
    # a parabola does not reach far beyond what it rests on
    if weight.sum() < _LEAST_SHARE or inside.sum() < _FEWEST:
        return None
    root = np.sqrt(weight[inside])
    powers = np.vander(np.log2(curve.frequency_hz[inside] / frequency_hz), 3, increasing=True)
    weights = np.zeros((2, len(weight)))
    weights[:, inside] = (np.linalg.pinv(root[:, None] * powers) * root)[:2]
    return weights
