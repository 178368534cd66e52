"""From pressures at the points to coefficients of outgoing and regular waves: what to fit, and where."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers, wavenumber
from fieldproc.errors import NumericalError
from fieldproc.expand.cells import Cells, divide
from fieldproc.expand.center import acoustic_center
from fieldproc.expand.certainty import with_certainty
from fieldproc.expand.compact import MOST_POINTS, CompactFit
from fieldproc.expand.deviations import Deviating
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
from fieldproc.expand.hold_out import surface_hold_out
from fieldproc.expand.loop import Progress, solve_all
from fieldproc.expand.measures import with_measures
from fieldproc.expand.mend import only
from fieldproc.expand.noise_weights import noise_weights, proven_weights, weights_told
from fieldproc.expand.notices import causes_notices, order_notices, seam_notices, separation_notices, source_notices
from fieldproc.expand.order import (
    OrderPlan,
    Reach,
    automatic_orders,
)
from fieldproc.expand.plan import extent, plan_orders, with_stated_orders
from fieldproc.expand.quality import LIMITS
from fieldproc.expand.recenter import recenter
from fieldproc.expand.removal import remove_scattering
from fieldproc.expand.rings import recognise_rings
from fieldproc.expand.seam import find_seam, join
from fieldproc.expand.shell import half_wave, shell_thickness, thinnest_shell
from fieldproc.expand.solver import MOST_BANDS, Solver, most_bands
from fieldproc.records import Expansion, Spectra, Verdict
from fieldproc.settings import ExpansionSettings, SeparationSettings, Settings


def _silent(_done: int, _total: int) -> None:
    """No progress reported."""


@dataclass(frozen=True, slots=True)
class _Part:
    """The expansion of one kind of response, its acoustic centre not yet known, and what to tell of it.

    ``alike`` are frequencies where the two wave sets look alike at the points, ``carried`` those whose orders the
    points carry.
    """

    expansion: Expansion
    separate: bool
    alike: Booleans
    carried: Booleans
    source: list[str]
    cost: str

    def notices(self, decisive: Booleans, points: int) -> list[str]:
        """In sentences, as far as these frequencies go."""
        frequency_hz = self.expansion.frequency_hz
        return [
            *separation_notices(self.separate, frequency_hz, self.alike & decisive),
            *self.source,
            *order_notices(self.carried | ~decisive, frequency_hz, points),
            self.cost,
        ]


def expand(spectra: Spectra, settings: Settings, progress: Progress = _silent) -> Expansion:
    """Fit the loudspeaker's waves at every frequency.

    Both wave sets to whole responses; where there are gated ones, outgoing waves alone to those, and the two are
    joined. Raises ``NumericalError`` when the points can't carry what the settings ask for, or no frequency can
    be solved at all. ``progress(done, total)`` is called once per frequency and kind of response.
    """
    gated, rows, points = spectra.gated, len(spectra.frequency_hz), len(spectra.positions_m)
    answers = _gate_answers(spectra)
    parts = 2 if answers.any() else 1
    whole = _expand(spectra, settings, lambda done, _: progress(done, parts * rows))
    decisive, told, upper = np.ones(rows, dtype=np.bool_), [], None
    if gated is not None and answers.any():
        before_room = replace(
            spectra,
            pressure_pa=gated.pressure_pa,
            usable=answers,
            late_db=gated.tail_db,
            gated=None,
            noise_pa=gated.noise_pa,
        )
        upper = _expand(before_room, settings, lambda done, _: progress(rows + done, parts * rows), room=False)
    expansion, removed = remove_scattering(
        whole.expansion, None if upper is None else upper.expansion, spectra.cabinet, settings.scattering
    )
    expansion = with_measures(expansion)
    if upper is not None:
        upper = replace(upper, expansion=with_measures(upper.expansion))
        assert gated is not None
        seam = find_seam(expansion, upper.expansion, settings.gate.crossover_hz, gated.tail_db)
        expansion, decisive = join(expansion, upper.expansion, seam), seam.share < 1.0
        told = [*seam_notices(seam, spectra.frequency_hz), f"gated: {upper.cost}"]
    center_m = _acoustic_center(expansion)
    expansion = with_certainty(expansion)
    notices = (
        *causes_notices(spectra.causes),
        *whole.notices(decisive, points),
        *expansion.notices,
        *removed,
        *told,
    )
    taken = spectra.positions_m if spectra.left_out is None else spectra.positions_m[~spectra.left_out]
    expansion = replace(expansion, acoustic_center_m=center_m, points_m=taken, notices=notices)
    return recenter(expansion, center_m) if settings.expansion.origin_m == "acoustic center" else expansion


def _expand(spectra: Spectra, settings: Settings, progress: Progress, *, room: bool = True) -> _Part:
    """Waves of one kind of response; ``room``: does it hold the room's sound?"""
    origin_m = expansion_origin(spectra, settings.expansion)
    offsets_m = spectra.positions_m - origin_m
    reach = source_reach(spectra, settings.expansion, origin_m)
    separate = room and _separate(spectra, offsets_m, settings.separation)
    sound_speed_m_per_s = float(spectra.sound_speed_m_per_s.mean())
    k = wavenumber(spectra.frequency_hz, sound_speed_m_per_s)
    top_order, band = extent(k, reach, separate, len(offsets_m), settings.orders)
    weights = _weights(spectra, offsets_m, int(top_order.max()), settings.expansion)

    def from_one_origin(weights: Floats | None) -> OneOrigin:
        solver = Solver(spectra, origin_m, top_order, band, weights)
        judge = solver
        if solver.left_out.size:
            kept = np.isin(np.arange(len(offsets_m)), solver.left_out, invert=True)
            own = None if weights is None else weights[..., kept]
            judge = Solver(only(spectra, kept), origin_m, top_order, band, own)
        return OneOrigin(solver, plan_orders(judge, k, reach, separate, settings.orders), settings.expansion)

    one = from_one_origin(weights)
    if weights is not None and settings.expansion.point_weights == "auto":
        equal = from_one_origin(None)
        proven = proven_weights(weights, equal, one)
        if proven is None or np.any(proven != weights):
            one, weights = equal if proven is None else from_one_origin(proven), proven
    solver = one.solver
    cells, tried = divide(spectra, origin_m), _tried(settings)
    division = _division(one, cells, k, reach, separate, settings) if cells is not None and tried else None
    if division is not None and spectra.cabinet is None and settings.expansion.source_radius_m == "auto":
        reach = replace(reach, source_radius_m=division.solver.cells.reach_m)
    fitting: Fitting = one if division is None else division
    if division is None and not separate and not _stated_orders(settings) and len(offsets_m) <= MOST_POINTS:
        fitting = CompactFit(one, reach.source_radius_m)
    plan = fitting.plan
    deviating = None
    if settings.uncertainty.enabled and spectra.causes is not None:
        deviating = Deviating(solver, plan, spectra.causes, settings.uncertainty, seed=int(room))
    solved = solve_all(solver, fitting, progress, deviating)
    # where points lie too near for one origin, only a trial tells whether it does
    untried = cells is not None and not tried
    halves = half_wave(k, offsets_m, spectra.surface)
    told_apart = ((plan.regular >= 0) & ~halves if room else np.ones_like(halves)) & (
        not (untried or spectra.drifted or spectra.doubts)
    )
    alike = _alike(plan, solved.condition, halves)
    expansion = Expansion(
        frequency_hz=spectra.frequency_hz,
        outgoing=solved.outgoing,
        regular=solved.regular,
        outgoing_order=plan.outgoing,
        regular_order=plan.regular,
        origin_m=np.tile(origin_m, (len(k), 1)),
        acoustic_center_m=np.full((len(k), 3), np.nan),
        sound_speed_m_per_s=sound_speed_m_per_s,
        air_density_kg_per_m3=spectra.air_density_kg_per_m3,
        source_radius_m=reach.source_radius_m,
        channel_names=spectra.channel_names,
        quality=solved.quality(plan, spectra, told_apart),
        absorption_db_per_m=spectra.absorption_db_per_m,
        deviations=None if deviating is None else solved.deviating(deviating.draws, deviating.names),
        measures=solved.measures(surface_hold_out(solver, plan), alike),
    )
    return _Part(
        expansion,
        separate,
        alike,
        plan.carried,
        [
            *source_notices(offsets_m, reach.source_radius_m, division, untried),
            *([] if weights is None or settings.expansion.point_weights == "repeats" else [weights_told(weights)]),
        ],
        fitting.cost(),
    )


