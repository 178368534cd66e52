"""Spherical Bessel and Hankel functions that neither overflow nor underflow.

|h_60| at kr = 0.005 is about 1e220 and |h_100| passes the largest double, so every value is carried as
``mantissa * 2**exponent``; powers of two scale exactly. Error, tested against arbitrary precision for
degrees up to 100 and arguments from 0.004 to 880: at most 1e-12 relative to the function where
x <= n, and relative to |h_n(x)| where x > n (there the functions oscillate through zeros).

Recurrences: [DLMF] 10.51.1; the ratio j_n / j_(n-1) by its continued fraction, [DLMF] 10.33 with 10.47.3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats


@dataclass(frozen=True, slots=True)
class Scaled:
    """``mantissa * 2**exponent``, degree on the last axis."""

    mantissa: NDArray[Any]
    exponent: NDArray[np.int64]

    def column_scaled(self) -> tuple[NDArray[Any], NDArray[np.int64]]:
        """Values divided by 2**exponent per degree so that the largest of each degree is near one.

        For ``mantissa`` of shape (..., argument, degree): scaled values of that shape, exponent of shape
        (..., degree). True value = scaled * 2**exponent.
        """
        column_exponent = self.exponent.max(axis=-2)
        return ldexp(self.mantissa, self.exponent - column_exponent[..., None, :]), column_exponent

    def stacked(self, count: int) -> Scaled:
        """The arguments as a stack of ``count`` equal lots: (count, argument, degree)."""
        shape = (count, -1, self.mantissa.shape[-1])
        return Scaled(self.mantissa.reshape(shape), self.exponent.reshape(shape))

    def value(self) -> NDArray[Any]:
        """Plain floating-point values; overflows to inf where double precision ends."""
        return ldexp(self.mantissa, self.exponent)


def ldexp(values: NDArray[Any], exponent: NDArray[np.int64]) -> NDArray[Any]:
    """``values * 2**exponent``, exact, for real or complex values (numpy's own takes real ones only)."""
    if np.iscomplexobj(values):
        scaled = np.empty(np.broadcast_shapes(values.shape, exponent.shape), dtype=np.complex128)
        scaled.real = np.ldexp(values.real, exponent)
        scaled.imag = np.ldexp(values.imag, exponent)
        return scaled
    return np.asarray(np.ldexp(values, exponent))


def spherical_bessel(top_degree: int, argument: Floats) -> Scaled:
    """j_n(x) for n = 0..top_degree and x > 0; ``argument`` of shape (argument,), result (argument, degree).

    Upward recurrence up to n = x, where it is stable; beyond, j_n = j_(n-1) times the ratio from the
    continued fraction, which holds full relative accuracy however small j_n becomes.
    """
    x = np.asarray(argument, dtype=np.float64)
    ratio = _bessel_ratios(top_degree, x)
    mantissa = np.empty((top_degree + 1, x.size))
    exponent = np.zeros((top_degree + 1, x.size), dtype=np.int64)
    mantissa[0] = np.sin(x) / x
    for n in range(1, top_degree + 1):
        # (2n-1)/x j_(n-1) - j_(n-2); its first step uses j_(-1) = cos(x)/x
        before = np.cos(x) / x if n == 1 else mantissa[n - 2]
        upward = (2 * n - 1) / x * mantissa[n - 1] - before
        # n <= x keeps the exponent at zero, so the upward branch never mixes scales
        step, shift = np.frexp(np.where(n <= x, upward, mantissa[n - 1] * ratio[n]))
        beyond = n > x
        mantissa[n] = np.where(beyond, step, upward)
        exponent[n] = exponent[n - 1] + np.where(beyond, shift, 0)
    return Scaled(mantissa.T, exponent.T)


def _bessel_ratios(top_degree: int, x: Floats) -> Floats:
    """j_n / j_(n-1), shape (degree, argument), meaningful where n > x.

    The fraction is entered where j_n/y_n has fallen below rounding for every x < n; its width grows
    with the cube root of n, as the turning region of the Bessel equation does.
    """
    ratio = np.zeros((top_degree + 1, x.size))
    tail = np.zeros_like(x)
    start = top_degree + 12 + int(9 * max(top_degree, 1) ** (1 / 3))
    with np.errstate(divide="ignore", over="ignore"):
        for n in range(start, 0, -1):
            tail = 1.0 / ((2 * n + 1) / x - tail)
            if n <= top_degree:
                ratio[n] = tail
    # where n <= x the fraction may pass through infinity; nobody reads it there
    return np.nan_to_num(ratio, posinf=0.0, neginf=0.0)


def spherical_neumann(top_degree: int, argument: Floats) -> Scaled:
    """y_n(x), shapes as in ``spherical_bessel``; the upward recurrence is stable for y at every n."""
    x = np.asarray(argument, dtype=np.float64)
    mantissa = np.empty((top_degree + 1, x.size))
    exponent = np.zeros((top_degree + 1, x.size), dtype=np.int64)
    # previous and current share one exponent per argument, renormalised at every step
    previous, current = np.sin(x) / x, -np.cos(x) / x
    common = np.zeros(x.size, dtype=np.int64)
    mantissa[0] = current
    for n in range(1, top_degree + 1):
        previous, current = current, (2 * n - 1) / x * current - previous
        mantissa[n], exponent[n] = current, common
        _, shift = np.frexp(np.maximum(np.abs(previous), np.abs(current)))
        previous, current = np.ldexp(previous, -shift), np.ldexp(current, -shift)
        common = common + shift
    return Scaled(mantissa.T, exponent.T)


def spherical_hankel2(top_degree: int, argument: Floats) -> Scaled:
    """h_n^(2)(x) = j_n(x) - i y_n(x), shapes as in ``spherical_bessel``: the outgoing wave."""
    regular = spherical_bessel(top_degree, argument)
    singular = spherical_neumann(top_degree, argument)
    # y carries the larger exponent wherever the two differ; j lands on its scale (or underflows to zero)
    mantissa: Complexes = np.empty(regular.mantissa.shape, dtype=np.complex128)
    mantissa.real = np.ldexp(regular.mantissa, regular.exponent - singular.exponent)
    mantissa.imag = -singular.mantissa
    return Scaled(mantissa, singular.exponent)
