"""Wave fits at a few frequencies of a scan, to ask what the waves do not explain.

Points are left out of these fits exactly and cheaply: with S = I - H (H the hat matrix of all points) and B the
points left out, the error of predicting them from the others is e = S_BB^-1 (S p)_B, and what is left at the others
is S p - S_B e. S_B are the residuals of unit pressures at B, so nothing is factorised again.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, Integers, wavenumber
from fieldproc.expand.dense import Seen, WaveFit
from fieldproc.expand.geometry import expansion_origin, source_reach
from fieldproc.expand.order import automatic_orders
from fieldproc.expand.shell import half_wave, shell_thickness, thinnest_shell
from fieldproc.expand.solver import Solver
from fieldproc.records import Spectra
from fieldproc.settings import Settings
from fieldproc.side_by_side import side_by_side
from fieldproc.waves.basis import RADIAL, WaveSet
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.radial import ldexp

# Truncation of the orders: the finest that the points keep apart, but no frequency at which the coarsest has too many
# unknowns. What orders leave out must stay below what is looked for.
TARGETS_DB = (-80.0, -65.0, -50.0)
_UNKNOWNS_PER_POINT = 0.5
# Of the wave fit: beyond, noise decides between the two sets.
_MOST_CONDITION = 300.0


@dataclass(frozen=True)
class Panel:
    """Some frequencies of one scan, the orders of their fits, and the points that no fit sees.

    ``spectra`` holds those frequencies alone, zeros for numbers that are none. ``unit`` (frequency, left-out point,
    point) are the residuals of unit pressures at the points ``left_out``; ``whole_spare`` (frequency, point) is one
    minus the leverage with all points.
    """

    spectra: Spectra
    solver: Solver
    orders: tuple[tuple[int, int], ...]
    whole_spare: Floats
    left_out: Integers
    unit: Complexes

    @property
    def origin_m(self) -> Floats:
        """Where the waves are centred."""
        return self.solver.origin_m

    def without(self, points: Integers) -> Panel:
        """The same with further points left out."""
        if not len(points):
            return self
        ones = np.zeros((len(self.orders), len(points), len(self.spectra.positions_m)), dtype=np.complex128)
        ones[:, np.arange(len(points)), points] = 1.0
        more = np.array([fit.residual for fit in self.fits(ones)])
        unit = np.concatenate([self.unit, more], axis=1)
        return replace(self, left_out=np.concatenate([self.left_out, points]), unit=unit)

    def with_orders(self, orders: tuple[tuple[int, int], ...]) -> Panel:
        """The same points and frequencies with other orders, none above the highest of this panel."""
        fits = _fits(self.solver, orders, self.spectra)
        spare = np.array([fit.spare[0] for fit in fits])
        bare = replace(self, orders=orders, whole_spare=spare, left_out=self.left_out[:0], unit=self.unit[:, :0])
        return bare.without(self.left_out)

    def of_rows(self, rows: Integers) -> Panel:
        """Some of its frequencies (indices)."""
        part = _at_rows(self.spectra, rows)
        orders = tuple(self.orders[at] for at in rows)
        return Panel(part, _of(self.solver, part), orders, self.whole_spare[rows], self.left_out, self.unit[rows])

    def keeping(self, points: Integers) -> Panel:
        """The same with these of its left-out points let in again."""
        still = np.flatnonzero(~np.isin(self.left_out, points))
        return replace(self, left_out=self.left_out[still], unit=self.unit[:, still])

    def fits(self, pressure_pa: Complexes) -> list[WaveFit]:
        """Plain fits of (frequency, channel, point) at all points."""
        return _fits(self.solver, self.orders, replace(self.spectra, pressure_pa=pressure_pa))

    def missed(self, pressure_pa: Complexes) -> Complexes:
        """Data minus the fit without the left-out points, (frequency, channel, point).

        At the left-out points: data minus what the others predict, e of the module's text.
        """
        residual = np.array([fit.residual for fit in self.fits(pressure_pa)])
        error = np.linalg.solve(self._block, residual[:, :, self.left_out].swapaxes(1, 2)).swapaxes(1, 2)
        residual -= error @ self.unit
        residual[:, :, self.left_out] = error
        return np.asarray(residual)

    @cached_property
    def spare(self) -> Floats:
        """What a point's value in ``missed`` has of its own error's variance, and, left out, the inverse of that."""
        inverse = np.linalg.inv(self._block)
        taken = np.sum((inverse.swapaxes(1, 2) @ self.unit) * self.unit.conj(), axis=1).real
        spare: Floats = np.maximum(self.whole_spare - taken, np.finfo(float).eps)
        spare[:, self.left_out] = 1.0 / np.einsum("fbb->fb", inverse).real
        return spare

    @property
    def _block(self) -> Complexes:
        # S_BB; rows of ``unit`` are columns of S
        return np.asarray(self.unit[:, :, self.left_out].swapaxes(1, 2))

    def filled(self, pressure_pa: Complexes) -> Complexes:
        """Data with what the others predict in place of the left-out points."""
        filled = pressure_pa.copy()
        if len(self.left_out):
            filled[:, :, self.left_out] -= self.missed(pressure_pa)[:, :, self.left_out]
        return filled


def seen(offsets_m: Floats, top_order: int) -> Seen:
    """Any points (point, 3), counted from where waves up to an order are centred; radii in metres."""
    return Seen(spherical_harmonics(top_order, offsets_m), np.linalg.norm(offsets_m, axis=1))


def seen_from(panel: Panel, offsets_m: Floats) -> Seen:
    """The same for the waves of a panel."""
    return seen(offsets_m, max(max(pair) for pair in panel.orders))


def field_of(panel: Panel, fits: list[WaveFit], at: Seen) -> Complexes:
    """The waves of a panel's fits at any points, (frequency, channel, point)."""
    return np.array([waves_at(fit, float(panel.solver.wavenumber(row).mean()), at) for row, fit in enumerate(fits)])


