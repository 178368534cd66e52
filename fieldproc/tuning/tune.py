"""A scan swept, settings recommended, and both they and "auto" put to the proof: the same expansion as that of a run.

A table of degrees is one for all answers of a run, so it is recommended only where there is one answer. Where gated
spectra take over, the table ends at the seam: above, other degrees serve, and beyond those that the points carry no
degrees at all but waves of a compact centre, which stated degrees would forbid. "auto" then stays, and so it does
where the shape of a loudspeaker asks for cells that left-out points do not: stated degrees would forbid the trial.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers, wavenumber
from fieldproc.errors import NumericalError
from fieldproc.expand import expand
from fieldproc.expand.cells import divide
from fieldproc.expand.center import slope_quadratic
from fieldproc.expand.divided import PROOF_DB
from fieldproc.expand.geometry import expansion_origin, source_reach
from fieldproc.expand.order import COARSEST_DB, automatic_orders
from fieldproc.expand.panel import separable
from fieldproc.expand.rings import recognise_rings
from fieldproc.expand.shell import half_wave

# the one way from a session to the spectra that a run expands
from fieldproc.pipeline import mended_spectra
from fieldproc.records import Expansion, FarField, Session, Spectra
from fieldproc.session import open_input
from fieldproc.settings import OrderSettings, OrderTable, Settings, UncertaintySettings
from fieldproc.tuning.choose import Choice, choose, order_table
from fieldproc.tuning.holdout import held_out_db
from fieldproc.tuning.rows import judged_rows
from fieldproc.tuning.sweep import Candidate, about, from_cells, sweep

Progress = Callable[[int, int], None]

# An acoustic centre nearer to the expansion origin than this share of the nearest point's distance is no other place.
_ANOTHER_PLACE = 0.02
# Sweeps, at most: about the origin, about the acoustic centre, from cells.
_SWEEPS = 3


@dataclass(frozen=True)
class Recommendation:
    """What was swept, what is recommended of it, and what a run makes of that and of "auto".

    ``spectra`` hold all frequencies that the points carry, ``judged`` are rows of these. ``choices`` are the best of
    every candidate, ``best`` the one recommended. ``settings`` are those of a run; ``table`` states the degrees, and
    is the same but where ``why_auto`` says why not. ``tuned`` is the expansion with the table. ``held_out_db``
    (judged row,) belongs to the recommended degrees, nan = not known.
    """

    session: Session
    spectra: Spectra
    judged: Integers
    choices: tuple[Choice, ...]
    best: Choice
    settings: Settings
    table: Settings
    why_auto: str
    auto: Expansion
    tuned: Expansion
    held_out_db: Floats
    seam_hz: float


def recommend(path: Path, settings: Settings, progress: Progress) -> Recommendation:
    """Sweep one scan; ``progress`` counts rows of sweeps.

    ``settings`` state all but the orders. Raises ``NumericalError`` for a far field, and where the points carry no
    frequency.
    """
    session = open_input(path)
    if isinstance(session, FarField):
        raise NumericalError("tune", "kind of input", "a far field", "a scan", "give the scan session itself")
    budgeted = OrderSettings(unknowns_per_point=settings.orders.unknowns_per_point)
    plain = settings.model_copy(update={"orders": budgeted, "uncertainty": UncertaintySettings(enabled=False)})
    spectra = mended_spectra(session, plain)
    origin_m = expansion_origin(spectra, plain.expansion)
    separate = separable(spectra, spectra.positions_m - origin_m, plain)
    allowed = _carried(spectra, origin_m, separate, plain)
    spectra = spectra.picked("frequency", np.arange(int(np.flatnonzero(allowed)[-1]) + 1))
    auto = expand(spectra, plain)
    gated = spectra.gated is not None
    below = auto.quality.gated_share < 0.5
    seam_hz = float(spectra.frequency_hz[~below].min(initial=np.inf))
    if not (allowed[: len(below)] & below).any():
        raise NumericalError(
            "tune",
            "frequencies below the takeover of gated spectra that the points carry",
            "none",
            "at least 1",
            "raise gate.crossover_hz, or run with automatic orders",
        )
    judged = judged_rows(spectra.frequency_hz, allowed[: len(below)] & below)
    separated = replace(spectra, gated=None)
    whole = separated.picked("frequency", judged)
    choices = _choices(whole, origin_m, separate, plain, progress)
    best = _best(choices)
    table = _stated(best, spectra, plain)
    why_auto = _why_auto(best, whole, origin_m, seam_hz if gated else None)
    recommended = plain.model_copy(update={"expansion": table.expansion}) if why_auto else table
    if gated:
        # its degrees are those of separated spectra
        table = table.model_copy(update={"gate": table.gate.model_copy(update={"enabled": False})})
    return Recommendation(
        session=session,
        spectra=spectra,
        judged=judged,
        choices=choices,
        best=best,
        settings=recommended.model_copy(update={"uncertainty": settings.uncertainty}),
        table=table.model_copy(update={"uncertainty": settings.uncertainty}),
        why_auto=why_auto,
        auto=auto,
        tuned=expand(separated, table),
        held_out_db=_held_out(best, whole),
        seam_hz=seam_hz,
    )


def _carried(spectra: Spectra, origin_m: Floats, separate: bool, settings: Settings) -> Booleans:
    """Frequencies that can be judged, (frequency,); where two surfaces are half a wavelength apart, only if no other
    can."""
    k = wavenumber(spectra.frequency_hz, float(spectra.sound_speed_m_per_s.mean()))
    reach = source_reach(spectra, settings.expansion, origin_m)
    budget = int(settings.orders.unknowns_per_point * len(spectra.positions_m))
    carried = automatic_orders(k, reach, separate, budget, COARSEST_DB).carried
    heard = np.all(np.abs(np.nan_to_num(spectra.pressure_pa)).max(axis=2) > 0, axis=1)
    allowed = carried & heard & spectra.usable
    if not allowed.any():
        raise NumericalError(
            "tune",
            "number of frequencies whose waves the points carry",
            "0",
            "at least 1",
            "scan more points, or points nearer to the loudspeaker",
        )
    apart = allowed & ~half_wave(k, spectra.positions_m - origin_m, spectra.surface)
    return np.asarray(apart if separate and apart.any() else allowed)


def _choices(
    spectra: Spectra,
    origin_m: Floats,
    separate: bool,
    settings: Settings,
    progress: Progress,
) -> tuple[Choice, ...]:
    """The best of every candidate that there is, the expansion origin first."""
    done, rows = 0, len(spectra.frequency_hz)

    def one_more() -> None:
        nonlocal done
        done += 1
        progress(done, _SWEEPS * rows)

    def best_of(candidate: Candidate) -> Choice | None:
        return choose(sweep(candidate, one_more))

    one = about("expansion origin", spectra, origin_m, settings, separate)
    first = best_of(one)
    if first is None:
        raise NumericalError(
            "tune", "pairs of degrees that the points carry", "none", "at least 1", "scan more points"
        )
    others = []
    if settings.expansion.origin_m == "auto" and (center_m := _center(first, spectra)) is not None:
        others.append(best_of(about("acoustic centre", spectra, center_m, settings, separate)))
    cells = divide(spectra, origin_m)
    if cells is not None and settings.expansion.several_centers is not False:
        others.append(best_of(from_cells(one, cells, settings)))
    progress(_SWEEPS * rows, _SWEEPS * rows)
    return (first, *(other for other in others if other is not None))


def _center(choice: Choice, spectra: Spectra) -> Floats | None:
    """The place about which all judged far fields together need the lowest degrees; None where that is the origin.

    The sum of the quadratics of ``expand/center.py``. Where points lie on rings, the place on their axis.
    """
    candidate = choice.sweep.candidate
    curvature, slope = np.zeros((3, 3)), np.zeros(3)
    for row, trial in zip(choice.rows, choice.trials(), strict=True):
        k = float(candidate.solver.wavenumber(int(row)).mean())
        own = slope_quadratic(trial.outgoing, k, trial.orders[0])
        curvature, slope = curvature + own[0], slope + own[1]
    offset_m = -np.linalg.solve(curvature, slope)
    if recognise_rings(candidate.solver.offsets_m, 1) is not None:
        offset_m[:2] = 0.0
    # rounded so that the settings state what was swept
    center_m: Floats = np.asarray(np.round(candidate.solver.origin_m + offset_m, 3), dtype=np.float64)
    away_m = float(np.linalg.norm(center_m - candidate.solver.origin_m))
    nearest_m = float(np.linalg.norm(spectra.positions_m - center_m, axis=1).min())
    inner_m = float(np.linalg.norm(candidate.solver.offsets_m, axis=1).min())
    # a centre among the points is none
    return center_m if away_m > _ANOTHER_PLACE * inner_m and nearest_m > 0.5 * inner_m else None


def gain_db(choice: Choice, first: Choice) -> float:
    """By how much it predicts left-out points better than the first, mean of the rows that both reach; minus
    infinity for another origin that does not reach as far as the first."""
    rows, own, others = np.intersect1d(choice.rows, first.rows, return_indices=True)
    if not rows.size or (choice.sweep.candidate.of_cells is None and len(rows) < len(first.rows)):
        return -np.inf
    missed_db = [np.array([trial.cross_validation_db for trial in one.trials()]) for one in (first, choice)]
    return float(np.mean(missed_db[0][others] - missed_db[1][own]))


def _best(choices: tuple[Choice, ...]) -> Choice:
    """Another place, or several, must prove itself."""
    gains = [0.0, *(gain_db(choice, choices[0]) for choice in choices[1:])]
    at = int(np.argmax(gains))
    return choices[at] if gains[at] >= PROOF_DB else choices[0]


def _stated(best: Choice, spectra: Spectra, settings: Settings) -> Settings:
    """Settings that state the degrees, and where they count from if that is another place than by default."""
    candidate, frequency_hz = best.sweep.candidate, spectra.frequency_hz
    outgoing, regular = best.degrees(frequency_hz)
    # the unused setting of a scan that is not separated stays as it was
    tables: dict[str, OrderTable] = {"outgoing": order_table(frequency_hz, outgoing)}
    if candidate.separate:
        tables["regular"] = order_table(frequency_hz, regular)
    expansion: dict[str, object] = {}
    if candidate.name == "acoustic centre":
        expansion["origin_m"] = tuple(candidate.solver.origin_m.tolist())
    if candidate.of_cells is not None:
        expansion["several_centers"] = True
    return settings.model_copy(
        update={
            "orders": settings.orders.model_copy(update=tables),
            "expansion": settings.expansion.model_copy(update=expansion),
        }
    )


def _why_auto(best: Choice, spectra: Spectra, origin_m: Floats, seam_hz: float | None) -> str:
    if seam_hz is not None:
        where = f"at {seam_hz:.0f} Hz" if np.isfinite(seam_hz) else "higher up"
        return f"gated spectra take over {where} and need degrees of their own"
    if best.sweep.candidate.of_cells is None and divide(spectra, origin_m) is not None:
        return "points lie too near for one origin, and a table would forbid a run to try cells"
    return ""


def _held_out(best: Choice, spectra: Spectra) -> Floats:
    """Of the recommended degrees at the judged rows; waves of cells are not followed in between the points."""
    held = np.full(len(spectra.frequency_hz), np.nan)
    if best.sweep.candidate.of_cells is not None:
        return held
    orders = [trial.orders for trial in best.trials()]
    held[best.rows] = held_out_db(
        spectra.picked("frequency", best.rows), best.sweep.candidate.solver.origin_m, orders
    )
    return held
