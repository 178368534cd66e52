"""The slow, readable twin: wave matrices straight from scipy's special functions, no scaling, no recurrences."""

from __future__ import annotations

import numpy as np
from scipy.special import sph_harm_y, spherical_jn, spherical_yn


def spiral(count: int) -> np.ndarray:
    """Directions (count, 3) spread evenly over the sphere, by the golden angle."""
    height = 1.0 - (2.0 * np.arange(count) + 1.0) / count
    azimuth = np.arange(count) * np.pi * (3.0 - np.sqrt(5.0))
    across = np.sqrt(1.0 - height**2)
    return np.stack([across * np.cos(azimuth), across * np.sin(azimuth), height], axis=1)


def harmonics_of(order: int, offsets_m: np.ndarray) -> np.ndarray:
    """Y_nm (point, coefficient)."""
    radius_m = np.linalg.norm(offsets_m, axis=1)
    colatitude = np.arccos(offsets_m[:, 2] / radius_m)
    azimuth = np.arctan2(offsets_m[:, 1], offsets_m[:, 0])
    columns = [sph_harm_y(n, m, colatitude, azimuth) for n in range(order + 1) for m in range(-n, n + 1)]
    return np.stack(columns, axis=1)


def matrix_of(offsets_m: np.ndarray, wavenumber: float, orders: tuple[int, int]) -> np.ndarray:
    """h_n^(2)(kr) Y_nm and j_n(kr) Y_nm side by side, (point, column)."""
    argument = wavenumber * np.linalg.norm(offsets_m, axis=1)
    columns = []
    for order, outgoing in zip(orders, (True, False), strict=True):
        if order < 0:
            continue
        harmonics = harmonics_of(order, offsets_m)
        for n in range(order + 1):
            radial = spherical_jn(n, argument) - (1j * spherical_yn(n, argument) if outgoing else 0)
            columns += [radial * harmonics[:, n * n + i] for i in range(2 * n + 1)]
    return np.stack(columns, axis=1)


def complex_normal(generator: np.random.Generator, *shape: int) -> np.ndarray:
    """Complex numbers of mean square 1."""
    return generator.normal(0.0, np.sqrt(0.5), (*shape, 2)).view(np.complex128)[..., 0]
