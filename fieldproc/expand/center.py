"""The acoustic centre: the origin about which the far field needs the lowest degrees.

Measure: the mean of n (n + 1), weighted with the energy of each degree. It is the energy of the pattern's slope over
the sphere. Moving the origin by x multiplies the pattern F by exp(-ik x.u), so the measure is a quadratic in x,

    J(x) = J(0) + 2k x.Im<L F, u F> + k^2 x.(<F, F> - <u F, u F>) x,    L = n (n + 1),

and its minimum is exact. Bands are joined by adding their quadratics, which moves the centre smoothly.

Other measures of the same misalignment: Ben Hagai, Pollow, Vorlaender & Rafaely, J. Acoust. Soc. Am. 130 (2011) 2003.
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, Integers
from fieldproc.waves.basis import pattern_coefficients
from fieldproc.waves.coordinates import coordinate_products
from fieldproc.waves.indexing import coefficient_count, column_degrees

# Half-width of the window that joins frequencies, in octaves.
_WINDOW_OCTAVES = 0.5
# Weight of staying at the expansion origin, relative to the curvature of J for one wavelength per radian: where waves
# are longer than a metre or so, noise would else move the centre by centimetres.
_HOLD_PER_M2 = 0.05


def slope_quadratic(outgoing: Complexes, wavenumber: float, order: int) -> tuple[Floats, Floats]:
    """Curvature (3, 3) in 1/m^2 and slope (3,) in 1/m of J at the origin, J(x) = J(0) + 2 slope.x + x.curvature x.

    ``outgoing`` (channel, coefficient) up to ``order``. Normalised to unit energy per channel, channels averaged.
    """
    count = coefficient_count(order)
    degrees = column_degrees(order)
    pattern = pattern_coefficients(outgoing[:, :count])
    pattern = pattern / np.linalg.norm(pattern, axis=1, keepdims=True)
    products = [(matrix @ pattern.T).T for matrix in coordinate_products(order)]
    inner = np.array([[np.vdot(one, other).real for other in products] for one in products])
    slope = [np.vdot(degrees * (degrees + 1) * pattern, product[:, :count]).imag for product in products]
    channels = len(pattern)
    return wavenumber**2 * (np.eye(3) - inner / channels), wavenumber * np.array(slope) / channels


def acoustic_center(
    frequency_hz: Floats,
    wavenumber: Floats,
    outgoing: Complexes,
    orders: Integers,
    usable: Booleans,
    most_m: float,
) -> Floats:
    """Acoustic centre from the expansion origin per frequency, (frequency, 3) in metres, moving smoothly.

    ``outgoing`` (frequency, channel, coefficient) up to ``orders`` (frequency,); only ``usable`` frequencies count,
    and others take what lies between their neighbours. No centre is farther than ``most_m`` from the origin. nan
    where no frequency is usable.
    """
    rows = np.flatnonzero(usable)
    if not rows.size:
        return np.full((len(frequency_hz), 3), np.nan)
    found = [slope_quadratic(outgoing[row], float(wavenumber[row]), int(orders[row])) for row in rows]
    curvatures, slopes = (np.array(part) for part in zip(*found, strict=True))
    octaves = np.log2(frequency_hz)
    apart = np.abs(octaves[rows, None] - octaves[rows]) / _WINDOW_OCTAVES
    weight = np.where(apart < 1, np.cos(np.pi / 2 * np.minimum(apart, 1)) ** 2, 0.0)
    curvature = np.einsum("fr,rij->fij", weight, curvatures) / weight.sum(axis=1)[:, None, None]
    slope = weight @ slopes / weight.sum(axis=1)[:, None]
    found_m = -np.linalg.solve(curvature + _HOLD_PER_M2 * np.eye(3), slope[..., None])[..., 0]
    center_m = np.stack([np.interp(octaves, octaves[rows], one) for one in found_m.T], axis=1)
    distance_m = np.linalg.norm(center_m, axis=1, keepdims=True)
    return np.asarray(center_m * np.minimum(1.0, most_m / np.maximum(distance_m, np.finfo(float).tiny)))
