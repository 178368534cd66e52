"""The course of a curve that single bumps do not move: a straight line over log frequency, or a smooth baseline.

Both are weighted least squares with weights found by iteration: each frequency weighs its share of log frequency
times Tukey's biweight of its residual, which is none beyond 4.685 deviations (Huber & Ronchetti, Robust Statistics,
2009; constant for 95 % efficiency under normal errors, from memory). Biweights, because a bump then has no say at
all: with Huber's weights, or least absolute deviations, which the iteration starts from, it always pulls. Weights
once found are held fixed, so that line and baseline are linear in the levels, and errors travel through them exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BSpline

from fieldproc.conventions import Floats
from fieldproc.errors import NumericalError
from fieldproc.findings.curves import Curve
from fieldproc.tables.averages import share_edges

_TUKEY = 4.685
_NORMAL = 1.4826
# Least deviation that counts, dB: on curves without scatter the smallest curvature would be a bump otherwise.
_FLOOR_DB = 0.1
_STEPS = 30
# Frequencies: a line needs two, and something to judge them by.
_FEWEST = 6
# Spacing of the knots of a baseline, octaves. Half-gain bandwidths of a resonance of Q 2 and of what is called broad.
KNOTS_OCTAVES = 1.5


@dataclass(frozen=True, slots=True)
class Trend:
    """Straight line in dB over log2 frequency of one curve.

    ``spread_db`` is the robust standard deviation of the curve about it; uncertainties are standard ones, nan where
    errors are not known.
    """

    band_hz: tuple[float, float]
    slope_db_per_octave: float
    level_1khz_db: float
    slope_uncertainty_db_per_octave: float
    level_uncertainty_db: float
    spread_db: float

    def level_db(self, frequency_hz: Floats) -> Floats:
        """The line at any frequencies."""
        return np.asarray(self.level_1khz_db + self.slope_db_per_octave * np.log2(frequency_hz / 1000.0))


def trend_of(curve: Curve, band_hz: tuple[float, float]) -> Trend:
    """The robust line through what is usable of a band; ``NumericalError`` where that is too little."""
    part = curve.within(*band_hz)
    require_enough(part, band_hz)
    solve = line_operator(part)
    level_db, slope_db = solve @ part.level_db
    level_uncertainty, slope_uncertainty = part.uncertainty_of(lambda row: solve @ row)
    residual_db = part.level_db - level_db - slope_db * part.octave
    return Trend(
        band_hz=(float(part.frequency_hz[0]), float(part.frequency_hz[-1])),
        slope_db_per_octave=float(slope_db),
        level_1khz_db=float(level_db),
        slope_uncertainty_db_per_octave=float(slope_uncertainty),
        level_uncertainty_db=float(level_uncertainty),
        spread_db=_deviation(residual_db, shares(part)),
    )


def require_enough(part: Curve, band_hz: tuple[float, float]) -> None:
    """``NumericalError`` where a band has too few usable frequencies for a course."""
    if len(part.frequency_hz) < _FEWEST:
        raise NumericalError(
            "findings",
            f"number of usable frequencies from {band_hz[0]:g} to {band_hz[1]:g} Hz",
            str(len(part.frequency_hz)),
            f"at least {_FEWEST}",
            "widen the band, or see quality.csv for why they may not be used",
        )


def line_operator(part: Curve) -> Floats:
    """What maps usable levels (frequency,) to level at 1 kHz and slope per octave, (2, frequency)."""
    return robust_operator(line_design(part.octave), part.level_db, shares(part))


def line_design(octave: Floats) -> Floats:
    """Constant and slope, (frequency, 2)."""
    return np.stack([np.ones_like(octave), octave], axis=1)


def baseline_design(octave: Floats, spacing: float = KNOTS_OCTAVES) -> Floats:
    """Cubic splines that are straight beyond the ends, knots about ``spacing`` octaves apart, (frequency, knot)."""
    intervals = max(int(np.round(np.ptp(octave) / spacing)), 1)
    knots = np.linspace(octave[0], octave[-1], intervals + 1)
    padded = np.concatenate([np.repeat(knots[0], 3), knots, np.repeat(knots[-1], 3)])
    count = len(padded) - 4
    splines = BSpline(padded, np.eye(count), 3)
    # no curvature at the ends: there a resonance has but one shoulder, which a free end would follow
    _, _, turned = np.linalg.svd(splines(knots[[0, -1]], 2))
    return np.asarray(splines(octave) @ turned[2:].T)


def shares(curve: Curve) -> Floats:
    """Octaves that every frequency stands for; gaps belong to what bounds them, up to a neighbour's own share."""
    widths = np.diff(share_edges(curve.octave))
    return np.asarray(np.minimum(widths, 2.0 * np.median(widths)))


def robust_operator(design: Floats, values: Floats, weights: Floats) -> Floats:
    """What maps values (place,) to coefficients of ``design`` (place, coefficient), weights as found for these."""
    robust = np.ones_like(values)
    for _ in range(_STEPS):
        residual = values - design @ (_solve(design, weights * robust) @ values)
        # least absolute deviations
        robust = 1.0 / np.maximum(np.abs(residual), _FLOOR_DB)
    scale = max(_deviation(residual, weights), _FLOOR_DB)
    for _ in range(_STEPS):
        robust = np.maximum(1.0 - (residual / (_TUKEY * scale)) ** 2, 0.0) ** 2
        # a stretch of bumps must not leave a coefficient without any say
        solve = _solve(design, weights * np.maximum(robust, 1e-3))
        residual = values - design @ (solve @ values)
    return solve


def _solve(design: Floats, weights: Floats) -> Floats:
    root = np.sqrt(weights)
    return np.asarray(np.linalg.pinv(root[:, None] * design) * root)


def _deviation(residual: Floats, weights: Floats) -> float:
    """Weighted median of the sizes, as a standard deviation."""
    order = np.argsort(np.abs(residual))
    total = np.cumsum(weights[order])
    middle = int(np.searchsorted(total, 0.5 * total[-1]))
    return float(_NORMAL * np.abs(residual)[order[min(middle, len(order) - 1)]])
