"""Spherical-wave coefficients about another origin, exactly.

Turn the axes until z points along the shift, translate along z, turn back. Along z orders stay apart. With Legendre
functions P_nm normalised over t = -1 ... 1, the coefficient of degree n passes to degree n' with the factor

    T = i^(n - n') int P_n'm P_nm exp(-ikd t) dt
      = sum over l = |n - n'|, |n - n'| + 2 ... n + n' of +-(2l + 1) j_l(kd) int P_n'm P_nm P_l dt

by exp(-ikd t) = sum (2l + 1) (-i)^l j_l(kd) P_l(t), [DLMF] 10.60.7, P_l not normalised. It is the same for
outgoing and regular waves: both are sums of plane waves, and a shift multiplies each of them by a phase (Gumerov &
Duraiswami, Fast Multipole Methods for the Helmholtz Equation in Three Dimensions, 2004, chapter 3; from memory).

Accuracy: what degree n adds to degree n' is wrong by 1e-13 at most of the largest that these two degrees allow,
however small that is. The sum over l starts at |n - n'|; a quadrature of the pattern times exp(-ikd t) would have to
cancel down to it. So near fields survive at low frequencies, where coefficients of high degree are tiny (outgoing)
or huge (regular) and the radial functions make up for it. The limit is double precision: a T or a coefficient below
1e-308 is lost. Recurrences over n and n' (Gumerov & Duraiswami, SIAM J. Sci. Comput. 25 (2003) 1344; from memory)
are as accurate for small kd, but at kd = 60 they had lost four digits at degree 25, and lose more above.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cbrt, ceil, isqrt, log10, pi

import numpy as np
from scipy.special import eval_legendre, roots_legendre, sph_harm_y_all

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.waves.indexing import coefficient_count, column_degrees, column_orders
from fieldproc.waves.radial import spherical_bessel


def translate(coefficients: Complexes, wavenumber: float, shift_m: Floats, top_degree: int) -> Complexes:
    """Coefficients about the old origin plus ``shift_m``, of the same field and the same wave set.

    ``coefficients`` (..., coefficient) about the old origin, ``shift_m`` (3,) from the old origin to the new
    one; result (..., (top_degree + 1)^2). A point at x from the old origin is at x - shift_m from the new one.

    Every coefficient of the result is that of the endless series, whatever ``top_degree``. As a sum of
    outgoing waves the series holds farther from the new origin than any source, so beyond |shift_m| plus the
    radius of the source about the old origin; as a sum of regular waves, nearer to the new origin than any
    source. Many translations between the same degrees: ``Translation``. Raises ``ValueError`` where the number of
    coefficients is no square.
    """
    translation = Translation.prepare(isqrt(coefficients.shape[-1]) - 1, top_degree)
    return translation.apply(coefficients, wavenumber, shift_m)


def translated_degree(top_degree: int, wavenumber: float, distance_m: float, lost_share: float = 1e-12) -> int:
    """Degree that holds all but ``lost_share`` of the energy sum |c|^2 of translated coefficients.

    ``top_degree`` is theirs before; of all sets up to it, the share is that of the one that loses most. The rule is
    the bandwidth of a plane wave on a sphere, kd + 1.8 D^(2/3) (kd)^(1/3) for D digits of amplitude (Chew, Jin,
    Michielssen & Song, Fast and Efficient Algorithms in Computational Electromagnetics, 2001, chapter 3; from
    memory), and two degrees more, which small kd needs. It holds for kd from 0.001 to 60 and shares down to 1e-30.

    Far fields and power need no more. A near field does: at a distance r from the new origin it converges like
    (b/r)^n, where b is the distance of the farthest source.
    """
    argument = wavenumber * distance_m
    if argument == 0.0:
        return top_degree
    digits = -log10(lost_share) / 2.0
    return top_degree + 2 + ceil(argument + 1.8 * cbrt(digits**2 * argument))


@dataclass(frozen=True, slots=True)
class Translation:
    """What translations from ``input_degree`` to ``top_degree`` share, whatever their shift and wavenumber.

    Fewer degrees are the first columns of more: prepare the highest ``top_degree`` once and cut.

    ``quarter_turns`` has d^n(pi/2) of every degree, shape (2n+1, 2n+1). ``couplings`` has, for every difference
    of degrees delta = n' - n >= 0, the factors of j_l(kd) in T, shape (pair, q) with l = delta + 2q; pairs (m, n)
    are counted n = 0, 1 ..., m = 0 ... n.
    """

    input_degree: int
    top_degree: int
    quarter_turns: tuple[Floats, ...]
    couplings: tuple[Floats, ...]

    @classmethod
    def prepare(cls, input_degree: int, top_degree: int) -> Translation:
        low, high = sorted((input_degree, top_degree))
        return cls(input_degree, top_degree, _quarter_turns(high), _couplings(low, high))

    def apply(self, coefficients: Complexes, wavenumber: float, shift_m: Floats) -> Complexes:
        """``translate`` to ``top_degree``; ``coefficients`` (..., (input_degree + 1)^2).

        Raises ``ValueError`` for any other number of coefficients.
        """
        if coefficients.shape[-1] != coefficient_count(self.input_degree):
            raise ValueError(f"{coefficients.shape[-1]} coefficients are not those of degree {self.input_degree}")
        flat = coefficients.reshape(-1, coefficients.shape[-1])
        x, y, z = (float(component) for component in shift_m)
        if x == 0.0 and y == 0.0:
            # no turn, so that orders stay apart to the last bit
            moved = self._along_z(flat, wavenumber * z)
        else:
            moved = self._through_turned_axes(flat, wavenumber, (x, y, z))
        return moved.reshape(*coefficients.shape[:-1], -1)

    def _through_turned_axes(
        self, flat: Complexes, wavenumber: float, shift_m: tuple[float, float, float]
    ) -> Complexes:
        """Turn z to the shift: 90 degrees about y, the colatitude about z, back about y, about z to the azimuth.

        Only the turns about z depend on the shift, and they are mere phases.
        """
        x, y, z = shift_m
        across = float(np.hypot(x, y))
        orders = column_orders(max(self.input_degree, self.top_degree))
        azimuth = np.exp(1j * (np.arctan2(y, x) - pi / 2.0) * orders)
        colatitude = np.exp(1j * np.arctan2(across, z) * orders)
        before, after = coefficient_count(self.input_degree), coefficient_count(self.top_degree)
        turned = self._turn(self._turn(flat * azimuth[:before], back=True) * colatitude[:before])
        moved = self._along_z(turned, wavenumber * float(np.hypot(across, z)))
        returned = self._turn(self._turn(moved, back=True) * colatitude[:after].conj())
        return np.asarray(returned * azimuth[:after].conj())

    def _turn(self, flat: Complexes, back: bool = False) -> Complexes:
        """Coefficients in axes turned by 90 degrees about y, or by -90."""
        rows = _real_rows(flat)
        parts = [
            rows[:, n * n : (n + 1) ** 2] @ (turn.T if back else turn)
            for n, turn in enumerate(self.quarter_turns[: isqrt(flat.shape[-1])])
        ]
        return _complex_rows(np.concatenate(parts, axis=1))

    def _along_z(self, flat: Complexes, argument: float) -> Complexes:
        """Shift by argument / k along z, either way."""
        rows = _real_rows(flat)
        low = min(self.input_degree, self.top_degree)
        table = self._axial(argument)[np.abs(np.arange(-low, low + 1))]
        ordered = np.zeros((2 * low + 1, len(rows), self.input_degree + 1))
        degrees, orders, kept = _columns_up_to_order(self.input_degree, low)
        ordered[orders + low, :, degrees] = rows[:, kept].T
        moved = ordered @ table
        result = np.zeros((len(rows), coefficient_count(self.top_degree)))
        degrees, orders, kept = _columns_up_to_order(self.top_degree, low)
        result[:, kept] = moved[orders + low, :, degrees].T
        return _complex_rows(result)

    def _axial(self, argument: float) -> Floats:
        """T for kd = ``argument`` along z (negative: along -z), shape (order >= 0, input degree, top degree)."""
        low, high = sorted((self.input_degree, self.top_degree))
        degrees = np.arange(low + high + 1)
        if argument == 0.0:
            weights = (degrees == 0).astype(np.float64)
        else:
            bessel = spherical_bessel(low + high, np.array([abs(argument)])).value()[0]
            weights = (2.0 * degrees + 1.0) * bessel * np.sign(argument) ** degrees
        table = np.zeros((low + 1, low + 1, high + 1))
        every_n, every_m = _pairs(low)
        for delta, coupling in enumerate(self.couplings):
            pairs, terms = coupling.shape
            n, m = every_n[:pairs], every_m[:pairs]
            up = coupling @ weights[delta::2][:terms]
            # the other way between two degrees is the same but for a sign
            down = up * (-1.0) ** delta
            if self.input_degree > self.top_degree:
                up, down = down, up
            table[m, n, n + delta] = up
            both = n + delta <= low
            table[m[both], n[both] + delta, n[both]] = down[both]
        return table.swapaxes(1, 2) if self.input_degree > self.top_degree else table


def _real_rows(flat: Complexes) -> Floats:
    """Real parts of all rows, then imaginary parts: turns and shifts along z are real, which halves the work."""
    # Never a single row either: the library spreads a vector times a matrix over threads, small as it is.
    return np.concatenate([flat.real, flat.imag])


def _complex_rows(rows: Floats) -> Complexes:
    real, imaginary = np.split(rows, 2)
    return np.asarray(real + 1j * imaginary)


def _pairs(top_degree: int) -> tuple[Integers, Integers]:
    """Degree n and order m of all pairs with 0 <= m <= n <= top_degree, in the order of ``couplings``."""
    n, m = np.tril_indices(top_degree + 1)
    return n, m


def _columns_up_to_order(top_degree: int, top_order: int) -> tuple[Integers, Integers, Integers]:
    """Degree, order and column of all coefficients with orders up to ``top_order`` either way."""
    degrees, orders = column_degrees(top_degree), column_orders(top_degree)
    kept = np.flatnonzero(np.abs(orders) <= top_order)
    return degrees[kept], orders[kept], kept


def _couplings(low: int, high: int) -> tuple[Floats, ...]:
    """(-1)^(delta + q) int P_nm P_(n + delta)m P_l dt for all delta <= high and n <= low, see ``Translation``.

    A quadrature that is exact: the polynomials have degree 2(low + high) at most. They are even, so half the
    points do.
    """
    half = (low + high + 2) // 2
    points = roots_legendre(2 * half)[0][half:]
    legendre = eval_legendre(np.arange(2 * half)[:, None], points)
    # the library's own weights are good to 5e-12 only; these, Christoffel's, to rounding
    weights = 1.0 / ((np.arange(2 * half) + 0.5) @ legendre**2)
    legendre *= 2.0 * weights
    # sqrt(2 pi) takes the azimuth out of the harmonics; the rectangle is (degree, order, point)
    rectangle = sph_harm_y_all(high, low, np.arccos(points), 0.0)[:, : low + 1].real * np.sqrt(2.0 * pi)
    couplings = []
    for delta in range(high + 1):
        top = min(low, high - delta)
        n, m = _pairs(top)
        signs = (-1.0) ** (delta + np.arange(top + 1))
        projected = (rectangle[n, m] * rectangle[n + delta, m]) @ legendre[delta : delta + 2 * top + 1 : 2].T
        couplings.append(projected * signs)
    return tuple(couplings)


def _quarter_turns(top_degree: int) -> tuple[Floats, ...]:
    """d^n_m'm(pi/2) = <m'| exp(-i pi/2 J_y) |m> for n = 0 ... top_degree, each (2n+1, 2n+1).

    The edges |m| = n or |m'| = n are square roots of binomials; inside, degree n follows from the two before it
    (Kostelec & Rockmore, J. Fourier Anal. Appl. 14 (2008) 145, without their normalisation; from memory).
    """
    turns = [np.ones((1, 1))]
    for n in range(1, top_degree + 1):
        turn = np.zeros((2 * n + 1, 2 * n + 1))
        turn[1:-1, 1:-1] = _next_turn(n, turns)
        # sqrt(binomial(2n, n + m)) / 2^n for m = -n ... n, each from the one before
        steps = np.arange(1, 2 * n + 1)
        edge = 2.0**-n * np.cumprod(np.concatenate([[1.0], np.sqrt((2 * n + 1 - steps) / steps)]))
        alternating = edge * (-1.0) ** np.arange(2 * n + 1)
        turn[:, -1], turn[-1] = edge, alternating
        turn[:, 0], turn[0] = alternating, edge
        turns.append(turn)
    return tuple(turns)


def _next_turn(n: int, turns: list[Floats]) -> Floats:
    """Inner part of d^n(pi/2), |m| and |m'| below n, from ``turns`` of degrees n - 1 and n - 2."""
    before = turns[n - 1]
    if n == 1:
        return np.zeros((1, 1))
    orders = np.arange(1 - n, n)
    product = np.outer(orders, orders)
    earlier = np.zeros_like(before)
    earlier[1:-1, 1:-1] = turns[n - 2]
    root = np.sqrt((n - 1) ** 2 - orders**2)
    behind = np.outer(root, root) / ((n - 1) * (2 * n - 1)) * earlier
    root = np.sqrt(n**2 - orders**2)
    return np.asarray((-product / (n * (n - 1)) * before - behind) * (n * (2 * n - 1)) / np.outer(root, root))
