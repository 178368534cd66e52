"""What a rigid body makes of the waves that reach it: outgoing coefficients T b from regular ones b.

Both are about the body's centre. T of a sphere is in closed form; that of a box comes from the pressure on its
surface (``panels.py``), which radiates as a layer of dipoles:

    a_nm = -ik int p d/dn [j_n(kr) conj(Y_nm)] dS

by the addition theorem, [DLMF] 10.60.2, valid from the enclosing sphere outward. Errors go with the square of the
panels' width: of two meshes, one twice as fine, 4/3 of the finer less 1/3 of the coarser cancels them (Richardson's
extrapolation). A third of their difference is the error of the finer one alone; what remains is smaller, so that
third is what we state. Measured against finer meshes: stated 0.4 to 2 %, true 0.1 to 1.2 %, worst for flat boxes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

import numpy as np
from scipy.sparse import csr_array

from fieldproc.conventions import Complexes, Floats
from fieldproc.waves.basis import wave_columns
from fieldproc.waves.coordinates import coordinate_products
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count, coefficient_index, column_degrees, column_orders
from fieldproc.waves.panels import OCTANTS, OctantPanels, octant_panels
from fieldproc.waves.radial import Scaled, ldexp, spherical_bessel, spherical_hankel2
from fieldproc.waves.translation import Translation, translated_degree

# Widest panel of the coarser mesh in radians of the wave, a third of a wavelength.
_WIDEST_PANEL_RAD = 2.0
# Panels along the shortest half edge of the coarser mesh where waves are long; longer ones get more.
_FEWEST_PANELS = 3
_MORE_PANELS = 2.0
# Panels of the coarser mesh on an eighth of the box: time grows with the cube, 0.8 s at this many.
_MOST_PANELS = 165.0
# Share of the energy that a move to the body's centre and back may lose: amplitudes to 1e-8.
_LOST_SHARE = 1e-16


class RigidBody(Protocol):
    """A body at the origin, in its own axes, that scatters the waves which reach it."""

    @property
    def top_wavenumber(self) -> float:
        """The highest wavenumber up to which ``scattered`` is to be believed, in rad/m."""

    def scattered(self, wavenumber: float, regular: Complexes, order: int) -> tuple[Complexes, Floats]:
        """T b up to degree ``order``, and its relative error.

        ``regular`` b (..., coefficient); results (..., (order + 1)^2) and (...), the latter of the norm of T b,
        as of its rms far field. Raises ``ValueError`` above ``top_wavenumber``.
        """


@dataclass(frozen=True, slots=True)
class RigidSphere:
    """T = -j_n'(ka) / h_n'(ka) (Morse & Ingard, Theoretical Acoustics, 1968, section 8.2; from memory)."""

    radius_m: float

    @classmethod
    def of_volume(cls, size_m: Floats) -> RigidSphere:
        """As large as a box of edges ``size_m``."""
        return cls(float(np.cbrt(3.0 * np.prod(size_m) / (4.0 * np.pi))))

    @property
    def top_wavenumber(self) -> float:
        """No limit."""
        return np.inf

    def scattered(self, wavenumber: float, regular: Complexes, order: int) -> tuple[Complexes, Floats]:
        """See :class:`RigidBody`; exact to 1e-12."""
        argument = np.array([wavenumber * self.radius_m])
        inward = _slope(spherical_bessel(order + 1, argument), argument[0])
        outward = _slope(spherical_hankel2(order + 1, argument), argument[0])
        ratio, exponent = -inward.mantissa / outward.mantissa, inward.exponent - outward.exponent
        degrees = column_degrees(order)
        given = _of_order(regular, order)
        return ldexp(given * ratio[degrees], exponent[degrees]), np.full(regular.shape[:-1], 1e-12)


@dataclass(frozen=True, slots=True)
class RigidBox:
    """Edges ``size_m`` along x, y, z."""

    size_m: tuple[float, float, float]

    @property
    def top_wavenumber(self) -> float:
        """Where an eighth of the surface would take more panels than are worth their time."""
        x, y, z = (size / 2.0 for size in self.size_m)
        return float(_WIDEST_PANEL_RAD * 2.0 / np.pi * np.sqrt(_MOST_PANELS / (x * y + y * z + z * x)))

    def scattered(self, wavenumber: float, regular: Complexes, order: int) -> tuple[Complexes, Floats]:
        """See :class:`RigidBody`. All degrees of ``regular`` are taken: they cost next to nothing beside the panels.

        Which ones matter, the waves decide: on a box of half diagonal a, j_n(ka) dies out beyond degree ka.
        """
        if wavenumber > self.top_wavenumber:
            raise ValueError(f"wavenumber {wavenumber:.4g} rad/m, above {self.top_wavenumber:.4g} of this box")
        flat = regular.reshape(-1, regular.shape[-1])
        coarse, fine = (
            scattered_by_panels(octant_panels(self.size_m, counts), wavenumber, flat, order)
            for counts in self._meshes(wavenumber)
        )
        extrapolated = (4.0 * fine - coarse) / 3.0
        size = np.linalg.norm(extrapolated, axis=1)
        error = np.linalg.norm(fine - coarse, axis=1) / 3.0 / np.where(size > 0, size, 1.0)
        return extrapolated.reshape(*regular.shape[:-1], -1), error.reshape(regular.shape[:-1])

    def _meshes(self, wavenumber: float) -> tuple[tuple[int, int, int], tuple[int, int, int]]:
        """Panels along the half edges of the coarser mesh, and twice as many."""
        half_m = np.array(self.size_m) / 2.0
        # the widest panel of n, those in the middle of a face, is pi / 2n of the half edge
        waves = half_m * wavenumber * np.pi / (2.0 * _WIDEST_PANEL_RAD)
        shape = _MORE_PANELS * np.sqrt(half_m / half_m.min())
        x, y, z = (int(count) for count in np.ceil(np.maximum(np.maximum(waves, shape), _FEWEST_PANELS)))
        return (x, y, z), (2 * x, 2 * y, 2 * z)


def scattered_by_panels(panels: OctantPanels, wavenumber: float, regular: Complexes, order: int) -> Complexes:
    """T b as one mesh has it: ``regular`` (wave, coefficient), result (wave, (order + 1)^2)."""
    given = int(np.sqrt(regular.shape[1])) - 1
    top = max(given, order + 1)
    radius_m = np.linalg.norm(panels.points_m, axis=1)
    columns, exponent = wave_columns("regular", top, _harmonics(panels, top), wavenumber * radius_m)
    share = np.array([_of_class(regular, signs) for signs in OCTANTS])
    known = coefficient_count(given)
    incident = columns[:, :known] @ ldexp(share, exponent[:known]).swapaxes(1, 2)
    pressure = panels.surface_pressure(wavenumber, incident)
    read = coefficient_count(order + 1)
    waves = columns[: panels.count, :read].conj() * panels.area_m2[:, None]
    result = np.zeros((len(regular), coefficient_count(order)), dtype=np.complex128)
    for axis, gradient in enumerate(_gradients(order)):
        face = panels.axis == axis
        across = np.where(np.arange(3) == axis, -1.0, 1.0)
        moments = ldexp(pressure[:, face].swapaxes(1, 2) @ waves[face], exponent[:read])
        # the normal is odd in its own axis; eight octants
        for part, signs in zip(moments, OCTANTS, strict=True):
            result += 8.0 * (gradient.conj().T @ _of_class(part, signs * across).T).T
    return np.asarray(-1j * wavenumber**2 * result)


def scattered_about_origin(
    body: RigidBody, center_m: Floats, wavenumber: float, regular: Complexes, order: int
) -> tuple[Complexes, Floats]:
    """T b of a body at ``center_m`` (3,), both coefficients about the origin; else as ``RigidBody.scattered``.

    Outgoing waves about the origin hold beyond the sphere about it that encloses the body.
    """
    distance_m = float(np.linalg.norm(center_m))
    if distance_m == 0.0:
        return body.scattered(wavenumber, regular, order)
    given = int(np.sqrt(regular.shape[-1])) - 1
    arriving = translated_degree(given, wavenumber, distance_m, _LOST_SHARE)
    leaving = translated_degree(order, wavenumber, distance_m, _LOST_SHARE)
    there = _translation(given, arriving).apply(regular, wavenumber, center_m)
    scattered, error = body.scattered(wavenumber, there, leaving)
    return _translation(leaving, order).apply(scattered, wavenumber, -center_m), error


def mirrored(coefficients: Complexes, axis: int) -> Complexes:
    """Coefficients (..., coefficient) of the field mirrored in the plane through the origin across ``axis``."""
    order = int(np.sqrt(coefficients.shape[-1])) - 1
    n, m = column_degrees(order), column_orders(order)
    if axis == 2:
        return np.asarray(coefficients * (-1.0) ** (n + m))
    turned = coefficients[..., coefficient_index(n, -m)]
    return np.asarray(turned * (-1.0) ** m) if axis == 1 else np.asarray(turned)


def _of_class(coefficients: Complexes, signs: Floats) -> Complexes:
    """The part that is even (+1) or odd (-1) in x, y and z."""
    for axis, sign in enumerate(signs):
        coefficients = (coefficients + sign * mirrored(coefficients, axis)) / 2.0
    return coefficients


def _slope(function: Scaled, argument: float) -> Scaled:
    """f_n' = n f_n / x - f_(n+1), [DLMF] 10.51.2, all degrees but the last, shape (degree,)."""
    mantissa, exponent = function.mantissa[0], function.exponent[0]
    following = ldexp(mantissa[1:], exponent[1:] - exponent[:-1])
    return Scaled(np.arange(len(following)) / argument * mantissa[:-1] - following, exponent[:-1])


