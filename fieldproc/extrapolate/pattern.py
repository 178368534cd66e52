"""A far field as coefficients of spherical harmonics about the axis origin, in output axes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Complexes, wavenumber
from fieldproc.extrapolate.extrapolate import extrapolate
from fieldproc.extrapolate.grids import balloon_directions
from fieldproc.records import Expansion, ReferenceAxis
from fieldproc.settings import ExtrapolationSettings
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import column_orders
from fieldproc.waves.translation import translated_degree

# Share of the energy that the highest degrees may lose, and the degree beyond which none is kept.
_LOST_SHARE, _MOST_DEGREE = 1e-16, 99
# Directions at a time: their harmonics take 100 MB at degree 55.
_DIRECTIONS = 2000


def pattern_harmonics(expansion: Expansion, axis: ReferenceAxis, settings: ExtrapolationSettings) -> Complexes:
    """Coefficients (frequency, channel, coefficient) of the orthonormal Y_nm whose sum is ``extrapolate``'s pressure.

    The expansion stands about an origin of its own; about the axis origin the pattern needs more degrees, by the
    wavenumber times the distance of the two. By quadrature on a Gauss grid: of a far field exact but for 1e-8 of the
    amplitude, as long as 99 degrees are enough (at 20 kHz: 0.1 m between the origins and degree 40; with degree 75
    there and 0.15 m it is 2e-3). A true pressure near the source needs more: 3e-5 at 1 m, 0.4 m off. nan where there
    is no fit.
    """
    distance_m = np.linalg.norm(expansion.origin_m - axis.origin_m, axis=1)
    k = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)
    needed = [
        translated_degree(max(int(order), 0), float(one), float(far), _LOST_SHARE)
        for order, one, far in zip(expansion.outgoing_order, k, distance_m, strict=True)
    ]
    top = min(max(needed), _MOST_DEGREE)
    bare, directions = replace(expansion, deviations=None), balloon_directions("gauss", top)
    parts = [
        extrapolate(bare, axis, directions[start : start + _DIRECTIONS], settings).pressure_pa
        for start in range(0, len(directions), _DIRECTIONS)
    ]
    azimuths = 2 * top + 2
    rings = np.concatenate(parts, axis=2).reshape(*parts[0].shape[:2], top + 1, azimuths)
    # over azimuth a Fourier sum, exact for orders up to the degree; over height Gauss' rule
    around = np.fft.fft(rings, axis=3) * (2.0 * np.pi / azimuths)
    weights = np.polynomial.legendre.leggauss(top + 1)[1][::-1]
    upright = spherical_harmonics(top, directions[::azimuths]).real * weights[:, None]
    orders = column_orders(top)
    # frequency by frequency: all at once would be gigabytes
    return np.array([np.einsum("cjn,jn->cn", row[:, :, orders], upright) for row in around])