def waves_at(fit: WaveFit, wavenumber: float, at: Seen) -> Complexes:
    """Both wave sets of a fit at any points, (channel, point); ``at`` holds radii in metres, not yet times k."""
    total = np.zeros((len(fit.outgoing), len(at.argument)), dtype=np.complex128)
    sets: tuple[tuple[WaveSet, Complexes], ...] = (("outgoing", fit.outgoing), ("regular", fit.regular))
    for name, coefficients in sets:
        order = int(np.sqrt(coefficients.shape[1])) - 1
        if order < 0:
            continue
        radial, exponent = RADIAL[name](order, wavenumber * at.argument).column_scaled()
        for degree in range(order + 1):
            # over the orders first: the columns of one degree share their radial function
            own = slice(degree**2, (degree + 1) ** 2)
            pattern = ldexp(coefficients[:, own], exponent[degree : degree + 1]) @ at.harmonics[:, own].T
            total += pattern * radial[:, degree]
    return total


def prepare(spectra: Spectra, settings: Settings, band_hz: tuple[float, float], most: int) -> Panel | None:
    """A panel of at most so many frequencies of a band, evenly spread, at which the points carry the orders well.

    None where there are none. Points without a number at any usable frequency are left out from the start.
    """
    origin_m = expansion_origin(spectra, settings.expansion)
    offsets_m = spectra.positions_m - origin_m
    reach = source_reach(spectra, settings.expansion, origin_m)
    separate = separable(spectra, offsets_m, settings)
    k = wavenumber(spectra.frequency_hz, float(spectra.sound_speed_m_per_s.mean()))
    budget = int(_UNKNOWNS_PER_POINT * len(offsets_m))
    # without a budget the rule never settles for less
    needed = automatic_orders(k, reach, separate, len(offsets_m) ** 2, TARGETS_DB[-1]).unknowns
    within = (spectra.frequency_hz >= band_hz[0]) & (spectra.frequency_hz <= band_hz[1])
    heard = np.all(np.abs(_finite(spectra.pressure_pa)).max(axis=2) > 0, axis=1)
    allowed = within & spectra.usable & heard & (needed <= budget) & ~half_wave(k, offsets_m, spectra.surface)
    rows = _spread(np.log(k), allowed, most)
    if not len(rows):
        return None
    plans = [automatic_orders(k[rows], reach, separate, budget, target_db) for target_db in TARGETS_DB]
    top = max(int(max(plan.outgoing.max(), plan.regular.max())) for plan in plans)
    part = _at_rows(spectra, rows)
    solver = Solver(part, origin_m, top, (float(k[rows].min()), float(k[rows].max())))
    chosen: dict[int, tuple[tuple[int, int], Floats]] = {}
    for plan in plans:
        left = np.array([at for at in range(len(rows)) if at not in chosen], dtype=np.int64)
        if not len(left):
            break
        orders = tuple(plan.orders(at) for at in left)
        own = _at_rows(part, left)
        for at, pair, fit in zip(left.tolist(), orders, _fits(_of(solver, own), orders, own), strict=True):
            if fit.condition <= _MOST_CONDITION:
                chosen[at] = pair, fit.spare[0]
    if not chosen:
        return None
    good = np.array(sorted(chosen), dtype=np.int64)
    part = _at_rows(part, good)
    orders, spare = tuple(chosen[at][0] for at in good.tolist()), np.array([chosen[at][1] for at in good.tolist()])
    none = np.zeros(0, dtype=np.int64), np.zeros((len(good), 0, len(offsets_m)), dtype=np.complex128)
    return Panel(part, _of(solver, part), orders, spare, *none).without(no_number(spectra))


def separable(spectra: Spectra, offsets_m: Floats, settings: Settings) -> bool:
    """Do the settings allow, and the points carry, both wave sets?"""
    return settings.separation.enabled is not False and shell_thickness(offsets_m) >= thinnest_shell(spectra.surface)


def no_number(spectra: Spectra) -> Integers:
    """Points whose pressure is not finite at some usable frequency."""
    return np.flatnonzero(~np.isfinite(spectra.pressure_pa[spectra.usable]).all(axis=(0, 1)))


def _finite(pressure_pa: Complexes) -> Complexes:
    return np.nan_to_num(pressure_pa, nan=0.0, posinf=0.0, neginf=0.0)


def _at_rows(spectra: Spectra, rows: Integers) -> Spectra:
    part = replace(spectra, noise_pa=None, late_db=None, gated=None).picked("frequency", rows)
    return replace(part, pressure_pa=_finite(part.pressure_pa))


def _of(solver: Solver, spectra: Spectra) -> Solver:
    """The solver, all that positions prepare kept, for other frequencies or data of the same points."""
    other = copy(solver)
    other.spectra = spectra
    return other


def _fits(solver: Solver, orders: tuple[tuple[int, int], ...], spectra: Spectra) -> list[WaveFit]:
    own = _of(solver, spectra)
    most = solver.bytes_each(max((one + 1) ** 2 + (other + 1) ** 2 for one, other in orders))
    return list(side_by_side(lambda at: own.fit([at], orders[at])[0], len(orders), most))


def _spread(place: Floats, allowed: Booleans, most: int) -> Integers:
    """Indices of at most so many allowed places, as evenly spread as they come."""
    found = np.flatnonzero(allowed)
    if len(found) <= most:
        return found
    wanted = np.linspace(place[found[0]], place[found[-1]], most)
    return np.unique(found[np.abs(place[found][None, :] - wanted[:, None]).argmin(axis=1)])
