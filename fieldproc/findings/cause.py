"""Why a curve departs: is it in every direction, in some, or in the reflections alone?

What a resonance or a filter does, it does to all directions alike: every curve then shows the departure, and the
directivity index does not change. So the size of each departure is taken in every other curve of the same far field,
by the very weights that gave its size; errors that the curves share cancel in their differences.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.findings.curves import Curve
from fieldproc.findings.departures import Departure
from fieldproc.findings.trend import baseline_design, robust_operator, shares
from fieldproc.tables.averages import overlaps, share_edges

Cause = Literal["radiation-independent", "direction-dependent", "reflection-driven", "not clear"]
# Curves of the table that a departure is sized in; of the two planes, those that are named after them.
COMPARED = (
    "on_axis",
    "listening_window",
    "early_reflections",
    "sound_power",
    "in_room_estimate",
    "horizontal_reflections",
    "vertical_reflections",
)
# Those that must agree with the listening window where a departure is in every direction.
_JUDGED = ("on_axis", "early_reflections", "sound_power")
# Share of a departure: a difference between curves is small against it below, and an error large above.
_SMALL, _LARGE = 0.25, 0.5
_COVERAGE = 2.0
# Change of the index, dB, that an equaliser need not mind, and at which it is no use.
_HARMLESS_DB, _USELESS_DB = 0.5, 1.5
# Octaves about a frequency within which a change of the index counts for it.
_ABOUT_OCTAVES = 1.0 / 3.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a cause rests on: sizes of the departure in every curve compared, and how they differ from the window's.

    All by the names of the curves; ``window_minus_db`` and its uncertainty are of listening window minus curve, which
    share most errors. Of the sound power that is the change of the directivity index.
    """

    sizes_db: Mapping[str, float]
    uncertainty_db: Mapping[str, float]
    window_minus_db: Mapping[str, float]
    window_minus_uncertainty_db: Mapping[str, float]

    @property
    def index_change_db(self) -> float:
        """Listening window minus sound power."""
        return self.window_minus_db["sound_power"]

    @property
    def index_uncertainty_db(self) -> float:
        """Standard uncertainty of that change."""
        return self.window_minus_uncertainty_db["sound_power"]


@dataclass(frozen=True, slots=True)
class Explained:
    """The cause of a departure. ``correctable``: would an equaliser mend it?"""

    departure: Departure
    cause: Cause
    evidence: Evidence

    @property
    def correctable(self) -> bool:
        """An equaliser only moves what differs between directions."""
        return self.cause == "radiation-independent"


def explain(departure: Departure, curves: Mapping[str, Curve]) -> Explained:
    """The cause of a departure of any of the curves, all on the same frequencies; names as in ``COMPARED``.

    Needed are those up to the sound power.
    """
    sizes = {name: departure.size_in(curves[name]) for name in COMPARED if name in curves}
    window = curves["listening_window"]
    apart = {name: departure.size_in(window.minus(curves[name])) for name in _JUDGED}
    evidence = Evidence(
        {name: size for name, (size, _) in sizes.items()},
        {name: uncertainty for name, (_, uncertainty) in sizes.items()},
        {name: size for name, (size, _) in apart.items()},
        {name: uncertainty for name, (_, uncertainty) in apart.items()},
    )
    return Explained(departure, _cause(departure.size_db, evidence), evidence)


def correctable(curves: Mapping[str, Curve]) -> Floats:
    """How far an equaliser may act, (frequency,): 1 where the index is smooth, 0 where it changes by 1.5 dB or more.

    Changes are those from the index's own smooth course, within a third of an octave, beyond two standard
    uncertainties; 0 where the index may not be used.
    """
    index = curves["listening_window"].minus(curves["sound_power"])
    part = index.within(0.0, np.inf)
    weights = np.zeros(len(index.frequency_hz))
    if not len(part.frequency_hz):
        return weights
    smooth = baseline_design(part.octave)
    change = np.eye(len(part.frequency_hz)) - smooth @ robust_operator(smooth, part.level_db, shares(part))
    uncertainty_db = np.nan_to_num(part.uncertainty_of(lambda row: change @ row))
    beyond_db = np.maximum(np.abs(change @ part.level_db) - _COVERAGE * uncertainty_db, 0.0)
    edges = share_edges(part.octave)
    near = overlaps(edges, part.octave - _ABOUT_OCTAVES, part.octave + _ABOUT_OCTAVES) > 0.0
    largest_db = np.where(near, beyond_db, 0.0).max(axis=1)
    weights[index.usable] = np.clip((_USELESS_DB - largest_db) / (_USELESS_DB - _HARMLESS_DB), 0.0, 1.0)
    return weights


def _cause(size_db: float, evidence: Evidence) -> Cause:
    apart_db = np.abs(list(evidence.window_minus_db.values()))
    if not np.isfinite(apart_db).all():
        return "not clear"
    reach_db = _COVERAGE * np.nan_to_num(list(evidence.window_minus_uncertainty_db.values()))
    whole_db = max(abs(size_db), *(abs(evidence.sizes_db[name]) for name in ("listening_window", *_JUDGED)))
    if np.all(apart_db <= np.maximum(_SMALL * whole_db, reach_db)):
        # what the errors leave room for must itself be small, or nothing is known of other directions
        return "radiation-independent" if np.all(reach_db <= _LARGE * whole_db) else "not clear"
    window_db = abs(evidence.sizes_db["listening_window"])
    reflected_db = max(abs(evidence.sizes_db[name]) for name in ("early_reflections", "sound_power"))
    alone = window_db <= _SMALL * reflected_db and reflected_db >= _LARGE * abs(size_db)
    return "reflection-driven" if alone else "direction-dependent"
