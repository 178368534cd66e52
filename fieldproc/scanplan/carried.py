"""What a grid carries: noise gain and condition of given orders, highest degree and frequency, forbidden bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers, amplitude_db, wavenumber
from fieldproc.expand.compact import PLAIN_SHARE
from fieldproc.expand.dense import WaveFit
from fieldproc.expand.order import OrderPlan, automatic_orders, unknown_count
from fieldproc.expand.quality import LIMITS
from fieldproc.expand.shell import half_wave
from fieldproc.expand.solver import Solver
from fieldproc.scanplan.grid import Grid
from fieldproc.settings import OrderSettings
from fieldproc.side_by_side import side_by_side

# Truncation of the orders by which grids are compared: an error of a hundredth.
TARGET_DB = -40.0
UNKNOWNS_PER_POINT = OrderSettings().unknowns_per_point
# Where sweeps end; beyond, no points carry anything.
_HIGHEST_HZ = 40e3
# From this condition on, wave sets are not to be told apart, and fits lean on a prior.
_MOST_CONDITION = LIMITS["separation_condition"][0]


@dataclass(frozen=True, slots=True)
class Sweep:
    """Orders by the rule over frequency, their far-field noise gain (as in ``expand/quality.py``) and condition.

    All (frequency,). ``held`` is False where the points do not hold them: too many for them, or too much alike.
    """

    frequency_hz: Floats
    outgoing: Integers
    gain_db: Floats
    condition: Floats
    held: Booleans

    @property
    def highest_hz(self) -> float:
        """The highest frequency that is held, 0 where none is."""
        return float(self.frequency_hz[self.held].max(initial=0.0))

    @property
    def degree(self) -> int:
        """The highest outgoing degree that is held."""
        return int(self.outgoing[self.held].max(initial=0))

    def forbidden(self) -> list[tuple[float, float]]:
        """Bands below the highest frequency that are not held, first and last row of each."""
        bands = [
            (float(self.frequency_hz[first]), float(self.frequency_hz[last])) for first, last in runs(~self.held)
        ]
        return [band for band in bands if band[0] < self.highest_hz]


def sweep(grid: Grid, lowest_hz: float, per_octave: int, *, separate: bool) -> Sweep:
    """The grid tried from the lowest frequency up: with both wave sets, or with outgoing waves alone.

    Outgoing waves alone count as held as far as a run solves them plainly; above, it takes the most probable field.
    """
    points = grid.first_visits()
    origin_m, reach = grid.reach()
    frequency_hz = frequencies(lowest_hz, _HIGHEST_HZ, per_octave)
    k = wavenumber(frequency_hz, grid.sound_speed_m_per_s)
    budget = int((UNKNOWNS_PER_POINT if separate else PLAIN_SHARE) * len(points))
    plan = automatic_orders(k, reach, separate, budget, TARGET_DB)
    held = plan.carried.copy()
    gain = Gain(np.full(len(k), np.nan), np.full(len(k), np.nan))
    # cells stand in for each other by design: their condition says nothing of the surfaces
    if reach.centers == 1 and held.any():
        gain = noise_gain(grid, frequency_hz[held], [plan.orders(int(row)) for row in np.flatnonzero(held)])
        gain = Gain(_filled(gain.gain_db, held), _filled(gain.condition, held))
        held &= gain.condition <= _MOST_CONDITION
    if separate:
        held &= ~half_wave(k, grid.positions_m[points] - origin_m, grid.surface[points])
    return Sweep(frequency_hz, plan.outgoing, gain.gain_db, gain.condition, held)


@dataclass(frozen=True, slots=True)
class Gain:
    """Far-field noise gain in dB and condition, (frequency,) each."""

    gain_db: Floats
    condition: Floats


def noise_gain(grid: Grid, frequency_hz: Floats, orders: Sequence[tuple[int, int]]) -> Gain:
    """Of plain fits about the origin of the expansion, orders (outgoing, regular or -1) of every frequency."""
    points = len(grid.first_visits())
    # gain and condition are the same whatever the pressures are
    spectra = grid.spectra(frequency_hz, np.ones((len(frequency_hz), 1, points), dtype=np.complex128))
    k = wavenumber(frequency_hz, grid.sound_speed_m_per_s)
    top = max(max(pair) for pair in orders)
    solver = Solver(spectra, grid.reach()[0], top, (float(k.min()), float(k.max())))
    fits = fit_rows(solver, orders)
    gain_db = amplitude_db(np.array([fit.far_field_gain(float(at)).max() for fit, at in zip(fits, k, strict=True)]))
    return Gain(gain_db, np.array([fit.condition for fit in fits]))


def fit_rows(solver: Solver, orders: Sequence[tuple[int, int]]) -> list[WaveFit]:
    """Plain fits of all frequencies of a solver with their orders, on all cores."""
    most = max(int(unknown_count(*np.array(pair))) for pair in orders)
    return list(side_by_side(lambda row: solver.fit([row], orders[row])[0], len(orders), solver.bytes_each(most)))


def orders_of(plan: OrderPlan) -> list[tuple[int, int]]:
    """Orders of every frequency of a plan."""
    return [plan.orders(row) for row in range(len(plan.outgoing))]


def frequencies(lowest_hz: float, highest_hz: float, per_octave: int) -> Floats:
    """From the lowest up in equal steps of an octave, as far as they go."""
    steps = max(1, int(np.floor(np.log2(highest_hz / lowest_hz) * per_octave + 1e-9)))
    return np.asarray(lowest_hz * 2.0 ** (np.arange(steps + 1) / per_octave))


def runs(flags: Booleans) -> list[tuple[int, int]]:
    """First and last index of every run of true flags."""
    edges: Integers = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int64)))
    return [(int(first), int(end) - 1) for first, end in edges.reshape(-1, 2)]


def _filled(values: Floats, where: Booleans) -> Floats:
    """Values at the true places, nan elsewhere."""
    whole = np.full(len(where), np.nan)
    whole[where] = values
    return whole
