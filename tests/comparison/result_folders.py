"""Small result folders with curves, bands, verdicts and scalars as wanted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from fieldproc.outcome import table_files
from fieldproc.records import Scalar, Table
from fieldproc.results import provenance, summary_bytes, write_folder

FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(240) / 24.0)
CTA = (
    "on_axis",
    "listening_window",
    "early_reflections",
    "sound_power",
    "early_reflections_di",
    "sound_power_di",
    "in_room_estimate",
)
FACTS = {
    "quantity": "far-field pressure scaled to the reference distance",
    "level_reference": "20 uPa",
    "reference_distance_m": 1.0,
    "drive_voltage_v": 2.83,
    "axis_origin_m": "0.15 0 0",
}


def curve_db(name: str, frequency_hz: np.ndarray) -> np.ndarray:
    """Straight over the logarithm of frequency, each curve at its own level."""
    slope = 0.0 if name == "on_axis" else -0.5
    return np.asarray(85.0 - 3.0 * CTA.index(name) + slope * np.log2(frequency_hz / 1000.0))


def tables_of(
    frequency_hz: np.ndarray = FREQUENCY_HZ,
    *,
    louder_db: float | np.ndarray = 0.0,
    reach_db: tuple[float, float] | None = (0.3, 0.4),
    verdict: int | np.ndarray | None = 0,
    facts: Mapping[str, str | float | int] = FACTS,
) -> dict[str, Table]:
    """Curves ``louder_db`` above those of ``curve_db``, with bands that reach so far down and up."""
    levels = {f"{name}_db": curve_db(name, frequency_hz) + louder_db for name in CTA}
    cta = {"frequency_hz": frequency_hz, **levels, **_bands(levels, reach_db)}
    index = {
        "sound_power_db": 80.0 + louder_db + 0.0 * frequency_hz,
        "directivity_index_db": 5.0 + 0.0 * frequency_hz,
    }
    coverage = {"horizontal_coverage_deg": 90.0 + 0.0 * frequency_hz}
    tables = [
        Table.of_columns("cta2034a", cta, facts),
        Table.of_columns(
            "directivity", {"frequency_hz": frequency_hz, **index, **coverage, **_bands(index, reach_db)}, facts
        ),
    ]
    if verdict is not None:
        codes = np.broadcast_to(verdict, len(frequency_hz))
        tables.append(Table.of_columns("quality", {"frequency_hz": frequency_hz, "verdict_code": codes}, facts))
    return {table.name: table for table in tables}


def _bands(levels: Mapping[str, np.ndarray], reach_db: tuple[float, float] | None) -> dict[str, np.ndarray]:
    if reach_db is None:
        return {}
    ends = zip(("low", "high"), (-reach_db[0], reach_db[1]), strict=True)
    return {f"{name[:-3]}_{end}_db": levels[name] + reach for end, reach in ends for name in levels}


def written(
    folder: Path,
    channels: Sequence[Mapping[str, Table]],
    scalars: Mapping[str, Scalar] | None = None,
    channel_names: Sequence[str] = ("full range", "woofer"),
) -> Path:
    """A folder as ``run`` writes it, as far as a comparison reads it."""
    names = tuple(channel_names[: len(channels)])
    frequency_hz = channels[0]["cta2034a"].column("frequency_hz")
    files = table_files(channels)
    summary = summary_bytes(
        frequency_hz=frequency_hz,
        verdict=np.zeros((len(frequency_hz), len(channels)), dtype=np.int64),
        channel_names=names,
        dropped=(),
        scalars=scalars or {},
        provenance=provenance("0" * 64, files),
        notices=(),
        facts={},
    )
    write_folder(folder, {**files, "summary.json": summary})
    return folder
