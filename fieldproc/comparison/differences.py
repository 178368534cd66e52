"""Differences of one result from the reference, with their bands: curves and indices, scalars, and what they come to.

The band of a difference takes the errors of both as independent: squares of half widths add, those below a difference
being those below the one level and above the level that is taken off.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fieldproc.comparison.align import common_grid, levels_at, same_grid, worst_verdict
from fieldproc.comparison.results import COMPARED_TABLES, Result
from fieldproc.conventions import Booleans, Floats, Integers
from fieldproc.records import Scalar, Table, Verdict

# What means and largest differences are taken over.
LOWEST_HZ, HIGHEST_HZ = 200.0, 10_000.0

_FACTS = {
    "bands": (
        "low and high: difference -+ the root of the sum of both squared half widths of 95 %, as if the errors of "
        "both results were independent; what they have in common (calibration of the microphone, sound speed, the "
        "same recordings) would cancel, and is not taken off; nan = not known"
    ),
    "phase": "not compared",
}


@dataclass(frozen=True, slots=True)
class Spread:
    """What the differences of one curve come to over the band: mean with band, and the largest and where it is."""

    mean: Scalar
    largest_db: float
    largest_at_hz: float


def difference(reference: Scalar, other: Scalar) -> Scalar:
    """Other minus reference, whose units agree; the note is that of both, or none."""
    low, high = _band(
        *(np.array(number) for number in (reference.value, reference.low, reference.high)),
        *(np.array(number) for number in (other.value, other.low, other.high)),
    )
    note = other.note if other.note == reference.note else ""
    return Scalar(other.value - reference.value, other.unit, float(low), float(high), note)


def _band(
    reference: Floats, reference_low: Floats, reference_high: Floats, other: Floats, low: Floats, high: Floats
) -> tuple[Floats, Floats]:
    # of infinite levels nothing is known
    with np.errstate(invalid="ignore"):
        middle = other - reference
        below = middle - np.hypot(other - low, reference_high - reference)
        above = middle + np.hypot(high - other, reference - reference_low)
    return below, above


def difference_tables(reference: Result, other: Result, channel: int, ending: str) -> dict[str, Table]:
    """``difference_NAME`` of the compared tables of one channel, by name; ``ending`` follows the name."""
    return {
        f"difference_{name}{ending}": _difference_table(f"difference_{name}{ending}", name, reference, other, channel)
        for name in COMPARED_TABLES
    }


def _difference_table(name: str, of: str, reference: Result, other: Result, channel: int) -> Table:
    one, two = (result.channels[channel][of] for result in (reference, other))
    own_hz = [table.column("frequency_hz") for table in (one, two)]
    frequency_hz = common_grid(*own_hz)
    values: dict[str, Floats] = {}
    ends: dict[str, Floats] = {}
    for column in one.header:
        if column not in two.header or not _is_level(column):
            continue
        stem = column.removesuffix("_db")
        level, low, high, other_level, other_low, other_high = (
            levels_at(table, f"{stem}{end}_db", frequency_hz) for table in (one, two) for end in ("", "_low", "_high")
        )
        with np.errstate(invalid="ignore"):
            values[column] = other_level - level
        band = _band(level, low, high, other_level, other_low, other_high)
        ends[f"{stem}_low_db"], ends[f"{stem}_high_db"] = band
    told = {
        "content": f"levels and indices of {of}.csv, other minus reference",
        "reference": reference.name,
        "other": other.name,
        "channel": reference.channel_names[channel],
        "frequency_grid": (
            "that of both results"
            if same_grid(*own_hz)
            else "rows of the coarser result in the band of both; the other linearly in dB over log frequency"
        ),
    }
    return Table.of_columns(name, {"frequency_hz": frequency_hz, **values, **ends}, {**told, **_FACTS})


def _is_level(column: str) -> bool:
    """Levels and indices, not the ends of their bands."""
    stem = column.removesuffix("_db")
    return column.endswith("_db") and not stem.endswith(("_low", "_high"))


def joint_verdict(results: tuple[Result, ...], channel: int, frequency_hz: Floats) -> Integers:
    """The worst that any of the results says of every frequency; caution where one says nothing of its own."""
    worst = np.zeros(len(frequency_hz), dtype=np.int64)
    for result in results:
        quality = result.channels[channel].get("quality")
        if quality is None:
            own_hz = result.channels[channel]["cta2034a"].column("frequency_hz")
            codes = np.full(len(own_hz), Verdict.CAUTION)
            quality = Table.of_columns("quality", {"frequency_hz": own_hz, "verdict_code": codes}, {})
        worst = np.maximum(worst, worst_verdict(quality, frequency_hz))
    return worst


def spreads(tables: Mapping[str, Table], verdict_of: Mapping[str, Integers]) -> dict[str, Spread]:
    """By column, over 200 Hz to 10 kHz and what may be used there, of tables of differences (and their verdicts)."""
    found = {}
    for name, table in tables.items():
        frequency_hz = table.column("frequency_hz")
        inside = (frequency_hz >= LOWEST_HZ) & (frequency_hz <= HIGHEST_HZ) & (verdict_of[name] < Verdict.DO_NOT_USE)
        for column in table.header:
            if _is_level(column):
                # two tables hold a sound power, one from 70 curves and one from the waves
                found[f"{name} {column}"] = _spread(table, column, inside)
    return found


def _spread(table: Table, column: str, inside: Booleans) -> Spread:
    frequency_hz, value_db = table.column("frequency_hz"), table.column(column)
    rows = np.flatnonzero(inside & np.isfinite(value_db))
    if not rows.size:
        return Spread(Scalar(math.nan, "dB"), math.nan, math.nan)
    # every row stands for its part of the logarithmic axis
    weight = np.ones(1) if frequency_hz.size == 1 else np.gradient(np.log(frequency_hz))[rows]
    weight = weight / weight.sum()
    stem = column.removesuffix("_db")
    # errors that frequencies share do not average out: no deviation of a mean exceeds the mean of the deviations
    mean, low, high = (
        float(weight @ table.column(name)[rows]) for name in (column, f"{stem}_low_db", f"{stem}_high_db")
    )
    largest = rows[np.argmax(np.abs(value_db[rows]))]
    return Spread(Scalar(mean, "dB", low, high), float(value_db[largest]), float(frequency_hz[largest]))
