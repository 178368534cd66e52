"""From a far field to the four standard tables of one channel."""

from __future__ import annotations

from functools import partial

import numpy as np

from fieldproc.conventions import Booleans, Floats
from fieldproc.records import Facts, FarField, Table
from fieldproc.settings import TableSettings
from fieldproc.tables.bands import FACTS, with_bands
from fieldproc.tables.cta2034a import choices, curve_columns
from fieldproc.tables.directivity import directivity_columns
from fieldproc.tables.interpolation import Filled, filling_facts
from fieldproc.tables.polar import polar_columns, polars_of

ANGLE_FACTS = {
    "horizontal": "angle a is the direction (cos a, sin a, 0), positive to the loudspeaker's left",
    "vertical": "angle v is the direction (cos v, 0, sin v), positive up; beyond 90 is behind",
}


def tabulate(
    far_field: FarField,
    settings: TableSettings,
    facts: Facts,
    channel: int = 0,
    *,
    circles: FarField | Filled | None = None,
) -> tuple[Table, ...]:
    """Tables ``cta2034a``, ``horizontal``, ``vertical`` and ``directivity`` of one channel.

    Parameters
    ----------
    far_field
        Any set of directions. Those of the two polars are found to within 0.05 degrees; one that is not
        there gives nan, as do the averages that need it, and ``missing_directions`` counts them.
    settings
        The readings of the rear wall and of the early reflections.
    facts
        What only the caller knows, such as ``drive_voltage_v`` and ``session_sha256``; goes to every table.
    channel
        Index along the far field's channel axis.
    circles
        The same far field in ``fine_polar_directions``, for coverage angles finer than the far field's own steps.
        For a far field from elsewhere what ``interpolated`` made of it: then polars are taken from there, too, and
        the far field itself serves for the mean over the sphere.
    """
    filled = circles if isinstance(circles, Filled) else None
    fine = circles.far_field if isinstance(circles, Filled) else far_field if circles is None else circles
    coarse = far_field if filled is None else fine
    filling = {} if filled is None else filling_facts(filled, channel)
    common = {**common_facts(coarse, channel, polars_of(coarse, channel).missing, facts), **filling, **facts}
    # the mean over the sphere, where no sound power tells it, needs the directions of the whole balloon
    balloon = fine if filled is None else far_field
    fitted_pa2 = None if filled is None else filled.mean_square_pa2[:, channel]
    _, directivity_facts = directivity_columns(balloon, fine, channel, fitted_pa2)
    contents = _contents(settings) | {"directivity": {**_DIRECTIVITY_FACTS, **directivity_facts}}
    known = coarse.phase_known if filled is None else filled.known_phases(channel)
    columns = {
        "cta2034a": with_bands(coarse, partial(curve_columns, settings=settings, channel=channel), channel),
        **{
            plane: with_bands(coarse, partial(_polar_columns, plane, channel=channel, known=known), channel)
            for plane in ANGLE_FACTS
        },
        "directivity": with_bands(
            fine,
            lambda changed: directivity_columns(changed if filled is None else balloon, changed, channel, fitted_pa2)[
                0
            ],
            channel,
        ),
    }
    if filled is not None and not filled.held.all():
        columns["directivity"]["interpolation_held_out_db"] = filled.held_out_db[:, channel]
    frequency = {"frequency_hz": far_field.frequency_hz}
    bands: Facts = {} if coarse.errors is None else FACTS
    return tuple(
        Table.of_columns(name, frequency | columns[name], {**common, **bands, **content})
        for name, content in contents.items()
    )


def _contents(settings: TableSettings) -> dict[str, Facts]:
    """Facts of their own of the tables but ``directivity``."""
    return {
        "cta2034a": {"content": "curves of ANSI/CTA-2034-A"}
        | choices(settings.rear_wall, settings.early_reflections),
        **{
            plane: {"content": f"level and phase in the {plane} plane", "angles": angles}
            for plane, angles in ANGLE_FACTS.items()
        },
    }


def _polar_columns(plane: str, far_field: FarField, channel: int, known: bool | Booleans) -> dict[str, Floats]:
    """Columns of one plane; phases are ``known`` throughout, or (frequency, direction of the far field)."""
    polars = polars_of(far_field, channel)
    if not isinstance(known, bool):
        known = known[:, polars.index[plane]]
    return polar_columns(polars.horizontal_pa if plane == "horizontal" else polars.vertical_pa, known)


_DIRECTIVITY_FACTS = {
    "content": "sound power, directivity index and coverage angles",
    "standard": "directivity index: ANSI/ASA S1.1 6.67, IEC 60050-801; coverage angle: IEC 60268-5",
    "power_reference": "1 pW",
    "coverage": (
        "full angle between the first crossings of -6 dB (amplitude 10^(-6/20)) re the axis, and the angle of each "
        "from the axis; nan = not reached"
    ),
    "coverage_error": (
        "squared magnitudes are joined by polynomials of degree 7 between the steps stated; for a piston in a wall "
        "the full angle is within 1e-4 degrees in steps of 1, 0.02 in steps of 5 from 25 degrees up, and 0.05 in "
        "steps of 10 from 50 degrees up, 1 from 25, no better than the step below"
    ),
}


def common_facts(
    far_field: FarField, channel: int, missing: int, facts_of_caller: Facts
) -> dict[str, str | float | int]:
    """What the tables of a channel that lacks ``missing`` polar directions state alike."""
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
