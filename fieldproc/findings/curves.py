"""Curves over frequency with the errors that they may have, from which everything that is found is read.

A curve keeps the change that every vector of errors makes to it, not a band alone: errors of one cause move
neighbouring frequencies and other curves together, so that what they do to a difference, a slope or a bump is less,
or more, than their bands suggest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from fieldproc.conventions import Booleans, Floats
from fieldproc.records import FarField, Verdict
from fieldproc.settings import TableSettings
from fieldproc.tables import curve_columns, standard_uncertainty
from fieldproc.tables.averages import overlaps, share_edges
from fieldproc.tables.bands import CELL_LIMITS_DB, COVERAGE_FACTOR

# Of ANSI/CTA-2034-A; what is found rests on these.
NAMES = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room_estimate")


@dataclass(frozen=True, slots=True)
class Curve:
    """Level in dB (frequency,), and its changes by vectors of errors (vector, frequency), the first ``draws`` random.

    ``usable`` (frequency,) is where the level may be used; elsewhere it is nan.
    """

    frequency_hz: Floats
    level_db: Floats
    errors_db: Floats
    draws: int
    usable: Booleans

    @property
    def octave(self) -> Floats:
        """Octaves re 1 kHz, (frequency,)."""
        return np.asarray(np.log2(self.frequency_hz / 1000.0))

    def uncertainty_db(self) -> Floats:
        """Standard uncertainty (frequency,); nan where errors are not known."""
        return self.uncertainty_of(lambda level_db: level_db)

    def uncertainty_of(self, linear: Callable[[Floats], Floats]) -> Floats:
        """Standard uncertainty of whatever is linear in the level: ``linear`` maps (frequency,) to any shape."""
        if not len(self.errors_db):
            return np.full_like(linear(self.level_db), np.nan)
        return standard_uncertainty(np.array([linear(row) for row in self.errors_db]), self.draws)

    def minus(self, other: Curve) -> Curve:
        """The difference of two curves of one far field, such as a directivity index."""
        return replace(
            self,
            level_db=self.level_db - other.level_db,
            errors_db=self.errors_db - other.errors_db,
            usable=self.usable & other.usable,
        )

    def within(self, lowest_hz: float, highest_hz: float) -> Curve:
        """The usable part of a band."""
        return self.picked((self.frequency_hz >= lowest_hz) & (self.frequency_hz <= highest_hz) & self.usable)

    def picked(self, rows: Booleans) -> Curve:
        """The curve at some of its frequencies, (frequency,)."""
        return Curve(
            self.frequency_hz[rows], self.level_db[rows], self.errors_db[:, rows], self.draws, self.usable[rows]
        )


def curves_of(far_field: FarField, tables: TableSettings, channel: int) -> dict[str, Curve]:
    """The curves ``NAMES`` of a far field that holds the two polars, of one channel.

    Not usable is a frequency whose verdict says so, and a level whose own band is worse.
    """
    return curves_from(far_field, channel, lambda of: curve_columns(of, tables, channel))


def curves_from(
    far_field: FarField, channel: int, columns_of: Callable[[FarField], Mapping[str, Floats]]
) -> dict[str, Curve]:
    """As :func:`curves_of` for any levels (``name_db``) that are quadratic in pressure."""
    levels_db = columns_of(replace(far_field, errors=None))
    names = [name.removesuffix("_db") for name in levels_db]
    errors = far_field.errors
    changes_db: dict[str, list[Floats]] = {name: [] for name in names}
    for vector in () if errors is None else np.moveaxis(errors.pressure_pa, 2, 0):
        # squared pressures are quadratic: half their difference between plus and minus a vector is exact
        above, below = (
            columns_of(replace(far_field, pressure_pa=far_field.pressure_pa + sign * vector, errors=None))
            for sign in (1.0, -1.0)
        )
        for name in names:
            change = (_power(above[f"{name}_db"]) - _power(below[f"{name}_db"])) / 2.0
            with np.errstate(divide="ignore", invalid="ignore"):
                changes_db[name].append(10.0 / np.log(10.0) * change / _power(levels_db[f"{name}_db"]))
    return {name: _curve(far_field, channel, levels_db[f"{name}_db"], np.array(changes_db[name])) for name in names}


def octave_shares(frequency_hz: Floats, band_hz: tuple[float, float]) -> Floats:
    """Octaves of a band that every frequency within stands for, (frequency,): midway to midway; none for 0 Hz."""
    octaves = np.zeros(len(frequency_hz))
    sounding = frequency_hz > 0.0
    edges = share_edges(np.log2(frequency_hz[sounding]))
    low, high = np.log2(band_hz)
    octaves[sounding] = overlaps(edges, np.array([low]), np.array([high]))[0]
    # the share of a frequency outside may reach into the band
    return np.where((frequency_hz >= band_hz[0]) & (frequency_hz <= band_hz[1]), octaves, 0.0)


def _power(level_db: Floats) -> Floats:
    return np.asarray(10.0 ** (level_db / 10.0))


def _curve(far_field: FarField, channel: int, level_db: Floats, errors_db: Floats) -> Curve:
    usable = np.isfinite(level_db)
    if far_field.verdict is not None:
        usable &= far_field.verdict[:, channel] != Verdict.DO_NOT_USE
    errors = far_field.errors
    if errors is not None:
        usable &= errors.verdict[:, channel] != Verdict.DO_NOT_USE
        # to first order; tables reckon with amplitudes, which differ where a band is wide
        usable &= COVERAGE_FACTOR * standard_uncertainty(errors_db, errors.draws) <= CELL_LIMITS_DB[1]
    draws = 0 if errors is None else errors.draws
    level_db, errors_db = np.where(usable, level_db, np.nan), errors_db.reshape(-1, len(level_db))
    return Curve(far_field.frequency_hz, level_db, errors_db, draws, usable)
