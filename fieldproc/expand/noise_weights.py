"""How much every point counts where the points are not equally noisy."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.errors import NumericalError
from fieldproc.records import Spectra

# Noise re the median beyond which a point counts no less, or more: 30 dB.
_MOST_RATIO = 10.0**1.5
# Below this gain of noise power, 1 dB, weights cost more than they bring: equal rings lose their fast fit.
_LEAST_GAIN = 10.0**0.1


def noise_weights(spectra: Spectra) -> Floats | None:
    """One over the noise of each point, rms over usable frequencies and channels re that of all points.

    Shape (point,), mean square 1; ``None`` where the points are so alike that equal weights do as well.
    Raises ``NumericalError`` where the noise is not known.
    """
    if spectra.noise_pa is None:
        raise NumericalError(
            "expand",
            "noise of the points",
            "not known",
            "silent records, quiet before the direct sound, or repeats",
            'record these, or set expansion.point_weights = "equal"',
        )
    power = spectra.noise_pa[spectra.usable] ** 2
    mean = np.mean(power / power.mean(axis=2, keepdims=True), axis=(0, 1))
    relative = np.clip(mean / np.median(mean), _MOST_RATIO**-2, _MOST_RATIO**2)
    # noise power of a mean of equal weights re that of the best weights
    if np.mean(relative) * np.mean(1.0 / relative) < _LEAST_GAIN:
        return None
    return np.asarray(np.sqrt(1.0 / relative / np.mean(1.0 / relative)))
