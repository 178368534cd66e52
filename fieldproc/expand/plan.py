"""The orders of a run: chosen by the data, or stated by the settings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Floats, Integers, wavenumber
from fieldproc.errors import NumericalError
from fieldproc.expand.choice import TARGETS_DB, choose_targets
from fieldproc.expand.order import (
    OrderPlan,
    Reach,
    automatic_orders,
    highest_order,
    order_at,
    truncation_db,
    unknown_count,
)
from fieldproc.expand.solver import Solver
from fieldproc.records import Spectra
from fieldproc.settings import OrderSettings


def plan_orders(solver: Solver, k: Floats, reach: Reach, separate: bool, settings: OrderSettings) -> OrderPlan:
    """Automatic orders of waves from one origin, overridden where the settings give a number or a table."""
    fixed = settings.outgoing != "auto" and (settings.regular != "auto" or not separate)
    budget = int(settings.unknowns_per_point * len(solver.offsets_m))
    target_db: Floats | float = TARGETS_DB[-1]
    if settings.truncation_db != "auto":
        target_db = settings.truncation_db
    elif not fixed:
        target_db = choose_targets(solver, k, reach, separate, budget)
    automatic = automatic_orders(k, reach, separate, budget, target_db)
    return with_stated_orders(automatic, solver.spectra, reach, separate, settings)


def with_stated_orders(
    automatic: OrderPlan, spectra: Spectra, reach: Reach, separate: bool, settings: OrderSettings
) -> OrderPlan:
    """A plan with the orders that the settings state; those of every centre, where ``reach`` has several.

    ``NumericalError`` where the points are fewer than the unknowns.
    """
    outgoing, regular, points = automatic.outgoing, automatic.regular, len(spectra.positions_m)
    if settings.outgoing != "auto":
        outgoing = order_at(settings.outgoing, spectra.frequency_hz)
    if settings.regular != "auto" and separate:
        regular = order_at(settings.regular, spectra.frequency_hz)
    if outgoing is automatic.outgoing and regular is automatic.regular:
        return automatic
    count = unknown_count(outgoing, regular, reach.centers)
    if count.max() > points:
        at = int(np.argmax(count))
        raise NumericalError(
            "expand",
            f"number of unknowns at {spectra.frequency_hz[at]:.6g} Hz (orders {outgoing[at]} and {regular[at]})",
            str(count[at]),
            f"the {points} points of this scan",
            "lower orders.outgoing or orders.regular, or scan more points",
        )
    carried = regular >= 0 if separate else np.ones(len(count), dtype=np.bool_)
    k = wavenumber(spectra.frequency_hz, float(spectra.sound_speed_m_per_s.mean()))
    return replace(
        automatic,
        outgoing=outgoing,
        regular=regular,
        carried=carried,
        truncation_db=truncation_db(k, reach, outgoing),
        unknowns=count,
        divided=carried & (reach.centers > 1),
    )


def extent(
    k: Floats, reach: Reach, separate: bool, points: int, settings: OrderSettings
) -> tuple[Integers, tuple[float, float]]:
    """The highest order every frequency can get, and the wavenumbers between which the points carry the sets."""
    finest = TARGETS_DB[0] if settings.truncation_db == "auto" else settings.truncation_db
    plan = automatic_orders(k, reach, separate, int(settings.unknowns_per_point * points), finest)
    stated = max(highest_order(setting) for setting in (settings.outgoing, settings.regular))
    carried = k[plan.carried] if plan.carried.any() else k
    top_order = np.maximum(np.maximum(plan.outgoing, plan.regular), stated)
    return top_order, (float(carried.min()), float(carried.max()))
