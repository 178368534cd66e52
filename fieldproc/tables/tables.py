"""From a far field to the four standard tables of one channel."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.records import FarField, Table
from fieldproc.settings import TableSettings
from fieldproc.tables.bands import FACTS, with_bands
from fieldproc.tables.cta2034a import choices, standard_curves
from fieldproc.tables.directivity import directivity_columns
from fieldproc.tables.polar import polar_columns, polars_of

Facts = Mapping[str, str | float | int]

_ANGLES = {
    "horizontal": "angle a is the direction (cos a, sin a, 0), positive to the loudspeaker's left",
    "vertical": "angle v is the direction (cos v, 0, sin v), positive up; beyond 90 is behind",
}


def tabulate(far_field: FarField, settings: TableSettings, facts: Facts, channel: int = 0) -> tuple[Table, ...]:
    """Tables ``cta2034a``, ``horizontal``, ``vertical`` and ``directivity`` of one channel.

    Parameters
    ----------
    far_field
        Any set of directions. Those of the two polars are found to within 0.05 degrees; one that is not
        there gives nan, as do the averages that need it, and ``missing_directions`` counts them.
    settings
        The reading of the rear wall.
    facts
        What only the caller knows, such as ``drive_voltage_v`` and ``session_sha256``; goes to every table.
    channel
        Index along the far field's channel axis.
    """
    polars = polars_of(far_field, channel)
    common = {**_common_facts(far_field, channel, polars.missing, facts), **facts}
    _, directivity_facts = directivity_columns(far_field, polars, channel)
    contents: dict[str, Facts] = {
        "cta2034a": {"content": "curves of ANSI/CTA-2034-A"} | choices(settings.rear_wall),
        **{
            plane: {"content": f"level and phase in the {plane} plane", "angles": _ANGLES[plane]}
            for plane in ("horizontal", "vertical")
        },
        "directivity": {**_DIRECTIVITY_FACTS, **directivity_facts},
    }
    frequency = {"frequency_hz": far_field.frequency_hz}
    bands: Facts = {} if far_field.errors is None else FACTS
    return tuple(
        Table.of_columns(
            name,
            frequency | with_bands(far_field, partial(_columns, name, settings=settings, channel=channel), channel),
            {**common, **bands, **content},
        )
        for name, content in contents.items()
    )


def _columns(name: str, far_field: FarField, settings: TableSettings, channel: int) -> dict[str, Floats]:
    """Columns of one of the tables, but the frequency."""
    polars = polars_of(far_field, channel)
    if name == "cta2034a":
        return standard_curves(polars.horizontal_pa, polars.vertical_pa, settings.rear_wall)
    if name == "directivity":
        return directivity_columns(far_field, polars, channel)[0]
    pressure_pa = polars.horizontal_pa if name == "horizontal" else polars.vertical_pa
    return polar_columns(pressure_pa, far_field.phase_known)


_DIRECTIVITY_FACTS = {
    "content": "sound power, directivity index and coverage angles",
    "standard": "directivity index: ANSI/ASA S1.1 6.67, IEC 60050-801; coverage angle: IEC 60268-5",
    "power_reference": "1 pW",
    "coverage": (
        "full angle between the first crossings of -6 dB (amplitude 10^(-6/20)) re the axis; "
        "nan = not reached on both sides"
    ),
    "coverage_error": (
        "levels in dB are joined by straight lines between 10-degree steps; for a piston in a wall this is "
        "within 1.4 degrees from 40 degrees up, within 3 from 20, no better than the step below 20"
    ),
}


def _common_facts(
    far_field: FarField, channel: int, missing: int, facts_of_caller: Facts
) -> dict[str, str | float | int]:
    far = bool(np.isinf(far_field.distance_m))
    facts: dict[str, str | float | int] = {
        "channel": far_field.channel_names[channel],
        "quantity": (
            "far-field pressure scaled to the reference distance" if far else "pressure at the reference distance"
        ),
        "reference_distance_m": far_field.reference_distance_m if far else far_field.distance_m,
        "level_reference": "20 uPa"
        if facts_of_caller.get("calibrated", 1)
        else "relative: 20e-6 of the unit of the data",
        "phase": (
            "wrapped to (-180, 180] degrees, propagation over the reference distance removed"
            if far_field.phase_known
            else "unknown: the source of the data has magnitudes only"
        ),
        "time_sign": "exp(+i omega t): a delay tau multiplies a spectrum by exp(-i omega tau)",
        "axes": (
            "x along the reference axis, z up, y to the loudspeaker's left; right-handed, as in AES69; "
            "angles and distances count from the axis origin"
        ),
        "missing_directions": missing,
    }
    if missing:
        facts["missing_directions_note"] = (
            f"{missing} of the 70 polar directions are not in the far field; their columns and the averages "
            "that need them are nan"
        )
    return facts
