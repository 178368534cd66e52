"""Polars in steps finer than the ten degrees of the standard, in tables of their own."""

from __future__ import annotations

from functools import partial

import numpy as np

from fieldproc.conventions import PLANES, Floats, Integers
from fieldproc.records import Facts, FarField, Table
from fieldproc.settings import TableSettings
from fieldproc.tables.bands import FACTS, with_bands
from fieldproc.tables.polar import MISSING, match_directions, polar_columns
from fieldproc.tables.tables import ANGLE_FACTS, common_facts


def fine_polars(far_field: FarField, settings: TableSettings, facts: Facts, channel: int = 0) -> tuple[Table, ...]:
    """Tables ``horizontal_Ndeg`` and ``vertical_Ndeg`` of one channel; none if the settings ask for ten degrees.

    Columns as in ``horizontal.csv``, angles from N - 180 to 180. Directions that the far field does not hold are nan.
    """
    step_deg = settings.polar_step_deg
    if step_deg == 10:
        return ()
    angles_deg = np.arange(step_deg - 180, 181, step_deg)
    tables = []
    for plane, directions_of in PLANES.items():
        index = match_directions(far_field.directions, directions_of(angles_deg.astype(np.float64)))
        missing = int(np.count_nonzero(index == MISSING))
        columns_of = partial(_columns, index=index, angles_deg=angles_deg, channel=channel)
        told = {
            **common_facts(far_field, channel, 0, facts),
            **facts,
            "missing_directions": missing,
            **({} if far_field.errors is None else FACTS),
            "content": f"level and phase in the {plane} plane, every {step_deg} degrees",
            "angles": ANGLE_FACTS[plane],
        }
        columns = {"frequency_hz": far_field.frequency_hz, **with_bands(far_field, columns_of, channel)}
        tables.append(Table.of_columns(f"{plane}_{step_deg}deg", columns, told))
    return tuple(tables)


def _columns(far_field: FarField, index: Integers, angles_deg: Integers, channel: int) -> dict[str, Floats]:
    pressure_pa = far_field.pressure_pa[:, channel, index]
    pressure_pa[:, index == MISSING] = np.nan
    return polar_columns(pressure_pa, far_field.phase_known, tuple(angles_deg.tolist()))
