"""Where a point source stands, by its far field P(s) = a exp(+ik s.x0): the place x0, whatever the strengths a.

The fit reads the far field alone: it knows nothing of the expansion's origin or orders.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import least_squares

from fieldproc.conventions import Booleans, Complexes, Floats


def fit_place(pressure: Complexes, k: Floats, directions: Floats, start_m: Floats) -> Floats:
    """Place (3,) that explains all frequencies at once; each frequency's strength is eliminated in closed form.

    ``pressure`` (frequency, direction), ``k`` (frequency,), ``directions`` (direction, 3).
    """
    scaled = pressure / np.linalg.norm(pressure, axis=1, keepdims=True)

    def misfit(place_m: Floats) -> Floats:
        model = np.exp(1j * k[:, None] * (directions @ place_m)) / np.sqrt(len(directions))
        strength = np.sum(scaled * model.conj(), axis=1, keepdims=True)
        difference = (scaled - strength * model).ravel()
        return np.concatenate([difference.real, difference.imag])

    return np.asarray(least_squares(misfit, start_m, x_scale=0.01, xtol=1e-12, ftol=1e-12, gtol=1e-12).x)


def places(pressure: Complexes, k: Floats, directions: Floats, solved: Booleans, start_m: Floats) -> Floats:
    """The place at every frequency alone, (frequency, 3); nan where nothing was solved."""
    found = np.full((len(k), 3), np.nan)
    for row in np.flatnonzero(solved):
        found[row] = fit_place(pressure[row : row + 1], k[row : row + 1], directions, start_m)
    return found


def place_slope(directions: Floats) -> Floats:
    """What turns phases (direction,) by exactly k s.x into x (3,), in least squares beside a common phase: over k.

    Of several frequencies, the places times k^2 add, re the sum of k^2: the fit of all at once, linearised.
    """
    return np.asarray(np.linalg.pinv(directions - directions.mean(axis=0)))
