"""Fits beyond what the points carry: outgoing waves of random sources, most of them near a compact centre.

At the top of the band a loudspeaker has more degrees than a scan has points, but few of them matter: nearly all sound
leaves one small driver, and the rest of the cabinet adds a little by diffraction. Both are known beforehand only in
the mean: sources at random within a small sphere about the acoustic centre, and weaker ones within a large sphere
about the expansion origin. That is a prior of every degree about two centres. Given it, the most probable field
follows from the points, however few (Gaussian regression; the points' covariance has as many rows as there are
points, whatever the degrees). Radii, shares and noise are those under which the scan itself is most probable, found
at a few frequencies and smooth over frequency.

Empirical-Bayes weights as in Pereira, Antoni & Leclere, Applied Acoustics 97 (2015) 11; leave-one-out errors in
closed form from the inverse, Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), 5.4.2 (memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import linalg

from fieldproc.conventions import Complexes, Floats, Integers, amplitude_db
from fieldproc.expand.center import slope_quadratic
from fieldproc.expand.cost import in_words
from fieldproc.expand.dense import WaveFit, noise_of
from fieldproc.expand.fitting import OneOrigin
from fieldproc.expand.order import OrderPlan, far_field_truncation
from fieldproc.expand.regions import Region, RegionSpread
from fieldproc.side_by_side import side_by_side
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.radial import spherical_hankel2
from fieldproc.waves.zonal import source_degrees, source_variance, zonal_sum

# Beyond so many points, the covariance takes more than a few GiB.
MOST_POINTS = 6000
# Waves of one origin are solved as they are up to this share of unknowns per point.
PLAIN_SHARE = 0.5
# Highest degree of the coefficients that are handed on.
_TOP_DEGREE = 100
# Values that the likelihood chooses from: radii re the radius of the source, share of the sources outside the compact
# centre and noise, both of the power at the points.
_GRID = (
    np.array([0.55, 0.75, 1.0]),
    np.array([0.06, 0.1, 0.16, 0.25, 0.4, 0.6]),
    10.0 ** np.arange(-4.5, 0.0, 0.5),
    10.0 ** np.arange(-7.0, 0.0, 0.5),
)
_START = (1, 2, 5, 6)
_JUDGED, _JUDGED_POINTS = 6, 1000
# Directions of the posterior variance: evenly spread, enough for its mean over the sphere.
_DIRECTIONS = 200
# Rows whose acoustic centre is the compact one, and their spread.
_CENTER_ROWS, _CENTER_OCTAVES = 5, 0.5


@dataclass(frozen=True, slots=True)
class Prior:
    """Radii in metres of both source regions, share of the large one and of the noise, both of the mean power."""

    cabinet_m: float
    compact_m: float
    share: float
    noise: float


class CompactFit:
    """The :class:`Fitting` with compact-centre fits where the points don't carry waves of one origin plainly."""

    def __init__(self, one: OneOrigin, source_radius_m: float) -> None:
        self.one, self.solver, self.source_radius_m = one, one.solver, source_radius_m
        plan, points = one.plan, len(self.solver.offsets_m)
        self.points: Integers = np.setdiff1d(np.arange(points), self.solver.left_out)
        usable = np.array([self.solver.has_sound(row) for row in range(len(plan.unknowns))])
        plain = plan.carried & (plan.unknowns <= PLAIN_SHARE * points)
        # whatever single rows below are, above the last that the points carry plainly all are compact
        last = int(np.flatnonzero(plain & usable).max(initial=-1))
        self.rows: Integers = np.flatnonzero(usable & (np.arange(len(plain)) > last))
        self.center_m = self._compact_center(last) if last >= 0 else np.zeros(3)
        self.priors = self._priors() if self.rows.size else {}
        self.plan = self._plan()

    def fit(self, rows: list[int], *, spread: bool = False) -> list[WaveFit]:
        """See :class:`Fitting`."""
        if rows[0] not in self.priors:
            return self.one.fit(rows, spread=spread)
        return [self._fit(row, self.priors[row], spread) for row in rows]

    def bytes_each(self) -> int:
        """See :class:`Fitting`."""
        return max(self.one.bytes_each(), self._bytes() if self.rows.size else 0)

    def cost(self) -> str:
        """See :class:`Fitting`."""
        told = self.one.cost()
        if not self.rows.size:
            return told
        at_hz, points = self.solver.spectra.frequency_hz[self.rows[0]], len(self.solver.offsets_m)
        return f"{told}; from {at_hz:.0f} Hz {in_words('from a compact centre', points, points, self._bytes())}"

    def _bytes(self) -> int:
        points, top = len(self.solver.offsets_m), coefficient_count(int(self.plan.outgoing.max()))
        return 16 * points * (4 * points + top)

    def _plan(self) -> OrderPlan:
        plan = self.one.plan
        outgoing, carried, divided = plan.outgoing.copy(), plan.carried.copy(), plan.divided.copy()
        truncation_db, unknowns = plan.truncation_db.copy(), plan.unknowns.copy()
        for row, prior in self.priors.items():
            k, reach_m = self.wavenumber(row), self._reach_m(prior)
            outgoing[row] = min(source_degrees(k, reach_m), _TOP_DEGREE)
            # the prior holds what the points cannot, and the posterior says how well; it knows of no top degree
            carried[row], divided[row] = True, True
            truncation_db[row] = amplitude_db(far_field_truncation(np.array([k]), reach_m)[0, outgoing[row]])
            unknowns[row] = len(self.solver.offsets_m)
        return OrderPlan(outgoing, plan.regular, carried, truncation_db, unknowns, divided)

    def _reach_m(self, prior: Prior) -> float:
        """From the expansion origin to the farthest source of either region."""
        return max(prior.cabinet_m, float(np.linalg.norm(self.center_m)) + prior.compact_m)

    def _compact_center(self, last: int) -> Floats:
        """Acoustic centre of the highest plainly solved frequencies, from the expansion origin in metres."""
        frequency_hz = self.solver.spectra.frequency_hz
        near = np.flatnonzero(frequency_hz[: last + 1] >= frequency_hz[last] * 2.0**-_CENTER_OCTAVES)
        picked = near[np.unique(np.linspace(0, len(near) - 1, _CENTER_ROWS).astype(int))]
        curvature, slope = np.zeros((3, 3)), np.zeros(3)
        for row in picked:
            order = int(self.one.plan.outgoing[row])
            more = slope_quadratic(self.one.fit([int(row)])[0].outgoing, self.wavenumber(int(row)), order)
            curvature, slope = curvature + more[0], slope + more[1]
        found_m = -np.linalg.solve(curvature, slope)
        return np.asarray(found_m * min(1.0, self.source_radius_m / max(float(np.linalg.norm(found_m)), 1e-9)))

    def wavenumber(self, row: int) -> float:
        """Mean over the points."""
        return float(self.solver.wavenumber(row).mean())

    def _region(self, row: int, center_m: Floats, radius_m: float, points: Integers) -> Region:
        offsets_m = self.solver.offsets_m[points] - center_m
        distance_m = np.linalg.norm(offsets_m, axis=1)
        k = self.wavenumber(row)
        top = min(source_degrees(k, radius_m), _TOP_DEGREE)
        radial = spherical_hankel2(top, self.solver.wavenumber(row)[points] * distance_m).value()
        return Region(radial, offsets_m / distance_m[:, None], source_variance(k, radius_m, top))

    def _priors(self) -> dict[int, Prior]:
        """Most probable priors at a few rows, and what lies between them on a scale of logarithms."""
        judged = self.rows[np.unique(np.linspace(0, len(self.rows) - 1, _JUDGED).round().astype(int))]
        few = np.random.default_rng(1).permutation(self.points)[:_JUDGED_POINTS]
        found = list(side_by_side(lambda at: self._most_probable(int(judged[at]), few), len(judged), heavy=True))
        octaves = np.log2(self.solver.spectra.frequency_hz)
        knots = np.log([[one.cabinet_m, one.compact_m, one.share, one.noise] for one in found])
        smooth = np.exp([np.interp(octaves[self.rows], octaves[judged], column) for column in knots.T])
        return {int(row): Prior(*map(float, values)) for row, values in zip(self.rows, smooth.T, strict=True)}

    def _most_probable(self, row: int, points: Integers) -> Prior:
        """Coordinate descent over the grid, from a step that suits most loudspeakers."""
        weights = self.solver.weights(row)[points]
        pressure = self.solver.pressure(row)[:, points] / weights
        kernels: dict[tuple[int, int], Complexes] = {}
        scores: dict[tuple[int, ...], float] = {}

        def kernel(region: int, at: int) -> Complexes:
            if (region, at) not in kernels:
                center_m = np.zeros(3) if region == 0 else self.center_m
                seen = self._region(row, center_m, _GRID[region][at] * self.source_radius_m, points)
                kernels[region, at] = seen.covariance() / seen.power()
            return kernels[region, at]

        def score(at: tuple[int, ...]) -> float:
            if at not in scores:
                share, noise = _GRID[2][at[2]], _GRID[3][at[3]]
                covariance = share * kernel(0, at[0]) + (1.0 - share) * kernel(1, at[1])
                scores[at] = _log_likelihood(covariance, noise / weights**2, pressure)
            return scores[at]

        least = self._least_noise(row, points)
        best: tuple[int, ...] = (*_START[:3], max(_START[3], least))
        while True:
            moves = [(*best[:i], best[i] + step, *best[i + 1 :]) for i in range(4) for step in (-1, 1)]
            inside = [m for m in moves if all(0 <= at < len(grid) for at, grid in zip(m, _GRID, strict=True))]
            inside = [m for m in inside if m[3] >= least]
            better = max(inside, key=score)
            if score(better) <= score(best):
                break
            best = better
        cabinet, compact, share, noise = (float(grid[at]) for grid, at in zip(_GRID, best, strict=True))
        return Prior(cabinet * self.source_radius_m, compact * self.source_radius_m, share, noise)

    def _least_noise(self, row: int, points: Integers) -> int:
        """First place on the grid that does not deny what is known of the noise."""
        noise_pa = self.solver.spectra.noise_pa
        if noise_pa is None:
            return 0
        known = np.mean((noise_pa[row] * self.solver.weights(row))[:, points] ** 2)
        share = float(known / np.mean(np.abs(self.solver.pressure(row)[:, points]) ** 2))
        return min(int(np.searchsorted(_GRID[3], share)), len(_GRID[3]) - 1)

    def _fit(self, row: int, prior: Prior, spread: bool) -> WaveFit:
        points, k = self.points, self.wavenumber(row)
        weights = self.solver.weights(row)[points]
        pressure = self.solver.pressure(row)[:, points] / weights
        shares = (prior.share, 1.0 - prior.share)
        centers_m, radii_m = (np.zeros(3), self.center_m), (prior.cabinet_m, prior.compact_m)
        regions = [self._region(row, *each, points) for each in zip(centers_m, radii_m, strict=True)]
        # variances of the coefficients for a mean power of one at the points
        regions = [
            replace(region, variance=region.variance * share / region.power())
            for region, share in zip(regions, shares, strict=True)
        ]
        covariance = sum(region.covariance() for region in regions)
        diagonal = prior.noise / weights**2
        factor = linalg.cholesky(covariance + np.diag(diagonal), lower=True, overwrite_a=True, check_finite=False)
        solved = linalg.cho_solve((factor, True), pressure.T, check_finite=False).T
        scale = np.mean((solved.conj() * pressure).real, axis=1)
        inverse = linalg.solve_triangular(factor, np.eye(len(factor)), lower=True, check_finite=False)
        leverage = 1.0 - diagonal * np.sum(np.abs(inverse) ** 2, axis=0)
        residual = diagonal * solved
        leverage = np.tile(leverage, (len(pressure), 1))
        noise = noise_of(residual, leverage)
        variance = self._far_field_variance(k, regions, centers_m, inverse)
        seen = RegionSpread(
            wavenumber=k,
            top_degree=int(self.plan.outgoing[row]),
            points=points,
            regions=regions,
            centers_m=centers_m,
            factor=factor,
            diagonal=diagonal,
            unit=np.sqrt(scale) / noise,
        )
        return WaveFit(
            outgoing=seen.coefficients(solved),
            regular=np.zeros((len(pressure), 0), dtype=np.complex128),
            residual=self._everywhere(residual, 0.0),
            leverage=self._everywhere(leverage, 1.0),
            # of the factor, from below; the posterior, not this, says what is determined
            condition=float(np.exp(np.ptp(np.log(np.diag(factor).real)))),
            # of the coefficients, per unit variance at a point
            far_field_variance=4.0 * np.pi * k**2 * variance * scale / noise**2,
            noise=noise,
            room_to_direct=np.zeros(len(pressure)),
            weight=np.full(len(pressure), prior.noise),
            spread=seen if spread else None,
        )

    def _everywhere(self, values: Any, elsewhere: float) -> Any:
        """Values of the points that count (channel, point), among those of all points."""
        whole = np.full((len(values), len(self.solver.offsets_m)), elsewhere, dtype=values.dtype)
        whole[:, self.points] = values
        return whole

    def _far_field_variance(
        self, k: float, regions: list[Region], centers_m: tuple[Floats, Floats], inverse: Complexes
    ) -> float:
        """Posterior variance of the far field at 1 m, mean over the sphere, in units of the prior's power."""
        index = np.arange(_DIRECTIONS) + 0.5
        height, azimuth = 1.0 - 2.0 * index / _DIRECTIONS, index * np.pi * (3.0 - np.sqrt(5.0))
        across = np.sqrt(1.0 - height**2)
        unit = np.stack([across * np.cos(azimuth), across * np.sin(azimuth), height], axis=1)
        cross = np.zeros((_DIRECTIONS, len(inverse)), dtype=np.complex128)
        before = 0.0
        for region, center_m in zip(regions, centers_m, strict=True):
            degrees = np.arange(len(region.variance))
            far = np.tile(1j ** (degrees + 1) / k, (_DIRECTIONS, 1)) * np.exp(1j * k * (unit @ center_m))[:, None]
            cross += zonal_sum(far, unit, region.weighted(), region.unit)
            before += float(np.sum(region.variance * (2 * degrees + 1)) / (4.0 * np.pi * k**2))
        known = np.sum(np.abs(inverse @ cross.conj().T) ** 2, axis=0)
        return max(before - float(known.mean()), 0.0)


def _log_likelihood(covariance: Complexes, noise: Floats, pressure: Complexes) -> float:
    """Of pressures (channel, point), each channel at its most probable scale; constants left out."""
    factor = linalg.cholesky(covariance + np.diag(noise), lower=True, overwrite_a=True, check_finite=False)
    white = linalg.solve_triangular(factor, pressure.T, lower=True, check_finite=False)
    determinant = 2.0 * float(np.sum(np.log(np.diag(factor).real)))
    fits = len(factor) * np.log(np.sum(np.abs(white) ** 2, axis=0))
    return -float(np.sum(fits) + len(pressure) * determinant)
