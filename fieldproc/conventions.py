"""Every convention of the package, in one place.

========================  =====================================================================
time                      exp(+i omega t): a delay tau multiplies a spectrum by exp(-i omega tau)
outgoing wave             h_n^(2)(kr) = j_n(kr) - i y_n(kr), falls off as exp(-ikr)/r
regular wave              j_n(kr), finite at the origin: what arrives from the room
spherical harmonics       orthonormal, Condon-Shortley phase, exp(+i m azimuth), as in
                          ``scipy.special.sph_harm_y(n, m, colatitude, azimuth)``
coefficient order         column = n*n + n + m for degree n and order m
axes                      right-handed, metres; seen from above with the loudspeaker facing x,
                          y is to its left and z is up (AES69)
azimuth                   0 at x', counter-clockwise seen from above, positive to the left
elevation                 0 in the horizontal plane, positive up
colatitude                90 degrees minus elevation
horizontal angle a        direction (cos a, sin a, 0): positive to the loudspeaker's left
vertical angle v          direction (cos v, 0, sin v): positive up; |v| > 90 is behind the loudspeaker
pressure                  rms phasor in pascal at the drive voltage of the session
level                     20 lg(|p| / 20 uPa)
phase                     degrees, wrapped to (-180, 180], propagation over the distance removed
========================  =====================================================================

x', y', z' are the output axes: x' is the axis direction, z' is "up" made orthogonal to it,
y' = z' cross x'. Angles and distances count from the axis origin.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Integers = NDArray[np.int64]
Booleans = NDArray[np.bool_]

REFERENCE_PRESSURE_PA = 20e-6
REFERENCE_POWER_W = 1e-12
REFERENCE_DISTANCE_M = 1.0
DEFAULT_DRIVE_VOLTAGE_V = 2.83
DEFAULT_TEMPERATURE_C = 20.0

# The 36 angles of a polar table, -170 to 180 degrees. ANSI/CTA-2034-A measures these in two planes.
POLAR_ANGLES_DEG: tuple[int, ...] = tuple(range(-170, 181, 10))


def level_db(pressure_pa: NDArray[np.generic]) -> Floats:
    """Sound pressure level re 20 uPa of rms pressures (any shape); ``-inf`` where the pressure is zero."""
    return amplitude_db(np.abs(pressure_pa) / REFERENCE_PRESSURE_PA)


def amplitude_db(ratio: NDArray[np.generic] | float) -> Floats:
    """20 lg of a non-negative amplitude ratio; ``-inf`` at zero, ``nan`` stays ``nan``."""
    with np.errstate(divide="ignore"):
        return np.asarray(20.0 * np.log10(ratio), dtype=np.float64)


def power_db(ratio: NDArray[np.generic] | float) -> Floats:
    """10 lg of a non-negative power ratio; ``-inf`` at zero, ``nan`` stays ``nan``."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(ratio), dtype=np.float64)


def phase_deg(pressure: Complexes) -> Floats:
    """Phase wrapped to (-180, 180] degrees."""
    phase = np.degrees(np.angle(pressure))
    return np.where(phase <= -180.0, phase + 360.0, phase)


def known_phase_deg(pressure: Complexes, known: bool | Booleans = True) -> Floats:
    """As :func:`phase_deg`, nan where there is none: silence has no phase, and neither have imported magnitudes."""
    return np.where(np.isfinite(level_db(pressure)) & known, phase_deg(pressure), np.nan)


def directions_from_angles(azimuth_deg: Floats, elevation_deg: Floats) -> Floats:
    """Unit vectors in output axes, shape (..., 3), from azimuth and elevation in degrees."""
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    return np.stack(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)],
        axis=-1,
    )


def angles_from_directions(directions: Floats) -> tuple[Floats, Floats]:
    """Azimuth in (-180, 180] and elevation in degrees of vectors of shape (..., 3)."""
    x, y, z = np.moveaxis(np.asarray(directions, dtype=np.float64), -1, 0)
    azimuth = np.degrees(np.arctan2(y, x))
    azimuth = np.where(azimuth <= -180.0, azimuth + 360.0, azimuth)
    return azimuth, np.degrees(np.arctan2(z, np.hypot(x, y)))


def horizontal_directions(angles_deg: Floats) -> Floats:
    """Unit vectors (cos a, sin a, 0), shape (angle, 3): positive angles are to the loudspeaker's left."""
    angle = np.radians(np.asarray(angles_deg, dtype=np.float64))
    return np.stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)], axis=-1)


def vertical_directions(angles_deg: Floats) -> Floats:
    """Unit vectors (cos v, 0, sin v), shape (angle, 3): positive angles are up."""
    angle = np.radians(np.asarray(angles_deg, dtype=np.float64))
    return np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=-1)


# Directions of a plane by the angles in it.
PLANES: Mapping[str, Callable[[Floats], Floats]] = {
    "horizontal": horizontal_directions,
    "vertical": vertical_directions,
}


def polar_directions() -> Floats:
    """Unit vectors of ``POLAR_ANGLES_DEG`` in the horizontal plane, then in the vertical one, shape (72, 3)."""
    angles = np.array(POLAR_ANGLES_DEG, dtype=np.float64)
    return np.concatenate([horizontal_directions(angles), vertical_directions(angles)])


def fine_polar_directions() -> Floats:
    """Unit vectors of every degree, -179 to 180, in the horizontal plane, then in the vertical one, shape (720, 3).

    Those of :func:`polar_directions` are among them.
    """
    angles = np.arange(-179.0, 181.0)
    return np.concatenate([horizontal_directions(angles), vertical_directions(angles)])


def mirrored(positions_m: Floats, origin_m: Floats, axes: Floats, distances_m: Floats) -> list[Floats]:
    """Positions (point, 3) as each wall mirrors them: front, rear, left, right, up, down of the axis origin.

    ``axes`` are those of :func:`output_axes`; an infinite distance is no wall.
    """
    forward, left, up = axes
    normals = [forward, -forward, left, -left, up, -up]
    walls = [(normal, away) for normal, away in zip(normals, distances_m, strict=True) if np.isfinite(away)]
    return [
        positions_m + 2.0 * (away - (positions_m - origin_m) @ normal)[:, None] * normal for normal, away in walls
    ]


def output_axes(axis_direction: Floats, up_direction: Floats) -> Floats:
    """Rotation matrix whose rows are x', y', z' in scan axes; ``rotation @ v`` gives output components.

    Raises ``ValueError`` when the two directions are parallel or zero.
    """
    axis = np.asarray(axis_direction, dtype=np.float64)
    up = np.asarray(up_direction, dtype=np.float64)
    if not np.linalg.norm(axis) > 0:
        raise ValueError("the axis direction is a zero vector")
    front = axis / np.linalg.norm(axis)
    above = up - (up @ front) * front
    # 1e-6 of the length: closer than that, rounding in the file decides where "up" points.
    if not np.linalg.norm(above) > 1e-6 * np.linalg.norm(up):
        raise ValueError("the up direction is parallel to the axis direction")
    above /= np.linalg.norm(above)
    return np.stack([front, np.cross(above, front), above])


def wavenumber(frequency_hz: Floats | float, sound_speed_m_per_s: Floats | float) -> Floats:
    """k = 2 pi f / c in rad/m."""
    return np.asarray(2.0 * np.pi * np.asarray(frequency_hz) / np.asarray(sound_speed_m_per_s))
