"""Colours as readers see them: sRGB to CIE 1976 L*a*b*, and colour vision deficiencies at full severity."""

from __future__ import annotations

import numpy as np
from matplotlib.colors import to_rgb

from fieldproc.conventions import Floats

# Linear-light matrices at full severity: Machado, Oliveira and Fernandes, "A physiologically-based model for
# simulation of color vision deficiency", IEEE TVCG 15 (2009), table of pre-computed matrices (from memory;
# every row sums to one, as it must for white to stay white).
DEFICIENCIES = {
    "none": np.eye(3),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
}


def linear_light(color: str) -> Floats:
    """sRGB decoding, IEC 61966-2-1."""
    encoded = np.array(to_rgb(color))
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def lab(light: Floats) -> Floats:
    """CIE 1976 L*a*b* (white point D65) of linear sRGB."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    ratio = (to_xyz @ light) / to_xyz.sum(axis=1)
    knee = 6 / 29
    x, y, z = np.where(ratio > knee**3, np.cbrt(ratio), ratio / (3 * knee**2) + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])
