"""From pressures at the points to coefficients of outgoing and regular waves: what to fit, and where."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Booleans, Floats, wavenumber
from fieldproc.errors import NumericalError
from fieldproc.expand.cells import Cells, divide
from fieldproc.expand.center import acoustic_center
from fieldproc.expand.divided import (
    CELL_TARGETS_DB,
    MOST_DENSE_UNKNOWNS,
    PROOF_DB,
    Division,
    on_rings,
    prove,
)
from fieldproc.expand.fitting import Fitting, OneOrigin
from fieldproc.expand.geometry import cells_reach, expansion_origin, source_reach
from fieldproc.expand.loop import Progress, solve_all
from fieldproc.expand.notices import order_notices, separation_notices, source_notices
from fieldproc.expand.order import (
    OrderPlan,
    Reach,
    automatic_orders,
)
from fieldproc.expand.plan import extent, plan_orders, with_stated_orders
from fieldproc.expand.quality import LIMITS
from fieldproc.expand.recenter import recenter
from fieldproc.expand.shell import half_wave, shell_thickness, thinnest_shell
from fieldproc.expand.solver import Solver
from fieldproc.records import Expansion, Spectra, Verdict
from fieldproc.settings import ExpansionSettings, SeparationSettings, Settings


def _silent(_done: int, _total: int) -> None:
    """No progress reported."""


def expand(spectra: Spectra, settings: Settings, progress: Progress = _silent) -> Expansion:
    """Fit both wave sets at every frequency.

    Raises ``NumericalError`` when the points can't carry what the settings ask for, or no frequency can
    be solved at all. ``progress(done, total)`` is called once per frequency.
    """
    origin_m = expansion_origin(spectra, settings.expansion)
    offsets_m = spectra.positions_m - origin_m
    reach = source_reach(spectra, settings.expansion, origin_m)
    separate = _separate(spectra, offsets_m, settings.separation)
    sound_speed_m_per_s = float(spectra.sound_speed_m_per_s.mean())
    k = wavenumber(spectra.frequency_hz, sound_speed_m_per_s)
    top_order, band = extent(k, reach, separate, len(offsets_m), settings.orders)
    solver = Solver(spectra, origin_m, top_order, band, _weights(spectra, settings.expansion))
    one = OneOrigin(solver, plan_orders(solver, k, reach, separate, settings.orders), settings.expansion)
    cells, tried = divide(spectra, origin_m), _tried(settings)
    division = _division(one, cells, k, reach, separate, settings) if cells is not None and tried else None
    if division is not None and spectra.cabinet is None and settings.expansion.source_radius_m == "auto":
        reach = replace(reach, source_radius_m=division.solver.cells.reach_m)
    fitting: Fitting = one if division is None else division
    plan = fitting.plan
    solved = solve_all(solver, fitting, progress)
    # where points lie too near for one origin, only a trial tells whether it does
    untried = cells is not None and not tried
    halves = half_wave(k, offsets_m, spectra.surface)
    quality = solved.quality(plan, spectra.usable, spectra.frequency_hz, halves | untried)
    usable = np.all(quality.verdict < Verdict.DO_NOT_USE, axis=1)
    center_m: Floats = origin_m + acoustic_center(
        spectra.frequency_hz, k, solved.outgoing, plan.outgoing, usable, reach.source_radius_m
    )
    expansion = Expansion(
        frequency_hz=spectra.frequency_hz,
        outgoing=solved.outgoing,
        regular=solved.regular,
        outgoing_order=plan.outgoing,
        regular_order=plan.regular,
        origin_m=np.tile(origin_m, (len(k), 1)),
        acoustic_center_m=center_m,
        sound_speed_m_per_s=sound_speed_m_per_s,
        air_density_kg_per_m3=spectra.air_density_kg_per_m3,
        source_radius_m=reach.source_radius_m,
        channel_names=spectra.channel_names,
        quality=quality,
        notices=(
            *separation_notices(separate, spectra.frequency_hz, _alike(plan, solved.condition, halves)),
            *source_notices(offsets_m, reach.source_radius_m, division, untried),
            *order_notices(plan, spectra.frequency_hz, len(offsets_m)),
            fitting.cost(),
        ),
    )
    return recenter(expansion, center_m) if settings.expansion.origin_m == "acoustic center" else expansion


def _division(
    one: OneOrigin, cells: Cells, k: Floats, reach: Reach, separate: bool, settings: Settings
) -> Division | None:
    """Waves from cells, where the data prove them or the settings insist."""
    solver = one.solver
    of_cells = cells_reach(cells, reach)
    budget = int(settings.orders.unknowns_per_point * len(solver.offsets_m))
    if not on_rings(solver, cells):
        budget = min(budget, MOST_DENSE_UNKNOWNS)
    target_db = settings.orders.truncation_db
    targets_db = CELL_TARGETS_DB if target_db == "auto" else (target_db,)
    automatic = [automatic_orders(k, of_cells, separate, budget, target) for target in targets_db]
    plans = [with_stated_orders(plan, solver.spectra, of_cells, separate, settings.orders) for plan in automatic]
    division = prove(one, cells, plans)
    if division is None or (settings.expansion.several_centers == "auto" and division.gain_db < PROOF_DB):
        return None
    return division


def _tried(settings: Settings) -> bool:
    """Are cells to be tried where the geometry needs them? Stated orders speak of waves from one origin."""
    stated = any(order != "auto" for order in (settings.orders.outgoing, settings.orders.regular))
    if settings.expansion.several_centers == "auto":
        return not stated and settings.expansion.regularisation != "never"
    return settings.expansion.several_centers


def _alike(plan: OrderPlan, condition: Floats, halves: Booleans) -> Booleans:
    """Where the two sets look alike at the points."""
    return (plan.regular >= 0) & ~plan.divided & (halves | (condition > LIMITS["separation_condition"][0]))


def _weights(spectra: Spectra, settings: ExpansionSettings) -> Floats | None:
    """Root of the number of records averaged into a point, where the settings ask for it."""
    return np.sqrt(spectra.repeats / spectra.repeats.mean()) if settings.point_weights == "repeats" else None


def _separate(spectra: Spectra, offsets_m: Floats, settings: SeparationSettings) -> bool:
    if settings.enabled is False:
        return False
    thickness, thinnest = shell_thickness(offsets_m), thinnest_shell(spectra.surface)
    if settings.enabled is True and thickness < thinnest:
        raise NumericalError(
            "expand",
            "thickness of the scanned shell relative to its radius",
            f"{thickness:.4f}",
            f"at least {thinnest:.4f}",
            "scan a second surface, or set separation.enabled = false",
        )
    return thickness >= thinnest
