"""What the stated errors of a far field let one expect of a point source, and whether its true errors keep to that.

Vectors of errors are those of ``FarFieldErrors``: the first few drawn at random, every other one standard uncertainty
of one cause. A quantity changes by the real or imaginary part of a vector re the pressure, to first order.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, wavenumber
from fieldproc.records import FarField
from fieldproc.validate.monopole import Centred
from fieldproc.validate.place import place_slope

# 95 % of normal errors, as in every table (JCGM 100:2008, coverage factor 2).
COVERAGE_FACTOR = 2.0
_DB, _DEG = 20.0 / np.log(10.0), 180.0 / np.pi


@dataclass(frozen=True, slots=True)
class Expected:
    """Standard uncertainties of what is told per frequency, (frequency,), and the covariance of the place (3, 3).

    The place is in output axes. ``normalised_error`` (frequency,) is the rms over the sphere of the error of the
    level re its standard uncertainty, ``covered_share`` the share of directions where it is within
    ``COVERAGE_FACTOR`` of them.
    """

    level_db: Floats
    ripple_db: Floats
    phase_deg: Floats
    normalised_error: Floats
    covered_share: Floats
    place_covariance_m2: Floats


def expected(
    far_field: FarField, centred: Centred, stated_pa: Floats, judged: Booleans, solved: Booleans
) -> Expected | None:
    """What the errors of a far field come to; None where they are not known.

    ``stated_pa`` (frequency,) is the pressure at 1 m of the source as it is known, nan = not known: then the mean
    level is fitted, and what all directions have in common is taken out of the errors and of their uncertainties.
    ``judged`` are the frequencies that the place was fitted to.
    """
    if far_field.errors is None:
        return None
    draws, k = far_field.errors.draws, wavenumber(far_field.frequency_hz, far_field.sound_speed_m_per_s)
    columns = np.full((5, len(k)), np.nan)
    slope = place_slope(far_field.directions)
    moved_m = np.zeros((far_field.errors.pressure_pa.shape[2], 3))
    for row, relative in _relative_errors(far_field, solved):
        columns[:3, row] = [_uncertainty(one, draws) for one in _effects(centred, row, relative)]
        columns[3:, row] = _covered(centred, row, relative.real, float(stated_pa[row]), draws)
        if judged[row]:
            moved_m += k[row] * relative.imag @ slope.T
    moved_m /= np.sum(k[judged] ** 2)
    weights = np.where(np.arange(len(moved_m)) < draws, 1.0 / draws, 1.0)
    level_db, ripple_db, phase_deg, normalised, share = columns
    return Expected(level_db, ripple_db, phase_deg, normalised, share, (weights[:, None] * moved_m).T @ moved_m)


def _relative_errors(far_field: FarField, solved: Booleans) -> Iterator[tuple[int, Complexes]]:
    """Errors (vector, direction) re the pressure, frequency by frequency: all at once they are large."""
    assert far_field.errors is not None
    for row in np.flatnonzero(solved).tolist():
        yield row, far_field.errors.pressure_pa[row, 0] / far_field.pressure_pa[row, 0]


def _effects(centred: Centred, row: int, relative: Complexes) -> tuple[Floats, Floats, Floats]:
    """Of every vector on level, ripple and largest phase error, (vector,) each."""
    own, standard = centred.pressure[row], relative[:, centred.standard]
    common = (relative * own) @ centred.weights / centred.mean[row]
    level_db, phase_deg = centred.level_db[row], centred.phase_deg[row]
    ripple = standard[:, level_db.argmax()].real - standard[:, level_db.argmin()].real
    turned = (standard[:, np.abs(phase_deg).argmax()] - common).imag
    return common.real * _DB, ripple * _DB, turned * _DEG


def _covered(centred: Centred, row: int, effects: Floats, stated_pa: float, draws: int) -> tuple[float, float]:
    """Rms normalised error of the level, and the share of directions within their bands; linear amplitudes."""
    sphere = ~centred.standard
    size, weights, effects = np.abs(centred.pressure[row, sphere]), centred.weights[sphere], effects[:, sphere]
    if np.isnan(stated_pa):
        stated_pa = float(size @ weights)
        effects = effects * size
        effects = (effects - (effects @ weights)[:, None]) / stated_pa
    else:
        effects = effects * size / stated_pa
    error, uncertainty = size / stated_pa - 1.0, _uncertainty(effects, draws)
    # an uncertainty of nothing covers no error
    with np.errstate(divide="ignore", invalid="ignore"):
        normalised = np.where(error == 0, 0.0, error / uncertainty)
    within = np.abs(error) <= COVERAGE_FACTOR * uncertainty
    return float(np.sqrt(normalised**2 @ weights)), float(within @ weights)


def _uncertainty(effects: Floats, draws: int) -> Floats:
    """Standard uncertainty from what vectors (vector, ...) of errors change, the first ``draws`` at random."""
    return np.asarray(np.sqrt(np.mean(effects[:draws] ** 2, axis=0) + np.sum(effects[draws:] ** 2, axis=0)))
