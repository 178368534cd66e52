"""The compiled inner loop of the cap series; ``sphere_caps`` explains the recurrence.

Real and imaginary parts are apart and frequency is the innermost axis, so that the compiler can work on
several frequencies at once.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from fieldproc.conventions import Complexes, Floats


def sum_series(
    wavenumber: Floats, distance_m: Floats, radius_m: float, terms: tuple[Complexes, Complexes, Floats]
) -> Complexes:
    """Sum over degrees of growth_n(f, p) * sum over caps of amplitude[n, cap, f] legendre[n, cap, p].

    ``terms`` holds 1 / s_(n+1)(kR) (degree, F), the amplitudes (degree, cap, F) and the Legendre factors
    (degree, cap, P). Returns (F, P).
    """
    inverse_ratio, amplitude, legendre = terms
    real, imaginary = _compiled()(
        wavenumber,
        distance_m,
        radius_m,
        (np.ascontiguousarray(inverse_ratio.real), np.ascontiguousarray(inverse_ratio.imag)),
        (np.ascontiguousarray(amplitude.real), np.ascontiguousarray(amplitude.imag)),
        np.ascontiguousarray(legendre),
    )
    return np.asarray((real + 1j * imaginary).T)


@cache
def _compiled():  # type: ignore[no-untyped-def]
    """Compile on first use: importing the package must wait neither for it nor for the compiler."""
    from numba import njit

    # Division as in numpy: the check for zero would keep the loop from being vectorised.
    return njit(_loop, error_model="numpy")


def _loop(wavenumber, distance_m, radius_m, inverse_ratio, amplitude, legendre):  # type: ignore[no-untyped-def]
    inverse_re, inverse_im = inverse_ratio
    amplitude_re, amplitude_im = amplitude
    degrees, caps, points = legendre.shape
    bins = len(wavenumber)
    total_re, total_im = np.zeros((points, bins)), np.zeros((points, bins))
    outer_re, outer_im, growth_re, growth_im = np.empty(bins), np.empty(bins), np.empty(bins), np.empty(bins)
    cap_re, cap_im = np.empty(bins), np.empty(bins)
    for point in range(points):
        distance = distance_m[point]
        shrink = radius_m / distance
        for f in range(bins):
            phase = wavenumber[f] * (radius_m - distance)
            growth_re[f], growth_im[f] = shrink * np.cos(phase), shrink * np.sin(phase)
            outer_re[f], outer_im[f] = 1.0, wavenumber[f] * distance
        for degree in range(degrees):
            cap_re[:], cap_im[:] = 0.0, 0.0
            for cap in range(caps):
                factor = legendre[degree, cap, point]
                for f in range(bins):
                    cap_re[f] += factor * amplitude_re[degree, cap, f]
                    cap_im[f] += factor * amplitude_im[degree, cap, f]
            for f in range(bins):
                g_re, g_im, o_re, o_im = growth_re[f], growth_im[f], outer_re[f], outer_im[f]
                total_re[point, f] += g_re * cap_re[f] - g_im * cap_im[f]
                total_im[point, f] += g_re * cap_im[f] + g_im * cap_re[f]
                step_re = shrink * (o_re * inverse_re[degree, f] - o_im * inverse_im[degree, f])
                step_im = shrink * (o_re * inverse_im[degree, f] + o_im * inverse_re[degree, f])
                growth_re[f] = g_re * step_re - g_im * step_im
                growth_im[f] = g_re * step_im + g_im * step_re
                y = wavenumber[f] * distance
                part = y * y / (o_re * o_re + o_im * o_im)
                outer_re[f] = (2 * degree + 3) - part * o_re
                outer_im[f] = part * o_im
    return total_re, total_im
