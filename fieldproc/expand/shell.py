"""Do the points lie on one surface or fill a shell? Only a shell can tell outgoing from regular waves.

On a single surface, radius is a function of direction, and both sets describe the same pressures: a
fit of both has a small residual and a far field that is wrong by any amount.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from fieldproc.conventions import Booleans, Floats, Integers

# Neighbours per local fit of radius over direction (six coefficients of a quadratic).
_NEIGHBOURS = 16
# A shell thinner than this share of its radius: position errors of a robot, or a surface's own curvature
# between neighbours, look like that too.
THINNEST_SHELL = 0.008
# Two surfaces are at an even distance where it varies by less than this share, and near to half a wavelength
# apart within this share of the frequency: the default grid has a row that near.
_EVEN, _NEAR = 0.05, 0.02


def thinnest_shell(surface: Integers) -> float:
    """What ``shell_thickness`` must reach before outgoing and regular waves are told apart.

    The edges of one coarsely scanned cylinder look like a shell, by about 4 pi / points at the worst of the
    shapes we tried; only a file that names its surfaces, two or more, is spared that doubt.
    """
    if np.all(surface >= 0) and np.ptp(surface) > 0:
        return THINNEST_SHELL
    return max(THINNEST_SHELL, 1.2 * 4.0 * np.pi / len(surface))


def shell_thickness(offsets_m: Floats) -> float:
    """Median spread of radius among angular neighbours that no smooth surface explains, relative.

    ``offsets_m`` (point, 3) from the expansion origin. Two surfaces 5 cm apart at 0.45 m give about 0.05, a
    sphere 0, a single cylinder a few thousandths.
    """
    radius_m = np.linalg.norm(offsets_m, axis=1)
    count = min(_NEIGHBOURS, len(offsets_m))
    if count < _NEIGHBOURS:
        return 0.0
    directions = offsets_m / radius_m[:, None]
    _, neighbours = cKDTree(directions).query(directions, k=count)
    # tangent-plane coordinates about each point
    relative = directions[neighbours] - directions[:, None, :]
    axes = np.linalg.svd(directions[:, None, :])[2][:, 1:, :]
    u, v = np.moveaxis(np.einsum("pnx,pax->pna", relative, axes), -1, 0)
    scale = np.maximum(np.hypot(u, v).max(axis=1, keepdims=True), np.finfo(float).tiny)
    u, v = u / scale, v / scale
    design = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
    radii = radius_m[neighbours]
    # a Householder-safe projection: coincident directions make the design rank-deficient
    explained = np.einsum("pij,pjk,pk->pi", design, np.linalg.pinv(design), radii)
    spread = np.sqrt(np.sum((radii - explained) ** 2, axis=1) / (count - design.shape[-1]))
    return float(np.median(spread / radius_m))


def half_wave(wavenumber: Floats, offsets_m: Floats, surface: Integers) -> Booleans:
    """Where two surfaces at an even distance d are a multiple of half a wavelength apart, kd = n pi (wavenumber,).

    Radial functions of low degree then look alike at both radii, whichever set they belong to (Weinreich & Arnold,
    J. Acoust. Soc. Am. 68 (1980) 404). A third surface, or an uneven distance, tells them apart.
    """
    radius_m = np.linalg.norm(offsets_m, axis=1)
    if np.all(surface >= 0):
        inner = surface == surface.min()
        two = len(np.unique(surface)) == 2
    else:
        inner = radius_m < (radius_m.min() + radius_m.max()) / 2
        two = not inner.all()
    if not two:
        return np.zeros(len(wavenumber), dtype=np.bool_)
    directions = offsets_m / radius_m[:, None]
    _, nearest = cKDTree(directions[inner]).query(directions[~inner])
    distance_m = radius_m[~inner] - radius_m[inner][nearest]
    mean_m = float(distance_m.mean())
    if mean_m <= 0 or distance_m.std() > _EVEN * mean_m:
        return np.zeros(len(wavenumber), dtype=np.bool_)
    halves = wavenumber * mean_m / np.pi
    whole = np.maximum(np.rint(halves), 1.0)
    return np.asarray(np.abs(halves / whole - 1.0) <= _NEAR)
