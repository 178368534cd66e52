"""Where coverage widens and narrows over frequency, and where the beam begins to narrow at the top.

Coverage is the full angle between the -6 dB directions of one plane, as in the directivity tables. Its own smooth
course is a robust baseline of its logarithm, so that departures are percentages.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Booleans, Floats
from fieldproc.findings.trend import baseline_design, robust_operator
from fieldproc.records import FarField, Verdict
from fieldproc.tables.averages import overlaps, share_edges
from fieldproc.tables.coverage import circle_of, coverage_deg

# A course needs more values than its spline has knots.
_FEWEST = 12
# Octaves below a frequency whose median coverage it is compared with at the top.
_BEFORE_OCTAVES = 2.0


@dataclass(frozen=True, slots=True)
class BeamLimits:
    """What counts: a departure of so many percent from the smooth course, over so many octaves."""

    band_hz: tuple[float, float] = (500.0, 16000.0)
    least_percent: float = 15.0
    least_octaves: float = 1.0 / 6.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Frequencies at which coverage is wider (``percent`` > 0) or narrower than its course, most so at ``peak_hz``.

    ``coverage_deg`` is what it is there, ``course_deg`` what its course is.
    """

    lowest_hz: float
    highest_hz: float
    peak_hz: float
    percent: float
    coverage_deg: float
    course_deg: float


@dataclass(frozen=True, slots=True)
class Beam:
    """One plane: stretches by frequency, and from where on the beam is narrower than below (nan: nowhere)."""

    stretches: tuple[Stretch, ...]
    narrows_from_hz: float


def full_coverage_deg(far_field: FarField, channel: int, plane: str) -> Floats:
    """Coverage angle (frequency,), nan where -6 dB is not reached on both sides, or data may not be used."""
    coverage = np.sum(coverage_deg(circle_of(far_field, channel, plane)), axis=0)
    for verdict in (far_field.verdict, None if far_field.errors is None else far_field.errors.verdict):
        if verdict is not None:
            coverage = np.where(verdict[:, channel] == Verdict.DO_NOT_USE, np.nan, coverage)
    return np.asarray(coverage)


def beam_of(frequency_hz: Floats, coverage_deg: Floats, limits: BeamLimits) -> Beam:
    """Of one plane, from its coverage (frequency,); too few values make no stretch and no narrowing."""
    inside = (frequency_hz >= limits.band_hz[0]) & (frequency_hz <= limits.band_hz[1]) & np.isfinite(coverage_deg)
    hertz, coverage = frequency_hz[inside], coverage_deg[inside]
    if len(hertz) < _FEWEST:
        return Beam((), float("nan"))
    octave, logarithm = np.log2(hertz / 1000.0), 20.0 * np.log10(coverage)
    edges = share_edges(octave)
    smooth = baseline_design(octave)
    course = smooth @ (robust_operator(smooth, logarithm, np.diff(edges)) @ logarithm)
    percent = 100.0 * (10.0 ** ((logarithm - course) / 20.0) - 1.0)
    stretches = []
    for first, last in _runs(percent, limits.least_percent):
        if edges[last + 1] - edges[first] < limits.least_octaves:
            continue
        peak = first + int(np.argmax(np.abs(percent[first : last + 1])))
        stretches.append(
            Stretch(
                float(hertz[first]),
                float(hertz[last]),
                float(hertz[peak]),
                float(percent[peak]),
                float(coverage[peak]),
                float(10.0 ** (course[peak] / 20.0)),
            )
        )
    return Beam(tuple(stretches), _narrows_from_hz(hertz, octave, coverage, limits.least_percent))


def _runs(percent: Floats, least: float) -> list[tuple[int, int]]:
    """First and last places of every run beyond the least on one side."""
    side = np.where(np.abs(percent) >= least, np.sign(percent), 0.0)
    breaks = np.flatnonzero(np.diff(side)) + 1
    starts, stops = np.concatenate([[0], breaks]), np.concatenate([breaks, [len(side)]])
    return [(int(a), int(b) - 1) for a, b in zip(starts, stops, strict=True) if side[a] != 0.0]


def _narrows_from_hz(hertz: Floats, octave: Floats, coverage: Floats, least_percent: float) -> float:
    """Lowest frequency above which coverage stays narrower than its median over two octaves before."""
    before: Booleans = overlaps(share_edges(octave), octave - _BEFORE_OCTAVES, octave) > 0.0
    usual = np.array([np.median(coverage[own]) for own in before])
    wide = np.flatnonzero(coverage >= (1.0 - least_percent / 100.0) * usual)
    return float(hertz[wide[-1] + 1]) if wide.size and wide[-1] + 1 < len(hertz) else float("nan")
