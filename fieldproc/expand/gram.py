"""Points without symmetry, prepared once for all frequencies: real harmonics, and their moments over the radius.

A radial function is smooth over the thickness of a scan, so its values at a few radii (nodes) fix it at every point:
f(k r_i) = sum_q l_q(r_i) f(k r_q), and the same holds for a product of two. The Gram matrix of all wave
columns, 2 M K^2 operations if multiplied out at every frequency, then is a sum over nodes of matrices that no
frequency enters:

    sum_i f_n(r_i) Y_a(i) g_n'(r_i) Y_b(i) = sum_q f_n(r_q) g_n'(r_q) sum_i l_q(r_i) Y_a(i) Y_b(i)

Nodes are Chebyshev points of the logarithm of the radius, in which waves of high degree are near exponentials.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats, Integers
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count, coefficient_index, column_degrees, column_orders
from fieldproc.waves.radial import spherical_bessel, spherical_neumann

Singles = NDArray[np.float32]

# Errors of interpolation, relative to the largest value: radial functions to rounding, for the solution rests on
# them; their squares to what the single-precision Gram matrix can show.
_FUNCTION_ERROR, _SQUARE_ERROR = 1e-13, 1e-9
_NODE_STEP = 2
# Beyond either, the dense solver is the better tool (a scan that reaches from very near to far).
_MOST_NODES = 80
_MOST_BYTES = 2_500_000_000


@dataclass(frozen=True)
class IrregularGrid:
    """Points by their real harmonics and nodes in radius.

    ``harmonics`` (coefficient, point) are real, times the weight of the point; ``node_radius_m`` (node,);
    ``interpolation`` (node, point) holds l_q(r_i); ``squares`` (coefficient, node) sums l_q(r_i) times squared
    harmonics over the points; ``moments[n][n']`` for n' <= n, (node, (2n+1)(2n'+1)), sums l_q(r_i) times products
    of harmonics.
    """

    harmonics: Floats
    harmonics_single: Singles
    node_radius_m: Floats
    interpolation: Floats
    squares: Floats
    moments: list[list[Singles]]


def irregular_grid(
    offsets_m: Floats,
    radius_m: Floats,
    top_order: int,
    wavenumbers: tuple[float, float],
    weights: Floats | None = None,
) -> IrregularGrid | None:
    """Prepare points (point, 3) for all degrees up to ``top_order`` and wavenumbers from lowest to highest.

    ``radius_m`` (point,) multiplies the wavenumber: the distance from the origin, stretched by mean over local sound
    speed where that varies. ``weights`` (point,) multiply the rows of every fit. None where nodes or memory would
    not pay; the dense solver then remains.
    """
    found = _nodes(radius_m, top_order, wavenumbers)
    if found is None or 2 * len(found[0]) * coefficient_count(top_order) ** 2 > _MOST_BYTES:
        return None
    node_radius_m, interpolation = found
    harmonics = np.ascontiguousarray(_real_harmonics(top_order, offsets_m).T)
    if weights is not None:
        harmonics *= weights
    degrees = [slice(n * n, (n + 1) ** 2) for n in range(top_order + 1)]
    moments: list[list[Singles]] = [
        [np.empty((len(node_radius_m), (2 * n + 1) * (2 * other + 1)), np.float32) for other in range(n + 1)]
        for n in range(top_order + 1)
    ]
    for node, weight in enumerate(interpolation):
        whole = (harmonics * weight) @ harmonics.T
        for n, row in enumerate(moments):
            for other, block in enumerate(row):
                block[node] = whole[degrees[n], degrees[other]].ravel()
    return IrregularGrid(
        harmonics, harmonics.astype(np.float32), node_radius_m, interpolation, harmonics**2 @ interpolation.T, moments
    )


def _nodes(radius_m: Floats, top_order: int, wavenumbers: tuple[float, float]) -> tuple[Floats, Floats] | None:
    """The fewest nodes that carry squares of all radial functions at both ends of the band, and l_q(r_i)."""
    place = np.log(radius_m)
    middle, half = (place.max() + place.min()) / 2, max(np.ptp(place) / 2, 1e-6)
    place = (place - middle) / half
    for count in range(_NODE_STEP, _MOST_NODES + 1, _NODE_STEP):
        angle = np.pi * (np.arange(count) + 0.5) / count
        waves = np.arange(count)[:, None]
        # cardinal functions of the Chebyshev points as a cosine sum
        weight = np.where(waves == 0, 1.0, 2.0) / count
        interpolation = (weight * np.cos(waves * angle)).T @ np.cos(waves * np.arccos(np.clip(place, -1, 1)))
        node_radius_m = np.exp(middle + half * np.cos(angle))
        if all(_carried(k, top_order, node_radius_m, radius_m, interpolation) for k in wavenumbers):
            return node_radius_m, interpolation
    return None


def _carried(k: float, top_order: int, node_radius_m: Floats, radius_m: Floats, interpolation: Floats) -> bool:
    both = np.concatenate([node_radius_m, radius_m])
    for function in (spherical_bessel, spherical_neumann):
        radial = function(top_order, k * both).column_scaled()[0]
        for values, allowed in ((radial, _FUNCTION_ERROR), (radial**2, _SQUARE_ERROR)):
            at_nodes, true = np.split(values, [len(node_radius_m)])
            error = np.abs(interpolation.T @ at_nodes - true).max(axis=0) / np.abs(true).max(axis=0)
            if error.max() > allowed:
                return False
    return True


def _real_harmonics(top_order: int, offsets_m: Floats) -> Floats:
    """sqrt(2) Re Y_nm in the places of m > 0, sqrt(2) Im Y_n|m| in those of m < 0, Y_n0; (point, coefficient)."""
    harmonics = spherical_harmonics(top_order, offsets_m)
    order, mirrored = column_orders(top_order), mirror(top_order)
    root = np.sqrt(2.0)
    real = np.where(order > 0, root * harmonics.real, root * harmonics[:, mirrored].imag)
    return np.asarray(np.where(order == 0, harmonics.real, real))


def mirror(order: int) -> Integers:
    """Place of (n, -m) for every place (n, m)."""
    return coefficient_index(column_degrees(order), -column_orders(order))


def complex_coefficients(real: Complexes) -> Complexes:
    """Coefficients of the complex harmonics (coefficient, ...) from those of the real ones: a unitary map."""
    top_order = int(np.sqrt(len(real))) - 1
    order = column_orders(top_order).reshape(-1, *[1] * (real.ndim - 1))
    other = real[mirror(top_order)]
    # a R_m + b R_-m = c_m Y_m + c_-m Y_-m with c_m = (a - i b) / sqrt 2, c_-m = (-1)^m (a + i b) / sqrt 2
    sign = np.where(order % 2 == 0, 1.0, -1.0)
    turned = np.where(order > 0, real - 1j * other, sign * (other + 1j * real)) / np.sqrt(2.0)
    return np.asarray(np.where(order == 0, real, turned))