def _of_order(coefficients: Complexes, order: int) -> Complexes:
    """Cut, or filled up with zeros, to degree ``order``."""
    missing = max(coefficient_count(order) - coefficients.shape[-1], 0)
    widths = [(0, 0)] * (coefficients.ndim - 1) + [(0, missing)]
    return np.pad(coefficients, widths)[..., : coefficient_count(order)]


@lru_cache(maxsize=16)
def _harmonics(panels: OctantPanels, order: int) -> Complexes:
    return spherical_harmonics(order, panels.points_m)


@lru_cache(maxsize=64)
def _gradients(order: int) -> tuple[csr_array, ...]:
    """d/dx, d/dy, d/dz of j_n(kr) Y_nm over k, each ((order + 2)^2, (order + 1)^2).

    The coordinate times Y_nm, but for the sign of what goes up a degree: both from the same plane waves, of which
    the gradient takes ik times the direction, and i^n belongs to degree n.
    """
    before, after = column_degrees(order), column_degrees(order + 1)
    gradients = []
    for matrix in coordinate_products(order):
        entries = matrix.tocoo()
        up = after[entries.row] > before[entries.col]
        values = np.where(up, -entries.data, entries.data)
        gradients.append(csr_array((values, (entries.row, entries.col)), shape=matrix.shape))
    return tuple(gradients)


@lru_cache(maxsize=32)
def _translation(given: int, top: int) -> Translation:
    return Translation.prepare(given, top)
