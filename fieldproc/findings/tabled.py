"""Findings as tables: numbers for other programs, and what figures are drawn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import get_args

import numpy as np

from fieldproc.findings.cause import COMPARED, Cause
from fieldproc.findings.find import TOLD_CURVES, Findings, Placement, Subject
from fieldproc.findings.prediction import equalizer_table, filtered
from fieldproc.records import Facts, Table
from fieldproc.settings import Settings
from fieldproc.tables import tabulate

CAUSES: tuple[Cause, ...] = get_args(Cause)
# Tables that are made again for the loudspeaker behind its equaliser.
_AFTER = ("cta2034a", "horizontal", "vertical")


def findings_tables(
    findings: Findings, subject: Subject, settings: Settings, facts: Facts, channel: int
) -> dict[str, Table]:
    """By name: ``departures``, ``aim``, ``placement``, ``equalizer``, and ``cta2034a_equalized`` and so on.

    Those of what was not found are left out.
    """
    tables = []
    if findings.trends:
        tables.append(_departures(findings, facts))
    if findings.aim is not None:
        tables.append(_aim(findings, facts))
    if findings.placement is not None:
        tables.append(_placement(findings.placement, facts))
    if findings.equalizer is not None:
        tables += [equalizer_table(findings.equalizer, facts), *_after(findings, subject, settings, facts, channel)]
    return {table.name: table for table in tables}


def _departures(findings: Findings, facts: Facts) -> Table:
    flaws = findings.flaws
    own = [flaw.departure for flaw in flaws]
    evidence = [flaw.explained.evidence for flaw in flaws]
    compared = [name for name in COMPARED if all(name in one.sizes_db for one in evidence)]
    columns = {
        "peak_hz": [one.peak_hz for one in own],
        "lowest_hz": [one.lowest_hz for one in own],
        "highest_hz": [one.highest_hz for one in own],
        "size_db": [one.size_db for one in own],
        "size_uncertainty_db": [one.uncertainty_db for one in own],
        "area_db_octaves": [one.area_db_octaves for one in own],
        "significance": [one.significance for one in own],
        "broad": [float(one.broad) for one in own],
        "cause_code": [float(CAUSES.index(flaw.explained.cause)) for flaw in flaws],
        **{f"found_in_{name}": [float(name in flaw.curves) for flaw in flaws] for name in TOLD_CURVES},
        **{f"{name}_size_db": [one.sizes_db[name] for one in evidence] for name in compared},
        "index_change_db": [one.index_change_db for one in evidence],
        "index_uncertainty_db": [one.index_uncertainty_db for one in evidence],
    }
    told: dict[str, str | float | int] = {
        "content": "departures of listening window and in-room estimate from their trends, the largest area first",
        "cause_codes": "; ".join(f"{code} {cause}" for code, cause in enumerate(CAUSES)),
        "sizes": "in the curve that shows it most, and by the same weights in the others; bands end at half of it",
        "uncertainties": "standard ones, nan where errors are not known",
    }
    for name, trend in findings.trends.items():
        told[f"trend_{name}_slope_db_per_octave"] = trend.slope_db_per_octave
        told[f"trend_{name}_level_1khz_db"] = trend.level_1khz_db
        told[f"trend_{name}_lowest_hz"], told[f"trend_{name}_highest_hz"] = trend.band_hz
    arrays = {name: np.array(values, dtype=np.float64) for name, values in columns.items()}
    return Table.of_columns("departures", arrays, {**facts, **told})


def _aim(findings: Findings, facts: Facts) -> Table:
    assert findings.aim is not None
    tried = findings.aim.tried
    columns = {
        "toe_in_deg": np.array([one.toe_in_deg for one in tried]),
        "elevation_deg": np.array([one.elevation_deg for one in tried]),
        "direct_rms_db": np.array([one.direct_rms_db for one in tried]),
        "in_room_rms_db": np.array([one.in_room_rms_db for one in tried]),
    }
    told = {
        "content": "departures of direct sound and in-room estimate from their trends on axis, against aim",
        "toe_in": "the loudspeaker turned to its left, seen from a seat straight ahead of one that is not",
        "elevation": "of the seat above the axis",
    }
    return Table.of_columns("aim", columns, {**facts, **told})


def _placement(own: Placement, facts: Facts) -> Table:
    columns = {"frequency_hz": own.frequency_hz, "power_db": own.power_db, "at_seat_db": own.at_seat_db}
    distances = {"front_wall_m": own.boundaries.front_m, "side_wall_m": own.boundaries.side_m}
    told: dict[str, str | float | int] = {
        "content": "what boundaries do to a loudspeaker: radiated power re free field, level at the seat re direct",
        "boundaries": "perfect ones, as image sources of the far field at their true distances; no others; no bands",
        **{
            name: distance
            for name, distance in {**distances, "floor_m": own.boundaries.floor_m}.items()
            if distance is not None
        },
        "side": own.boundaries.side,
        "seat_m": " ".join(f"{x:g}" for x in own.seat_m),
    }
    return Table.of_columns("placement", columns, {**facts, **told})


def _after(findings: Findings, subject: Subject, settings: Settings, facts: Facts, channel: int) -> list[Table]:
    """Standard tables of the loudspeaker behind its equaliser, up to half the sampling rate of that."""
    equalizer = findings.equalizer
    assert equalizer is not None
    carried = subject.polars.frequency_hz < 0.5 * equalizer.sampling_rate_hz
    behind = [
        filtered(one.picked("frequency", carried), equalizer.sections, equalizer.sampling_rate_hz, channel)
        for one in (subject.polars, subject.circles)
    ]
    told: Mapping[str, str | float | int] = {
        **facts,
        "equalizer": f"the {len(equalizer.sections)} sections of equalizer.csv at {equalizer.sampling_rate_hz:g} Hz",
    }
    made = tabulate(behind[0], settings.tables, told, channel, circles=behind[1])
    return [_renamed(table) for table in made if table.name in _AFTER]


def _renamed(table: Table) -> Table:
    content = f"behind the equaliser: {table.facts['content']}"
    return replace(table, name=f"{table.name}_equalized", facts={**table.facts, "content": content})
