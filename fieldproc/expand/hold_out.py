"""A surface left out and predicted by the others: what one surface does not share with the others shows there.

Points left out one by one have neighbours of the same surface, which share its errors. Three surfaces leave two to
tell room from loudspeaker by; before the room answers, one is enough.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Floats, Integers, amplitude_db
from fieldproc.expand.mend import only
from fieldproc.expand.order import OrderPlan
from fieldproc.expand.panel import seen, waves_at
from fieldproc.expand.shell import shell_thickness, thinnest_shell
from fieldproc.expand.solver import Solver

# A few frequencies tell; each costs a fit per surface.
_MOST_ROWS = 8
# Unknowns per point of the surfaces that are left, and at all: a fit of more takes seconds.
_PER_POINT, _MOST_UNKNOWNS = 0.5, 500


def surface_hold_out(solver: Solver, plan: OrderPlan) -> Floats:
    """Rms error of predicting the surface that is predicted worst, re its rms pressure, dB, (frequency, channel).

    nan but at a few frequencies, and wherever the surfaces are not named or too few.
    """
    spectra = solver.spectra
    found = np.full(spectra.pressure_pa.shape[:2], np.nan)
    numbers, count = np.unique(spectra.surface, return_counts=True)
    if numbers[0] < 0 or len(numbers) < 2:
        return found
    separate = plan.regular >= 0
    heard = np.array([solver.has_sound(row) for row in range(len(found))])
    most = min(_PER_POINT * (count.sum() - count.max()), _MOST_UNKNOWNS)
    allowed = heard & plan.carried & ~plan.divided & (plan.unknowns <= most) & (~separate | (len(numbers) > 2))
    for number in numbers:
        others = solver.spectra.surface != number
        if separate.any() and shell_thickness(solver.offsets_m[others]) < thinnest_shell(spectra.surface[others]):
            allowed &= ~separate
    rows = _few(np.flatnonzero(allowed))
    if len(rows):
        missed = [_missed(solver, plan, rows, int(number)) for number in numbers]
        found[rows] = amplitude_db(np.max(missed, axis=0))
    return found


def _missed(solver: Solver, plan: OrderPlan, rows: Integers, number: int) -> Floats:
    """Error at the points of one surface of the fits to all others, (row, channel)."""
    good = np.isin(np.arange(len(solver.offsets_m)), solver.left_out, invert=True)
    own = good & (solver.spectra.surface == number)
    part = only(replace(solver.spectra, noise_pa=None, gated=None), good & ~own).picked("frequency", rows)
    top = int(max(plan.outgoing[rows].max(), plan.regular[rows].max()))
    k = [float(solver.wavenumber(int(row)).mean()) for row in rows]
    others = Solver(part, solver.origin_m, top, (min(k), max(k)))
    at = seen(solver.offsets_m[own], top)
    missed = []
    for place, row in enumerate(rows.tolist()):
        fit = others.fit([place], plan.orders(row))[0]
        pressure_pa = solver.spectra.pressure_pa[row][:, own]
        error = np.linalg.norm(pressure_pa - waves_at(fit, k[place], at), axis=1)
        missed.append(error / np.linalg.norm(pressure_pa, axis=1))
    return np.array(missed)


def _few(rows: Integers) -> Integers:
    return rows[np.unique(np.linspace(0, len(rows) - 1, min(len(rows), _MOST_ROWS)).round().astype(np.int64))]
