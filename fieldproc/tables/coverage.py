"""Coverage angles: how far from the axis the level first falls by 6 dB, on either side, in one plane.

Source: coverage angle between the -6 dB directions, IEC 60268-5 (clause 23.4, number from memory).

Levels stand at equal steps around a circle. Between them runs the polynomial of degree 7 through the eight nearest
squared magnitudes. Squared magnitudes, because they do not depend on the origin that phases are counted from: where
the axis origin is half a metre off the source, pressure turns by up to three radians per degree at 20 kHz. Eight,
because no farther direction then has a say: neither a step behind a baffle nor a direction without data. Against
closed forms the full angle errs by less than 1e-5 degrees for first-order patterns at any step up to 10 degrees. For
a piston in a wall it errs by less than 1e-4 degrees in steps of 1, by 0.02 in steps of 5 from five steps of coverage
up, and by 0.05 in steps of 10 from five; by 1 degree down to two and a half steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import BarycentricInterpolator
from scipy.special import comb

from fieldproc.conventions import PLANES, Floats, Integers
from fieldproc.records import FarField
from fieldproc.tables.polar import MISSING, match_directions

# -6 dB as written, amplitude 10^(-6/20) = 0.5012, not one half: 0.27 degrees apart for a cardioid.
COVERAGE_DROP_DB = -6.0
_DROP = 10.0 ** (COVERAGE_DROP_DB / 10.0)
_STEPS_DEG = (1, 2, 5, 10)
# Samples -3 .. 4 steps from the last one above -6 dB; where data lack among them, the two around the crossing.
_STENCILS = (np.arange(-3, 5), np.arange(2))
# Halvings of a step: below 1e-11 of it.
_HALVINGS = 37


@dataclass(frozen=True, slots=True)
class Circle:
    """Squared magnitudes, shape (frequency, angle), at 0, ``step_deg``, ... below 360 degrees."""

    step_deg: int
    power: Floats


def circle_of(far_field: FarField, channel: int, plane: str) -> Circle:
    """The circle of one plane ("horizontal", "vertical") in the finest step of 1, 2, 5 or 10 degrees held throughout.

    Where not even 10 degrees are, the directions that lack are nan.
    """
    for step_deg in _STEPS_DEG:
        index = match_directions(far_field.directions, PLANES[plane](np.arange(0.0, 360.0, step_deg)))
        if np.all(index != MISSING):
            break
    power = np.abs(far_field.pressure_pa[:, channel, index]) ** 2
    power[:, index == MISSING] = np.nan
    return Circle(step_deg, power)


def coverage_deg(circle: Circle) -> tuple[Floats, Floats]:
    """Angles from the axis to the first crossing of -6 dB: towards positive angles (left, up), and negative ones.

    Each (frequency,) and positive; nan where it is not reached, or data lack on the way.
    """
    backward = Circle(circle.step_deg, np.roll(circle.power[:, ::-1], 1, axis=1))
    return _first_crossing_deg(circle), _first_crossing_deg(backward)


def _first_crossing_deg(circle: Circle) -> Floats:
    # nothing on the axis: 0/0, undefined
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = circle.power / circle.power[:, :1]
    half_turn = relative[:, : relative.shape[1] // 2 + 1]
    # A nan ahead of the crossing leaves open whether there was an earlier one.
    stop = ~(half_turn > _DROP)
    outer = np.argmax(stop, axis=1)
    found = np.flatnonzero(stop.any(axis=1) & np.isfinite(half_turn[np.arange(len(outer)), outer]) & (outer > 0))
    crossing = np.full(len(outer), np.nan)
    for stencil in _STENCILS:
        open_yet = found[np.isnan(crossing[found])]
        inner = outer[open_yet] - 1
        crossing[open_yet] = circle.step_deg * (inner + _within_step(relative[open_yet], inner, stencil))
    return crossing


def _within_step(relative: Floats, inner: Integers, stencil: Integers) -> Floats:
    """Where between sample ``inner`` (frequency,) and the next the interpolant is -6 dB: 0 to 1."""
    columns = (inner[:, None] + stencil) % relative.shape[1]
    samples = np.take_along_axis(relative, columns, axis=1)
    # interpolation is linear in the samples: one row of weights per frequency and trial
    low, high = np.zeros(len(inner)), np.ones(len(inner))
    # weights of equal steps; the library's own come in an order drawn at random, and so does their rounding
    last = len(stencil) - 1
    weights = (-1.0) ** np.arange(last + 1) * comb(last, np.arange(last + 1))
    basis = BarycentricInterpolator(stencil.astype(np.float64), np.eye(last + 1), wi=weights)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = np.sum(basis(middle) * samples, axis=1) > _DROP
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    position = 0.5 * (low + high)
    position[~np.isfinite(samples).all(axis=1)] = np.nan
    return position
