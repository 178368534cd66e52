"""Orthonormal complex spherical harmonics (Condon-Shortley phase), all columns at once."""

from __future__ import annotations

import numpy as np
from scipy.special import sph_harm_y_all

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.indexing import coefficient_count, coefficient_index, column_degrees, column_orders

# Points per call: the library returns the full (degree, order) rectangle, twice what is kept.
_CHUNK_BYTES = 64_000_000


def spherical_harmonics(expansion_order: int, directions: Floats) -> Complexes:
    """Y_nm in the directions of non-zero vectors (point, 3); result (point, coefficient)."""
    vectors = np.asarray(directions, dtype=np.float64)
    colatitude = np.arctan2(np.hypot(vectors[:, 0], vectors[:, 1]), vectors[:, 2])
    azimuth = np.arctan2(vectors[:, 1], vectors[:, 0])
    degrees, orders = column_degrees(expansion_order), column_orders(expansion_order)
    table = np.empty((len(vectors), coefficient_count(expansion_order)), dtype=np.complex128)
    chunk = max(1, _CHUNK_BYTES // (32 * (expansion_order + 1) ** 2))
    for start in range(0, len(vectors), chunk):
        part = slice(start, start + chunk)
        # the order axis runs 0..N, -N..-1, so a negative order indexes it as it stands
        rectangle = sph_harm_y_all(expansion_order, expansion_order, colatitude[part], azimuth[part])
        table[part] = rectangle[degrees, orders].T
    return table


def real_coefficients(coefficients: Complexes) -> Complexes:
    """Coefficients (..., coefficient) of real harmonics, for those of ``spherical_harmonics``: the same function.

    Same order of columns (ACN); normalised to a mean square of 1 over the sphere (N3D), no Condon-Shortley phase:
    sqrt((2n+1) (2-[m=0]) (n-|m|)!/(n+|m|)!) P_n^|m|(sin elevation), times cos(m azimuth) for m >= 0,
    sin(|m| azimuth) for m < 0. From Y_nm = (-1)^m (R_nm + i R_n-m) / sqrt(8 pi) and Y_n-m = (-1)^m conj(Y_nm), m > 0.
    """
    expansion_order = int(np.sqrt(coefficients.shape[-1])) - 1
    degrees, orders = column_degrees(expansion_order), column_orders(expansion_order)
    size = np.abs(orders)
    above = coefficients[..., coefficient_index(degrees, size)] * (-1.0) ** size
    below = coefficients[..., coefficient_index(degrees, -size)]
    cosines, sines = (above + below) / np.sqrt(2.0), 1j * (above - below) / np.sqrt(2.0)
    orthonormal = np.where(orders > 0, cosines, np.where(orders < 0, sines, coefficients))
    return np.asarray(orthonormal / np.sqrt(4.0 * np.pi))
