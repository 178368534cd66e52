"""From a far field to its tables and single numbers: all that needs no scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats, Integers, fine_polar_directions, output_axes, polar_directions
from fieldproc.errors import NumericalError
from fieldproc.expand import Coverage, unscanned
from fieldproc.extrapolate import balloon_directions, extrapolate, extrapolate_blocks, pattern_harmonics
from fieldproc.impulse import impulse_response, step_response
from fieldproc.records import Bands, Expansion, Facts, FarField, ReferenceAxis, Scalar, Table, Verdict
from fieldproc.settings import ExtrapolationSettings, Settings
from fieldproc.tables import (
    LEVEL_LIMIT_DB,
    Filled,
    acoustic_center_table,
    common_facts,
    far_field_bands,
    filling_notices,
    fine_polars,
    interpolated,
    match_directions,
    octave_bands,
    quality_table,
    scalars_of,
    separation_table,
    smoothed,
    tabulate,
    time_table,
    trust_table,
)

Tables = dict[str, Table]
# Of an impulse response, before and after the sound.
_SHOWN_S = (-0.01, 0.06)


@dataclass(frozen=True, slots=True)
class Radiation:
    """One far field in the directions that results are made of.

    ``polars`` is what tables state, in the 72 directions of the two polars, ``circles`` the same in steps of a
    degree. ``plain`` is far-field pressure at 1 m in the polars, whatever the settings ask for; ``balloon`` goes to
    the exports, with bands in place of vectors of errors. ``filled``: it came from elsewhere, and lacked directions.
    ``harmonics`` (frequency, channel, coefficient) are those of its pattern, where they were asked for.
    """

    polars: FarField
    circles: FarField
    plain: FarField
    balloon: FarField
    verdict: Integers
    filled: Filled | None = None
    harmonics: Complexes | None = None

    @classmethod
    def of_expansion(cls, expansion: Expansion, axis: ReferenceAxis, settings: Settings) -> Radiation:
        """What the outgoing waves radiate, about a reference axis."""
        plain_settings = ExtrapolationSettings()
        circles = extrapolate(expansion, axis, fine_polar_directions(), settings.extrapolation)
        polars = plain = _towards(circles, polar_directions())
        if settings.extrapolation != plain_settings:
            plain = extrapolate(expansion, axis, polar_directions(), plain_settings)
        usable = np.all(expansion.quality.verdict < Verdict.DO_NOT_USE, axis=1)
        stated = settings.exports.balloon_degree
        degree = int(expansion.outgoing_order[usable].max(initial=1)) if stated == "auto" else stated
        directions = balloon_directions(settings.exports.balloon, max(degree, 1))
        balloon, harmonics = with_bands_towards(expansion, axis, directions, settings.extrapolation), None
        balloon = replace(balloon, verdict=expansion.quality.verdict)
        if "harmonics" in settings.exports.formats:
            harmonics = pattern_harmonics(expansion, axis, settings.extrapolation)
        return cls(polars, circles, plain, balloon, expansion.quality.verdict, harmonics=harmonics)

    @classmethod
    def of_far_field(cls, far_field: FarField) -> Radiation:
        """A far field from elsewhere, in output axes."""
        filled = interpolated(far_field, fine_polar_directions())
        # one phase that is not known makes none of a set: files of single directions have no other way to say so
        index = match_directions(fine_polar_directions(), polar_directions())
        known = all(filled.known_phases(channel)[:, index].all() for channel in range(len(far_field.channel_names)))
        polars = replace(_towards(filled.far_field, polar_directions()), phase_known=known)
        # its errors are whatever they were there: at best "caution", "do not use" where there is nothing, and where
        # what was filled in is a guess
        absent = ~np.isfinite(far_field.pressure_pa).any(axis=2)
        guessed = filled.held_out_db > LEVEL_LIMIT_DB
        verdict = np.where(absent | guessed, int(Verdict.DO_NOT_USE), int(Verdict.CAUTION))
        if far_field.verdict is not None:
            verdict = np.maximum(verdict, far_field.verdict)
        return cls(polars, filled.far_field, polars, replace(far_field, verdict=verdict), verdict, filled)

    def usable_polars(self, channel: int) -> Complexes:
        """Pressures of the polars (frequency, direction) of one channel, nan where not to be used."""
        unusable = self.verdict[:, channel, None] == Verdict.DO_NOT_USE
        return np.where(unusable, np.nan, self.polars.pressure_pa[:, channel])

    def tables(self, settings: Settings, facts: Facts, channel: int) -> Tables:
        """Of one channel, by name: the standard ones, and those that the settings ask for."""
        told = settings.tables
        lowest_hz, highest_hz = settings.scalars.slope_band_hz
        facts = {**facts, "in_room_slope_lowest_hz": lowest_hz, "in_room_slope_highest_hz": highest_hz}
        if self.filled is None:
            standard = tabulate(self.polars, told, facts, channel, circles=self.circles)
        else:
            standard = tabulate(self.balloon, told, facts, channel, circles=self.filled)
        return by_name(
            *standard,
            *smoothed(self.polars, told, facts, channel),
            *octave_bands(self.polars, told, facts, channel),
            *fine_polars(self.circles, told, facts, channel),
            time_table(self.polars, channel, facts=facts),
            *self._impulse_table(facts, channel),
        )

    def _impulse_table(self, facts: Facts, channel: int) -> tuple[Table, ...]:
        """Table ``impulse``: impulse and step response on axis about the sound; none where phases are not known."""
        if not self.polars.phase_known:
            return ()
        on_axis = match_directions(self.polars.directions, np.array([[1.0, 0.0, 0.0]]))[0]
        try:
            impulse = impulse_response(self.polars.frequency_hz, self.usable_polars(channel)[:, on_axis])
        except NumericalError:
            return ()
        about_s = impulse.times_s - float(impulse.facts["delay_s"])
        shown = (about_s >= _SHOWN_S[0]) & (about_s <= _SHOWN_S[1])
        columns = {
            "time_s": impulse.times_s[shown],
            "impulse_pa": impulse.samples_pa[shown],
            "step_pa": step_response(impulse).samples_pa[shown],
        }
        told = {
            "content": "impulse and step response on axis",
            **common_facts(self.polars, channel, 0, facts),
            **facts,
        }
        return (Table.of_columns("impulse", columns, {**told, **impulse.facts}),)

    def scalars(self, settings: Settings, facts: Facts, channel: int) -> dict[str, Scalar]:
        """Single numbers of one channel; none of a pressure at a distance that came from elsewhere."""
        if np.isfinite(self.plain.distance_m):
            return {}
        impedance_ohm = facts.get("rated_impedance_ohm")
        numbers, notes = scalars_of(
            self.plain,
            settings.scalars,
            settings.tables,
            facts,
            channel,
            verdict=self.verdict[:, channel],
            rated_impedance_ohm=None if impedance_ohm is None else float(impedance_ohm),
        )
        return {name: replace(number, note=notes[name]) for name, number in numbers.items()}

    @property
    def filling_told(self) -> tuple[str, ...]:
        """What a reader must know of a far field from elsewhere: directions that it lacked, and what it is not."""
        if self.filled is None:
            return ()
        near = (
            f"pressure at {self.plain.distance_m:g} m, no far field: single numbers, which are of that, are left out",
        )
        return (*filling_notices(self.filled), *(near if np.isfinite(self.plain.distance_m) else ()))


def by_name(*tables: Table) -> Tables:
    """Tables by their names."""
    return {table.name: table for table in tables}


def field_tables(
    radiation: Radiation, expansion: Expansion, axis: ReferenceAxis, settings: Settings, facts: Facts
) -> tuple[list[Tables], Coverage | None]:
    """Tables of every channel that a field file is enough for, and what of the sphere they rest on unscanned."""
    coverage = coverage_of(expansion, axis, polar_directions())
    resting = np.zeros(len(polar_directions()), dtype=np.bool_) if coverage is None else coverage.resting
    tables = []
    for channel in range(len(expansion.channel_names)):
        separation = separation_table(expansion, axis, channel, facts=facts)
        tables.append(
            radiation.tables(settings, facts, channel)
            | by_name(
                quality_table(expansion, channel, facts=facts),
                trust_table(radiation.plain, resting, channel, facts=facts),
                acoustic_center_table(expansion, channel, facts=facts),
                *(() if separation is None else (separation,)),
            )
        )
    return tables, coverage


def with_bands_towards(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, settings: ExtrapolationSettings
) -> FarField:
    """Any number of directions (direction, 3), in output axes, with bands in place of vectors of errors."""
    return _joined([_with_bands(part) for part in extrapolate_blocks(expansion, axis, directions, settings)])


def coverage_of(expansion: Expansion, axis: ReferenceAxis, directions: Floats) -> Coverage | None:
    """Which directions, in output axes, rest on sectors that hold no points; ``None`` if the points are not known."""
    if expansion.points_m is None:
        return None
    axes = output_axes(axis.direction, axis.up)
    usable = np.all(expansion.quality.verdict < Verdict.DO_NOT_USE, axis=1)
    order = int(expansion.outgoing_order[usable].max(initial=1))
    return unscanned(expansion.points_m - expansion.origin_m[0], directions @ axes, max(order, 1))


def unscanned_told(coverage: Coverage | None) -> list[str]:
    """Sectors without points, in words."""
    told = [
        f"{sector.half_angle_deg:.0f} degrees about ({', '.join(f'{x:.2f}' for x in sector.direction)})"
        for sector in (() if coverage is None else coverage.sectors[:4])
    ]
    if not told:
        return []
    return [f"not scanned: {'; '.join(told)}; directions there rest on what was measured elsewhere (trust.csv)"]


def _towards(far_field: FarField, directions: Floats) -> FarField:
    """The far field in some of its directions."""
    return far_field.picked("direction", match_directions(far_field.directions, directions))


def _with_bands(far_field: FarField) -> FarField:
    bands = None if far_field.errors is None else far_field_bands(far_field)
    return replace(far_field, errors=None, bands=bands)


def _joined(parts: Sequence[FarField]) -> FarField:
    """One far field of parts over frequency."""

    def together(name: str, of: Sequence[FarField | Bands]) -> NDArray[Any]:
        return np.concatenate([getattr(one, name) for one in of])

    bands = [part.bands for part in parts if part.bands is not None]
    return replace(
        parts[0],
        frequency_hz=together("frequency_hz", parts),
        pressure_pa=together("pressure_pa", parts),
        sound_power_w=together("sound_power_w", parts),
        bands=Bands(**{name: together(name, bands) for name in Bands.AXES}) if bands else None,
    )
