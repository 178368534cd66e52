"""Pressure in any direction from outgoing coefficients alone, and the power they radiate."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, Integers, output_axes, wavenumber
from fieldproc.errors import UsageError
from fieldproc.records import AnyComplexes, Expansion, FarField, FarFieldErrors, ReferenceAxis
from fieldproc.settings import ExtrapolationSettings
from fieldproc.side_by_side import side_by_side
from fieldproc.waves.basis import far_field_pattern, wave_columns
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.radial import ldexp


def extrapolate(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, settings: ExtrapolationSettings
) -> FarField:
    """Pressure that the outgoing set radiates towards ``directions`` (direction, 3), in output axes.

    Far-field pressure scaled to the reference distance or, if the settings ask so, the true pressure
    there; propagation over the distance and the stated latency are taken out. nan where a
    frequency has no fit. ``UsageError`` for a true distance that reaches into the source.
    """
    return _radiated(
        _towards(expansion, axis, directions, settings), settings, np.arange(len(expansion.frequency_hz))
    )


def extrapolate_blocks(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, settings: ExtrapolationSettings, block: int = 8
) -> Iterator[FarField]:
    """:func:`extrapolate`, a few frequencies at a time: errors in thousands of directions would not fit at once."""
    waves = _towards(expansion, axis, directions, settings)
    rows = np.arange(len(expansion.frequency_hz))
    for start in range(0, len(rows), block):
        yield _radiated(waves, settings, rows[start : start + block])


def _towards(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, settings: ExtrapolationSettings
) -> _Waves:
    distance_m = np.inf if settings.quantity == "far field" else settings.reference_distance_m
    return _Waves(expansion, axis, directions, distance_m, settings.air_absorption)


def _radiated(waves: _Waves, settings: ExtrapolationSettings, rows: Integers) -> FarField:
    """The far field of some of the frequencies."""
    expansion, reference_m = waves.expansion, settings.reference_distance_m
    part = expansion.picked("frequency", rows)
    turn = np.exp(2j * np.pi * part.frequency_hz * settings.latency_s)
    if np.isinf(waves.distance_m):
        turn = turn / reference_m
    else:
        turn = turn * np.exp(1j * _wavenumber(part) * reference_m)
    errors = None
    if part.deviations is not None:
        errors = FarFieldErrors(
            pressure_pa=waves.deviations(rows) * turn[:, None, None, None].astype(np.complex64),
            power=_power_deviations(part),
            verdict=part.quality.verdict,
            draws=part.deviations.draws,
            causes=part.deviations.causes,
        )
    return FarField(
        frequency_hz=part.frequency_hz,
        directions=waves.directions,
        pressure_pa=waves.pressure(rows) * turn[:, None, None],
        sound_power_w=sound_power(part),
        distance_m=waves.distance_m,
        reference_distance_m=reference_m,
        channel_names=part.channel_names,
        air_density_kg_per_m3=part.air_density_kg_per_m3,
        sound_speed_m_per_s=part.sound_speed_m_per_s,
        errors=errors,
        notices=part.notices,
    )


def _power_deviations(expansion: Expansion) -> Floats:
    """Relative change of the sound power by every vector, (frequency, channel, vector)."""
    assert expansion.deviations is not None
    power = []
    for row, own in enumerate(expansion.deviations.outgoing):
        used = _used(expansion, row)[:, None]
        common = min(used.shape[2], own.shape[2])
        # first order of the square sum, re the square sum; nan re nothing
        change = 2.0 * np.sum((used[..., :common].conj() * own[..., :common]).real, axis=2, keepdims=True)
        with np.errstate(divide="ignore", invalid="ignore"):
            power.append(change / np.sum(np.abs(used) ** 2, axis=2, keepdims=True))
    return np.asarray(_together(expansion, power)[..., 0].real, dtype=np.float64)


def far_field_pressure(expansion: Expansion, axis: ReferenceAxis, directions: Floats) -> Complexes:
    """lim r exp(ikr) p about the axis origin, at 1 m: (frequency, channel, direction); nan without a fit."""
    return _Waves(expansion, axis, directions).pressure()


def far_field_deviations(expansion: Expansion, axis: ReferenceAxis, directions: Floats) -> AnyComplexes:
    """What :func:`far_field_pressure` may be off by: (frequency, channel, vector, direction), see ``Deviations``."""
    return _Waves(expansion, axis, directions).deviations()


def pressure_at(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, distance_m: float, *, air_absorption: bool = False
) -> Complexes:
    """True pressure at a distance from the axis origin, exp(-ikr) kept: (frequency, channel, direction).

    With ``air_absorption``, less what the air takes over that distance. The scan itself stood in lossy air, and what
    its own few decimetres took is in the coefficients already: 0.2 dB too much at 20 kHz for a scan at 0.35 m.

    ``UsageError`` when a point lies inside the sphere around the source, where outgoing waves about the
    expansion origin need not converge, or when the absorption is not known. nan where a frequency has no fit.
    """
    return _Waves(expansion, axis, directions, distance_m, air_absorption).pressure()


def deviations_at(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, distance_m: float, *, air_absorption: bool = False
) -> AnyComplexes:
    """What :func:`pressure_at` may be off by: (frequency, channel, vector, direction), see ``Deviations``."""
    return _Waves(expansion, axis, directions, distance_m, air_absorption).deviations()


class _Waves:
    """Outgoing waves towards directions of the output axes: far field at 1 m, or true pressure at a distance.

    Harmonics are evaluated once per origin; errors need no more than single precision.
    """

    def __init__(
        self,
        expansion: Expansion,
        axis: ReferenceAxis,
        directions: Floats,
        distance_m: float = np.inf,
        air_absorption: bool = False,
    ) -> None:
        self.expansion, self.directions, self.distance_m = expansion, directions, distance_m
        self._axis_origin_m = axis.origin_m
        self._towards = directions @ output_axes(axis.direction, axis.up)
        self._absorbed = np.ones(len(expansion.frequency_hz))
        if np.isfinite(distance_m):
            points_m = axis.origin_m + distance_m * self._towards
            _require_outside(expansion, points_m, distance_m)
            if air_absorption:
                self._absorbed = _absorbed(expansion, distance_m)
        self._k = _wavenumber(expansion)
        self._order = int(expansion.outgoing_order.max())
        # harmonics of one origin; of another they are made anew
        self._seen = self._harmonics_of(self._towards, np.full(3, np.nan))

    def pressure(self, rows: Integers | None = None) -> Complexes:
        """Of some of the frequencies, (frequency, channel, direction); nan without a fit."""
        which = self._rows(rows)
        found = self._each(which, lambda row: self._field(row, _used(self.expansion, row), np.complex128))
        pressure = np.array(found, dtype=np.complex128)
        pressure[~_fitted(self.expansion)[which]] = np.nan
        return pressure

    def deviations(self, rows: Integers | None = None) -> AnyComplexes:
        """Vectors of errors, (frequency, channel, vector, direction)."""
        deviations = self.expansion.deviations
        assert deviations is not None

        def of_row(row: int) -> AnyComplexes:
            own = deviations.outgoing[row]
            # without a fit there are no vectors, and of a field file no coefficients either
            known = own if own.shape[2] else np.zeros((*own.shape[:2], 1))
            return self._field(row, known, np.complex64)

        return _together(self.expansion, self._each(self._rows(rows), of_row))

    def _each(self, rows: list[int], work: Callable[[int], AnyComplexes]) -> list[AnyComplexes]:
        # true pressures need a matrix of waves for every row
        columns = coefficient_count(self._order) if np.isfinite(self.distance_m) else 0
        return list(side_by_side(lambda at: work(rows[at]), len(rows), 32 * len(self.directions) * columns))

    def _rows(self, rows: Integers | None) -> list[int]:
        return list(range(len(self._k))) if rows is None else rows.tolist()

    def _field(self, row: int, coefficients: AnyComplexes, precision: type) -> AnyComplexes:
        """Of coefficients (..., coefficient), towards every direction."""
        k, origin_m = float(self._k[row]), self.expansion.origin_m[row]
        if np.isinf(self.distance_m):
            _, harmonics, single = self._seen
            # the pattern counts distance from the expansion origin, which lies nearer by this much
            lead = np.exp(1j * k * (self._towards @ (origin_m - self._axis_origin_m)))
            used: AnyComplexes = harmonics if precision is np.complex128 else single
            pattern = far_field_pattern(coefficients.astype(precision), k, used)
            return np.asarray(pattern * lead.astype(precision))
        offsets_m = self._axis_origin_m + self.distance_m * self._towards - origin_m
        seen = self._seen
        if not np.array_equal(origin_m, seen[0]):
            seen = self._seen = self._harmonics_of(offsets_m, origin_m)
        expansion_order = int(np.sqrt(coefficients.shape[-1])) - 1
        kr = k * np.linalg.norm(offsets_m, axis=1)
        columns, exponent = wave_columns("outgoing", expansion_order, seen[1], kr)
        field = ldexp(coefficients.astype(np.complex128), exponent) @ columns.T
        return np.asarray(field * self._absorbed[row], dtype=precision)

    def _harmonics_of(self, vectors: Floats, origin_m: Floats) -> tuple[Floats, Complexes, AnyComplexes]:
        """Harmonics seen from an origin, in either precision, and the origin, which says whose they are."""
        harmonics = spherical_harmonics(self._order, vectors)
        return origin_m, harmonics, harmonics.astype(np.complex64)


def _together(expansion: Expansion, rows: Sequence[AnyComplexes]) -> AnyComplexes:
    """Rows (channel, vector, direction) as one array; nan where there are no vectors, zeros for a few that lack."""
    assert expansion.deviations is not None
    vectors = expansion.deviations.draws + len(expansion.deviations.causes)
    whole = []
    for row in rows:
        missing = vectors - row.shape[1]
        fill = np.nan if missing == vectors else 0.0
        whole.append(np.pad(row, ((0, 0), (0, missing), (0, 0)), constant_values=fill))
    return np.array(whole)


def _absorbed(expansion: Expansion, distance_m: float) -> Floats:
    """What the air leaves of the amplitude over a distance, (frequency,)."""
    if expansion.absorption_db_per_m is None:
        raise UsageError("the absorption of the air is not known here; run the session again, or leave it out")
    return np.asarray(10.0 ** (-expansion.absorption_db_per_m * distance_m / 20.0))


def sound_power(expansion: Expansion) -> Floats:
    """Radiated power in watt, (frequency, channel): sum |c|^2 / (rho c k^2) for rms coefficients.

    Exact for the coefficients: the intensity of the far field integrated over the sphere. nan where a
    frequency has no fit.
    """
    impedance = expansion.air_density_kg_per_m3 * expansion.sound_speed_m_per_s
    power = np.sum(np.abs(expansion.outgoing) ** 2, axis=2) / (impedance * _wavenumber(expansion)[:, None] ** 2)
    return np.where(_fitted(expansion)[:, None], power, np.nan)


def _wavenumber(expansion: Expansion) -> Floats:
    return wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)


def _fitted(expansion: Expansion) -> Booleans:
    """Which frequencies were solved: the others hold zeros that are no measurement."""
    return np.asarray(~np.isnan(expansion.quality.condition))


def _used(expansion: Expansion, row: int) -> Complexes:
    """Outgoing coefficients of one frequency up to its order, (channel, coefficient)."""
    return np.asarray(expansion.outgoing[row, :, : coefficient_count(int(expansion.outgoing_order[row]))])


def _require_outside(expansion: Expansion, points_m: Floats, distance_m: float) -> None:
    origins_m = np.unique(expansion.origin_m, axis=0)
    nearest = min(float(np.linalg.norm(points_m - origin_m, axis=1).min()) for origin_m in origins_m)
    if nearest <= expansion.source_radius_m:
        raise UsageError(
            f"distance {distance_m:g} m comes within {nearest:.3f} m of the expansion origin, inside the "
            f"source (radius {expansion.source_radius_m:.3f} m); give a larger distance"
        )
