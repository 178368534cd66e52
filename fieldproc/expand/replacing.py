"""Fits that leave out bad points and keep their places: the others predict what belongs there.

A point whose data are the prediction of a fit without it changes nothing in that fit. So rings stay rings, whatever
solver does the fit. With S = I - H, the error of predicting the bad points B from the others is S_BB^-1 (S p)_B; S_B
comes from fits of unit pressures, which go through the same call as the data.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fieldproc.conventions import Complexes, Integers
from fieldproc.expand.dense import WaveFit, noise_of

# Fits of pressures (frequency, channel, point), any number of channels.
Fit = Callable[[Complexes], list[WaveFit]]

# What a regularised fit may still say at the bad points, re the rms pressure: its weight follows the data, so that it
# settles step by step, each at most half of the last.
_SETTLED = 1e-5
_MOST_STEPS = 30


def fit_without(fit: Fit, pressure_pa: Complexes, bad: Integers) -> tuple[Complexes, list[WaveFit]]:
    """Pressures (frequency, channel, point) with the ``bad`` points (indices) predicted, and the fits without them.

    The pressures at bad points may be anything, nan too. Residuals there are zero and leverages one, noise and
    variances those of the other points; the condition alone is that of all points.
    """
    channels, points = pressure_pa.shape[1:]
    filled = pressure_pa.copy()
    filled[:, :, bad] = 0.0
    ones = np.zeros((len(filled), len(bad), points), dtype=np.complex128)
    ones[:, np.arange(len(bad)), bad] = 1.0
    together = fit(np.concatenate([filled, ones], axis=1))
    units = [_channels(one, slice(channels, None)) for one in together]
    for row, (one, unit) in enumerate(zip(together, units, strict=True)):
        filled[row][:, bad] = -np.linalg.solve(unit.residual[:, bad].T, one.residual[:channels, bad].T).T
    fits = fit(filled)
    level = np.sqrt(np.mean(np.abs(filled) ** 2, axis=2, keepdims=True))
    for _ in range(_MOST_STEPS):
        missed = np.array([one.residual[:, bad] for one in fits])
        if not np.any(np.abs(missed) > _SETTLED * level):
            break
        spare = np.array([one.spare[:, bad] for one in fits])
        # halved, so that no step overshoots: S_BB lies between zero and one
        filled[:, :, bad] -= missed / np.maximum(spare, 0.5)
        fits = fit(filled)
    return filled, [_left_out(one, unit, bad) for one, unit in zip(fits, units, strict=True)]


def _channels(fit: WaveFit, which: slice) -> WaveFit:
    """Some channels of a fit."""
    return replace(fit, outgoing=fit.outgoing[which], residual=fit.residual[which])


def _left_out(fit: WaveFit, unit: WaveFit, bad: Integers) -> WaveFit:
    """What a fit with predicted points knows of the others alone; ``unit`` are the fits of unit pressures."""
    inverse = np.linalg.inv(unit.residual[:, bad].T)
    leverage = fit.leverage + np.sum((inverse.T @ unit.residual) * unit.residual.conj(), axis=0).real
    leverage[:, bad] = 1.0
    residual = fit.residual.copy()
    residual[:, bad] = 0.0
    variance = np.sum((inverse.T @ unit.outgoing) * unit.outgoing.conj()).real
    return replace(
        fit,
        residual=residual,
        leverage=np.minimum(leverage, 1.0),
        noise=noise_of(residual, leverage),
        far_field_variance=fit.far_field_variance + variance,
    )