def _gate_answers(spectra: Spectra) -> Booleans:
    """Frequencies at which there are gated responses that can know of them: none slower than the gate."""
    if spectra.gated is None:
        return np.zeros(len(spectra.frequency_hz), dtype=np.bool_)
    return np.asarray(spectra.usable & (spectra.frequency_hz * np.median(spectra.gated.length_s) >= 1.0))


def _acoustic_center(expansion: Expansion) -> Floats:
    """In scan axes, per frequency."""
    k = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)
    usable = np.all(expansion.quality.verdict < Verdict.DO_NOT_USE, axis=1)
    center_m: Floats = expansion.origin_m + acoustic_center(
        expansion.frequency_hz, k, expansion.outgoing, expansion.outgoing_order, usable, expansion.source_radius_m
    )
    return center_m


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


def _stated_orders(settings: Settings) -> bool:
    return any(order != "auto" for order in (settings.orders.outgoing, settings.orders.regular))


def _tried(settings: Settings) -> bool:
    """Are cells to be tried where the geometry needs them? Stated orders speak of waves from one origin."""
    if settings.expansion.several_centers == "auto":
        return not _stated_orders(settings) and settings.expansion.regularisation != "never"
    return settings.expansion.several_centers


def _alike(plan: OrderPlan, condition: Floats, halves: Booleans) -> Booleans:
    """Where the two sets look alike at the points."""
    return (plan.regular >= 0) & ~plan.divided & (halves | (condition > LIMITS["separation_condition"][0]))


def _weights(spectra: Spectra, offsets_m: Floats, top_order: int, settings: ExpansionSettings) -> Floats | None:
    """What the rows of a fit are multiplied by, rms about 1; ``None`` where all points count alike.

    Shape (point,) or (frequency, point).
    """
    chosen = settings.point_weights
    if chosen == "repeats":
        return np.asarray(np.sqrt(spectra.repeats / spectra.repeats.mean()))
    if chosen == "equal" or (chosen == "auto" and spectra.noise_pa is None):
        return None
    rings: list[Integers] = []
    bands = most_bands(len(offsets_m), top_order)
    if np.ptp(spectra.sound_speed_m_per_s) == 0 and (grid := recognise_rings(offsets_m, top_order)) is not None:
        rings, bands = [ring for group in grid.groups for ring in group.points], MOST_BANDS
    return noise_weights(spectra, rings, bands, noise_alone=chosen == "noise")


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
