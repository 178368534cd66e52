"""Directions of balloons: grids over the whole sphere, in output axes.

Sources: AES56-2008, 5 degrees in both rotation angles about the axis (counts and names of its sets from a record of
the working group); Gauss-Legendre and equiangular sampling with 2 (N+1)^2 and 4 (N+1)^2 points for degree N, any
textbook of spherical arrays. Only "aes56" holds all 70 standard directions; its half and quarter hold those on their
meridians, the other two grids those alone that happen to fall on a point.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fieldproc.conventions import Floats, directions_from_angles

_AES56_STEP_DEG = 5
# Meridians, counted as the standard does: 0 to the loudspeaker's left (the right of whoever looks into it), 90 up.
_AES56_MERIDIANS_DEG = {
    "aes56": range(0, 360, _AES56_STEP_DEG),
    "aes56 half": range(-90, 91, _AES56_STEP_DEG),
    "aes56 quarter": range(0, 91, _AES56_STEP_DEG),
}


def balloon_directions(balloon: str | Sequence[tuple[float, float]], degree: int) -> Floats:
    """Unit vectors (direction, 3) of a balloon, each place once, always in the same order.

    Parameters
    ----------
    balloon
        "aes56": on the axis, then meridian after meridian from 0 (left, y) by 90 (up, z), each from 5 to 175 degrees
        off the axis, and last straight behind: 72 x 35 + 2 = 2522 directions. "aes56 half": meridians -90 to 90
        alone, the left half with the whole vertical plane, for a loudspeaker that is alike on its left and right:
        1297. "aes56 quarter": meridians 0 to 90, left and above, for one that is alike above and below, too: 667.
        "gauss": rings about z at Gauss-Legendre heights, top first, each with 2N+2 azimuths from 0: 2 (N+1)^2, which
        give all harmonics to degree N by quadrature. "equiangular": the same at 2N+2 equally spaced rings, half a
        step off the poles: 4 (N+1)^2. Or pairs (azimuth, elevation) in degrees.
    degree
        N of "gauss" and "equiangular"; the others have no use for it.
    """
    if not isinstance(balloon, str):
        azimuth, elevation = np.array(balloon, dtype=np.float64).T
        return _clean(directions_from_angles(azimuth, elevation))
    if balloon in _AES56_MERIDIANS_DEG:
        return _clean(_about_the_axis(np.array(_AES56_MERIDIANS_DEG[balloon], dtype=np.float64)))
    if balloon == "gauss":
        heights, _ = np.polynomial.legendre.leggauss(degree + 1)
        elevation = np.degrees(np.arcsin(heights[::-1]))
    elif balloon == "equiangular":
        rings = 2 * degree + 2
        elevation = 90.0 - 180.0 * (np.arange(rings) + 0.5) / rings
    else:
        raise ValueError(f"no balloon is called {balloon!r}")
    azimuth = 360.0 * np.arange(2 * degree + 2) / (2 * degree + 2)
    return _clean(directions_from_angles(*np.meshgrid(azimuth, elevation)).reshape(-1, 3))


def _about_the_axis(meridians_deg: Floats) -> Floats:
    """The axis, points every 5 degrees along meridians about it, and straight behind."""
    off_axis = np.radians(np.arange(_AES56_STEP_DEG, 180.0, _AES56_STEP_DEG))
    meridian, off = np.meshgrid(np.radians(meridians_deg), off_axis, indexing="ij")
    around = np.stack([np.cos(off), np.sin(off) * np.cos(meridian), np.sin(off) * np.sin(meridian)], axis=-1)
    return np.concatenate([[[1.0, 0.0, 0.0]], around.reshape(-1, 3), [[-1.0, 0.0, 0.0]]])


def _clean(directions: Floats) -> Floats:
    """Without the 1e-17 of sines and cosines at right angles, which would give poles an azimuth; no negative zero."""
    return np.asarray(np.round(directions, 15) + 0.0)
