"""A far field from elsewhere in directions that it does not hold; ``sphere_sides.py`` has the method.

Directions that are held, to 0.05 degrees, keep their values.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers, amplitude_db
from fieldproc.records import Axes, FarField, check_axes
from fieldproc.tables.polar import MISSING, match_directions
from fieldproc.tables.sphere_sides import NO_FIT, PHASE_LIMIT_DB, filled_in

# Left-out error of magnitude, re its rms, above which what is filled in says little: 2.4 dB of level.
LEVEL_LIMIT_DB = -10.0


@dataclass(frozen=True, slots=True)
class Filled:
    """A far field in wanted directions, and how far to believe those that were not ``held``.

    ``degree`` and ``held_out_db`` are of the fit that gave the levels: the rms of what it misses of the magnitude in
    left-out directions, re the rms magnitude (-1 and nan where nothing was fitted). ``phase_known`` is that of the
    directions that were not held. ``mean_square_pa2`` is the mean over the sphere by the same fit (nan where there is
    none, or a cap is empty).
    """

    AXES: ClassVar[Axes] = {
        "held": ("direction",),
        "degree": ("frequency", "channel"),
        "held_out_db": ("frequency", "channel"),
        "phase_known": ("frequency", "channel"),
        "mean_square_pa2": ("frequency", "channel"),
    }
    far_field: FarField
    held: Booleans
    degree: Integers
    held_out_db: Floats
    phase_known: Booleans
    mean_square_pa2: Floats

    def __post_init__(self) -> None:
        check_axes(self, self.AXES)

    def known_phases(self, channel: int) -> Booleans:
        """Which phases of one channel are known, (frequency, direction)."""
        held = self.held & self.far_field.phase_known
        return np.asarray(held | (self.phase_known[:, channel, None] & ~self.held))


def interpolated(far_field: FarField, directions: Floats) -> Filled:
    """The far field in unit vectors (direction, 3); what is not held is fitted: see ``sphere_sides``.

    A frequency without any data stays nan, and a direction that lacks data at another frequency is not used. Errors
    and bands of the far field are not carried over.
    """
    index = match_directions(far_field.directions, directions)
    held = index != MISSING
    pressure_pa = far_field.pressure_pa[:, :, index]
    degree = np.full(pressure_pa.shape[:2], NO_FIT)
    held_out_db = np.full(pressure_pa.shape[:2], np.nan)
    phase_known = np.full(pressure_pa.shape[:2], far_field.phase_known)
    mean_square = np.full(pressure_pa.shape[:2], np.nan)
    pressure_pa[:, :, ~held] = np.nan
    alive = np.isfinite(far_field.pressure_pa).any(axis=2)
    sets = far_field.pressure_pa[alive]
    usable = np.isfinite(sets).all(axis=0)
    if alive.any() and usable.any() and not held.all():
        found = filled_in(
            far_field.directions[usable], sets[:, usable].T, directions[~held], phase_known=far_field.phase_known
        )
        row, channel = np.nonzero(alive)
        pressure_pa[row[:, None], channel[:, None], np.flatnonzero(~held)] = found.values.T
        degree[alive], held_out_db[alive] = found.levels.degree, amplitude_db(found.levels.error)
        phase_known[alive], mean_square[alive] = found.coherent, found.mean_square
    return Filled(
        replace(far_field, directions=directions, pressure_pa=pressure_pa, errors=None, bands=None),
        held,
        degree,
        held_out_db,
        phase_known,
        mean_square,
    )


def filling_facts(filled: Filled, channel: int) -> dict[str, str | float | int]:
    """How one channel came by the directions that were not held; nothing where all were."""
    count = int(np.count_nonzero(~filled.held))
    fitted = filled.degree[:, channel] != NO_FIT
    if not count or not fitted.any():
        return {}
    degrees, error_db = filled.degree[fitted, channel], filled.held_out_db[fitted, channel]
    facts: dict[str, str | float | int] = {
        "interpolation": (
            f"{count} of {filled.held.size} directions by least-squares spherical harmonics (degree {degrees.min()} "
            f"to {degrees.max()}) of pressure, magnitude or squared magnitude, whichever predicts left-out "
            "directions best"
        ),
        "interpolation_held_out": (
            f"rms error of the magnitude in left-out directions re the rms magnitude: {np.median(error_db):.1f} dB "
            f"in the median, at worst {error_db.max():.1f} dB at "
            f"{filled.far_field.frequency_hz[fitted][np.argmax(error_db)]:.6g} Hz"
        ),
    }
    if filled.far_field.phase_known and not filled.phase_known[fitted, channel].all():
        facts["interpolation_phase"] = (
            f"unknown where left-out complex pressures are missed by more than {PHASE_LIMIT_DB:g} dB"
        )
    return facts


def filling_notices(filled: Filled) -> tuple[str, ...]:
    """What a reader of the tables must know of the directions that were not held."""
    if filled.held.all():
        return ()
    told = [f"{np.count_nonzero(~filled.held)} directions are not in the file and were interpolated"]
    finite = np.isfinite(filled.far_field.pressure_pa)
    empty = ~finite.any(axis=(0, 1)) & ~filled.held & finite.any()
    if count := int(np.count_nonzero(empty)):
        told.append(f"{count} of them lie in a cap that the file leaves empty: nan")
    poor = np.flatnonzero((filled.held_out_db > LEVEL_LIMIT_DB).any(axis=1))
    if poor.size:
        hertz = filled.far_field.frequency_hz[poor]
        told.append(
            f"at {poor.size} of {len(filled.held_out_db)} frequencies ({hertz[0]:.6g} to {hertz[-1]:.6g} Hz) "
            f"directions left out are missed by more than {LEVEL_LIMIT_DB:g} dB re the rms magnitude: what is in "
            "between is a guess"
        )
    return tuple(told)
