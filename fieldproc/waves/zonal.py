"""Covariances of fields that random sources around a centre radiate.

Where all orders m of a degree n are alike, the addition theorem ([DLMF] 14.30.9) sums them in closed form:

    sum_m f_n(p) Y_nm(p) [g_n(q) Y_nm(q)]* = (2n + 1) / (4 pi) f_n(p) g_n(q)* P_n(cos angle(p, q))

so that a covariance of thousands of points costs one short sum per pair instead of a matrix of thousands of columns.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.radial import spherical_bessel

# Sources are spread evenly over radii from this share of the largest to the largest: no degree falls into a zero.
_INNERMOST, _SHELLS = 0.3, 8


def zonal_sum(one: Complexes, one_unit: Floats, other: Complexes, other_unit: Floats) -> Complexes:
    """Sum over n of one[p, n] other[q, n]* P_n(one_unit[p] . other_unit[q]), (p, q).

    ``one`` (p, degree), ``other`` (q, degree); unit vectors (p, 3) and (q, 3).
    """
    cosines = one_unit @ other_unit.T
    factors = [np.ascontiguousarray(part) for part in (one.real, one.imag, other.real.T, -other.imag.T)]
    real, imaginary = _compiled()(np.clip(cosines, -1.0, 1.0), *factors)
    return np.asarray(real + 1j * imaginary)


def source_degrees(wavenumber: float, radius_m: float) -> int:
    """Degree beyond which sources within a sphere radiate less than a thousandth of the amplitude."""
    argument = wavenumber * radius_m
    return int(np.ceil(argument + 3.0 * np.cbrt(argument) + 3.0))


def source_variance(wavenumber: float, radius_m: float, top_degree: int) -> Floats:
    """Mean square of an outgoing coefficient of degree 0 to ``top_degree`` for random sources within a sphere."""
    radii_m = radius_m * np.linspace(_INNERMOST, 1.0, _SHELLS)
    return np.asarray(np.mean(spherical_bessel(top_degree, wavenumber * radii_m).value() ** 2, axis=0))


def warm_up() -> None:
    """Compile now, for processes that are forked from this one."""
    axis = np.array([[0.0, 0.0, 1.0]])
    zonal_sum(np.ones((1, 1), complex), axis, np.ones((1, 1), complex), axis)


@cache
def _compiled():  # type: ignore[no-untyped-def]
    """Compile on first use: importing the package must wait neither for it nor for the compiler."""
    from numba import njit

    return njit(_loop, error_model="numpy", nogil=True, fastmath={"contract", "reassoc", "nsz"})


def _loop(cosines, one_re, one_im, other_re, other_im):  # type: ignore[no-untyped-def]
    points, others = cosines.shape
    degrees = one_re.shape[1]
    real, imaginary = np.zeros((points, others)), np.zeros((points, others))
    last, now = np.empty(others), np.empty(others)
    for p in range(points):
        last[:], now[:] = 0.0, 1.0
        for n in range(degrees):
            a_re, a_im = one_re[p, n], one_im[p, n]
            step = 1.0 / (n + 1)
            for q in range(others):
                b_re, b_im, legendre = other_re[n, q], other_im[n, q], now[q]
                real[p, q] += (a_re * b_re - a_im * b_im) * legendre
                imaginary[p, q] += (a_re * b_im + a_im * b_re) * legendre
                now[q] = ((2 * n + 1) * cosines[p, q] * legendre - n * last[q]) * step
                last[q] = legendre
    return real, imaginary
