"""Columns of the two wave sets at given points, and the field of given coefficients.

Columns are scaled by powers of two per degree; the exponents come along and undo it exactly.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count, column_degrees
from fieldproc.waves.radial import Scaled, ldexp, spherical_bessel, spherical_hankel2

# Complex numbers of either precision.
AnyComplexes = NDArray[np.complexfloating[Any, Any]]
WaveSet = Literal["outgoing", "regular"]

RADIAL: dict[WaveSet, Callable[[int, Floats], Scaled]] = {
    "outgoing": spherical_hankel2,
    "regular": spherical_bessel,
}


def wave_columns(
    wave_set: WaveSet, expansion_order: int, harmonics: Complexes, argument: Floats
) -> tuple[Complexes, NDArray[np.int64]]:
    """Columns f_n(kr) Y_nm / 2**exponent at points.

    ``harmonics`` (point, at least (expansion_order+1)^2) and ``argument`` = kr (point,) belong to the same
    points. Returns the matrix (point, coefficient) and the exponent of every column (coefficient,). A
    coefficient fitted to the scaled columns, times 2**-exponent, belongs to the true ones.
    """
    degrees = column_degrees(expansion_order)
    radial, exponent = RADIAL[wave_set](expansion_order, argument).column_scaled()
    columns = harmonics[:, : coefficient_count(expansion_order)] * radial[:, degrees]
    return columns, exponent[degrees]


def wave_field(wave_set: WaveSet, coefficients: Complexes, wavenumber: float, offsets_m: Floats) -> Complexes:
    """Pressure of one wave set, sum over (n, m) of c f_n(kr) Y_nm.

    ``coefficients`` (..., coefficient), ``offsets_m`` (point, 3) from the expansion origin; result
    (..., point).
    """
    expansion_order = int(np.sqrt(coefficients.shape[-1])) - 1
    radius_m = np.linalg.norm(offsets_m, axis=1)
    harmonics = spherical_harmonics(expansion_order, offsets_m)
    columns, exponent = wave_columns(wave_set, expansion_order, harmonics, wavenumber * radius_m)
    return np.asarray(ldexp(coefficients, exponent) @ columns.T)


def far_field_pattern(coefficients: AnyComplexes, wavenumber: float, harmonics: AnyComplexes) -> AnyComplexes:
    """lim r exp(ikr) p of outgoing coefficients: (1/k) sum i^(n+1) c_nm Y_nm.

    ``coefficients`` (..., coefficient), ``harmonics`` (direction, at least as many coefficients); result
    (..., direction), as precise as these. From h_n^(2)(kr) -> i^(n+1) exp(-ikr)/(kr), [DLMF] 10.52.4.
    """
    return np.asarray(pattern_coefficients(coefficients) @ harmonics[:, : coefficients.shape[-1]].T / wavenumber)


def pattern_coefficients(coefficients: AnyComplexes) -> AnyComplexes:
    """i^(n+1) c_nm of outgoing coefficients (..., coefficient): those of k times the far-field pattern."""
    degrees = column_degrees(int(np.sqrt(coefficients.shape[-1])) - 1)
    # i^(n+1) from a table: a complex power would bring rounding of its own
    turns = np.array([1j, -1.0, -1j, 1.0], dtype=coefficients.dtype)
    return np.asarray(coefficients * turns[degrees % 4])
