"""A loudspeaker and its room, solved exactly: a vibrating cap on a rigid sphere beside a rigid wall.

The sphere sits at the origin, the wall is the plane z = -d. The wall is replaced by the mirrored sphere
at z = -2d, whose outgoing waves arrive at the real one as regular waves and are scattered there again:

    b = b0 + T c,    c = E(2d) diag((-1)^(n+m)) b,    T = -j_n'(ka) / h_n'(ka)

with b the outgoing coefficients, c the regular ones, b0 those of the free field (image and
multiple-scattering principle: Gaunaurd & Huang, J. Acoust. Soc. Am. 96 (1994) 2526, cited from memory). The
translation E is not taken from any recurrence: the shifted outgoing waves are projected on spheres by
Gauss-Legendre quadrature. Nothing here uses the package under test, only scipy.special.

exp(+i omega t), h^(2), column = n*n + n + m, orthonormal harmonics with Condon-Shortley phase.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import eval_legendre, roots_legendre, sph_harm_y_all, spherical_jn, spherical_yn

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

# Radii of the projection spheres as fractions of the image distance 2d, and Gauss nodes on each. Every
# pair of degrees is best seen on a sphere of its own, about n/(n + n') of the distance.
PROJECTION_FRACTIONS = np.arange(0.1, 0.91, 0.1)
GAUSS_NODES = 200


@dataclass(frozen=True)
class CoupledTruth:
    """Coefficients in pascal, shape (coefficient,), for a cap on which dp/dr = 1 Pa/m.

    ``outgoing`` and ``regular`` with the wall, ``free_field`` the outgoing ones without it.
    """

    wavenumber: float
    sphere_radius_m: float
    wall_distance_m: float
    outgoing: Complexes
    regular: Complexes
    free_field: Complexes

    def pressure(self, points_m: Floats) -> Complexes:
        """Pressure at (point, 3) in front of the wall and outside the sphere: sphere and image, both direct.

        The regular coefficients are not used, so this holds at any distance.
        """
        mirrored = self.outgoing * mirror_signs(_top_degree(self.outgoing))
        return outgoing_field(self.wavenumber, self.outgoing, points_m) + outgoing_field(
            self.wavenumber, mirrored, points_m - self.image_m
        )

    def free_pressure(self, points_m: Floats) -> Complexes:
        """Pressure at (point, 3) of the same cap on the same sphere without a wall."""
        return outgoing_field(self.wavenumber, self.free_field, points_m)

    @property
    def image_m(self) -> Floats:
        """Centre of the mirrored sphere."""
        return np.array([0.0, 0.0, -2.0 * self.wall_distance_m])


def coupled_truth(
    frequency_hz: float,
    sphere_radius_m: float,
    cap_half_angle_rad: float,
    cap_direction: Floats,
    wall_distance_m: float,
    expansion_order: int,
    sound_speed: float,
) -> CoupledTruth:
    """Solve the sphere, its cap and the wall up to degree ``expansion_order``."""
    k = 2.0 * np.pi * frequency_hz / sound_speed
    ka = k * sphere_radius_m
    degree, order = degrees_and_orders(expansion_order)
    free_field = cap_on_sphere(k, sphere_radius_m, cap_half_angle_rad, cap_direction, expansion_order)
    translation = axial_translation(k, 2.0 * wall_distance_m, expansion_order)
    surface = hankel2(degree, ka)
    reflection = -spherical_jn(degree, ka, derivative=True) / hankel2(degree, ka, derivative=True)
    outgoing, regular = np.zeros_like(free_field), np.zeros_like(free_field)
    for m in range(-expansion_order, expansion_order + 1):
        # everything is symmetric about z, so each order m is a system of its own
        own = np.flatnonzero(order == m)
        block = translation[abs(m)][np.ix_(degree[own], degree[own])]
        image = block * (-1.0) ** (degree[own] + m)
        # unknowns are the pressures b_n h_n(ka) on the sphere: the bare b_n differ by dozens of decades
        scattering = (surface * reflection)[own, None] * image / surface[own]
        on_sphere = np.linalg.solve(np.eye(len(own)) - scattering, (surface * free_field)[own])
        outgoing[own] = on_sphere / surface[own]
        regular[own] = image @ outgoing[own]
    return CoupledTruth(k, sphere_radius_m, wall_distance_m, outgoing, regular, free_field)


def cap_on_sphere(
    wavenumber: float, sphere_radius_m: float, cap_half_angle_rad: float, cap_direction: Floats, top_degree: int
) -> Complexes:
    """Outgoing coefficients of a cap with dp/dr = 1 Pa/m on a rigid sphere in free field."""
    degree, _ = degrees_and_orders(top_degree)
    edge = np.cos(cap_half_angle_rad)
    # the cap is sum of w_n P_n; P_(-1) = 1
    below = np.where(degree > 0, eval_legendre(np.maximum(degree - 1, 0), edge), 1.0)
    weight = 0.5 * (below - eval_legendre(degree + 1, edge))
    towards_cap = harmonics(top_degree, np.atleast_2d(cap_direction))[0].conj()
    slope = wavenumber * hankel2(degree, wavenumber * sphere_radius_m, derivative=True)
    return 4.0 * np.pi / (2 * degree + 1) * weight * towards_cap / slope


def axial_translation(wavenumber: float, distance_m: float, top_degree: int) -> Complexes:
    """E[m, n, n']: h_n'(kr') Y_n'm(x') = sum over n of E j_n(kr) Y_nm(x), x' = x + distance along z.

    On a sphere of radius r the projection of the left side on Y_nm is E j_n(kr). It is taken on many
    spheres and combined by least squares, each weighted by the rounding error to expect there: that
    of the largest value of the projected wave. So neither a small nor a vanishing j_n(kr) costs digits.
    """
    cosine, gauss_weight = roots_legendre(GAUSS_NODES)
    sine = np.sqrt(1.0 - cosine**2)
    degrees = np.arange(top_degree + 1)
    # complex although it is real: a product of mixed types is a hundred times slower
    here = _meridian(top_degree, np.arccos(cosine)) * (2.0 * np.pi * gauss_weight + 0j)
    numerator = np.zeros((top_degree + 1,) * 3, dtype=np.complex128)
    denominator = np.zeros((top_degree + 1,) * 3)
    for radius_m in PROJECTION_FRACTIONS * distance_m:
        x, z = radius_m * sine, radius_m * cosine + distance_m
        radial = hankel2(degrees[:, None], wavenumber * np.hypot(x, z))
        shifted = radial * _meridian(top_degree, np.arctan2(x, z))
        projection = here @ np.swapaxes(shifted, 1, 2)
        regular = spherical_jn(degrees, wavenumber * radius_m)[None, :, None]
        # where n' < m there is no wave; any finite weight does
        certainty = 1.0 / np.maximum(np.max(np.abs(shifted), axis=2), 1e-100)[:, None, :] ** 2
        numerator += certainty * regular * projection
        denominator += certainty * regular**2
    return numerator / denominator


def outgoing_field(wavenumber: float, coefficients: Complexes, offsets_m: Floats) -> Complexes:
    """sum of c h_n^(2)(kr) Y_nm at (point, 3)."""
    top_degree = _top_degree(coefficients)
    degree, _ = degrees_and_orders(top_degree)
    radius_m = np.linalg.norm(offsets_m, axis=1)
    radial = hankel2(np.arange(top_degree + 1), wavenumber * radius_m[:, None])[:, degree]
    return (radial * harmonics(top_degree, offsets_m)) @ coefficients


def regular_field(wavenumber: float, coefficients: Complexes, offsets_m: Floats) -> Complexes:
    """sum of c j_n(kr) Y_nm at (point, 3)."""
    top_degree = _top_degree(coefficients)
    degree, _ = degrees_and_orders(top_degree)
    radius_m = np.linalg.norm(offsets_m, axis=1)
    radial = spherical_jn(np.arange(top_degree + 1), wavenumber * radius_m[:, None])[:, degree]
    return (radial * harmonics(top_degree, offsets_m)) @ coefficients


def hankel2(degree: NDArray[np.int64], argument: Floats | float, derivative: bool = False) -> Complexes:
    """h_n^(2) or its derivative."""
    return spherical_jn(degree, argument, derivative) - 1j * spherical_yn(degree, argument, derivative)


def harmonics(top_degree: int, directions: Floats) -> Complexes:
    """Y_nm at (point, 3), shape (point, coefficient)."""
    degree, order = degrees_and_orders(top_degree)
    colatitude = np.arctan2(np.hypot(directions[:, 0], directions[:, 1]), directions[:, 2])
    azimuth = np.arctan2(directions[:, 1], directions[:, 0])
    return sph_harm_y_all(top_degree, top_degree, colatitude, azimuth)[degree, order].T


def degrees_and_orders(top_degree: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Degree and order of every column."""
    pairs = [(n, m) for n in range(top_degree + 1) for m in range(-n, n + 1)]
    return np.array([n for n, _ in pairs]), np.array([m for _, m in pairs])


def mirror_signs(top_degree: int) -> Floats:
    """(-1)^(n+m): what turning z into -z does to Y_nm."""
    degree, order = degrees_and_orders(top_degree)
    return (-1.0) ** (degree + order)


def _meridian(top_degree: int, colatitude: Floats) -> Floats:
    """Y_nm at azimuth 0 for m >= 0, shape (m, n, node)."""
    table = sph_harm_y_all(top_degree, top_degree, colatitude, np.zeros_like(colatitude)).real
    return np.swapaxes(table[:, : top_degree + 1], 0, 1)


def _top_degree(coefficients: Complexes) -> int:
    return int(np.sqrt(coefficients.size)) - 1
