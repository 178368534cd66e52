"""Pressure in any direction from outgoing coefficients alone, and the power they radiate."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, output_axes, wavenumber
from fieldproc.errors import UsageError
from fieldproc.records import Expansion, FarField, FarFieldErrors, ReferenceAxis
from fieldproc.settings import ExtrapolationSettings
from fieldproc.waves.basis import far_field_pattern, wave_field
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count


def extrapolate(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, settings: ExtrapolationSettings
) -> FarField:
    """Pressure that the outgoing set radiates towards ``directions`` (direction, 3), in output axes.

    Far-field pressure scaled to the reference distance or, if the settings ask so, the true pressure
    there; propagation over the distance and the stated latency are taken out. nan where a
    frequency has no fit. ``UsageError`` for a true distance that reaches into the source.
    """
    k = _wavenumber(expansion)
    reference_m = settings.reference_distance_m
    if settings.quantity == "far field":
        distance_m = np.inf
        pressure = far_field_pressure(expansion, axis, directions) / reference_m
    else:
        distance_m = reference_m
        pressure = pressure_at(expansion, axis, directions, reference_m, air_absorption=settings.air_absorption)
        pressure *= np.exp(1j * k * reference_m)[:, None, None]
    turn = np.exp(2j * np.pi * expansion.frequency_hz * settings.latency_s)
    deviations = None
    if expansion.deviations is not None:
        deviations = _far_field_errors(expansion, axis, directions, settings, turn)
    return FarField(
        frequency_hz=expansion.frequency_hz,
        directions=directions,
        pressure_pa=pressure * turn[:, None, None],
        sound_power_w=sound_power(expansion),
        distance_m=distance_m,
        reference_distance_m=reference_m,
        channel_names=expansion.channel_names,
        air_density_kg_per_m3=expansion.air_density_kg_per_m3,
        sound_speed_m_per_s=expansion.sound_speed_m_per_s,
        errors=deviations,
        notices=expansion.notices,
    )


def _far_field_errors(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, settings: ExtrapolationSettings, turn: Complexes
) -> FarFieldErrors:
    """What the pressures and the sound power of ``extrapolate`` may be off by."""
    assert expansion.deviations is not None
    reference_m = settings.reference_distance_m
    if settings.quantity == "far field":
        pressure = far_field_deviations(expansion, axis, directions) / reference_m
    else:
        absorbed = settings.air_absorption
        pressure = deviations_at(expansion, axis, directions, reference_m, air_absorption=absorbed)
        pressure *= np.exp(1j * _wavenumber(expansion) * reference_m)[:, None, None, None]
    power = []
    for row, own in enumerate(expansion.deviations.outgoing):
        used = _used(expansion, row)[:, None]
        common = min(used.shape[2], own.shape[2])
        # first order of the square sum, re the square sum; nan re nothing
        change = 2.0 * np.sum((used[..., :common].conj() * own[..., :common]).real, axis=2, keepdims=True)
        with np.errstate(divide="ignore", invalid="ignore"):
            power.append(change / np.sum(np.abs(used) ** 2, axis=2, keepdims=True))
    return FarFieldErrors(
        pressure_pa=pressure * turn[:, None, None, None],
        power=_together(expansion, iter(power))[..., 0].real,
        verdict=expansion.quality.verdict,
        draws=expansion.deviations.draws,
        causes=expansion.deviations.causes,
    )


def far_field_pressure(expansion: Expansion, axis: ReferenceAxis, directions: Floats) -> Complexes:
    """lim r exp(ikr) p about the axis origin, at 1 m: (frequency, channel, direction); nan without a fit."""
    pressure = np.array(list(_far_fields(expansion, axis, directions, lambda row: _used(expansion, row))))
    pressure[~_fitted(expansion)] = np.nan
    return pressure


def far_field_deviations(expansion: Expansion, axis: ReferenceAxis, directions: Floats) -> Complexes:
    """What :func:`far_field_pressure` may be off by: (frequency, channel, vector, direction), see ``Deviations``."""
    return _together(expansion, _far_fields(expansion, axis, directions, partial(_deviating, expansion)))


def _far_fields(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, coefficients: Callable[[int], Complexes]
) -> Iterator[Complexes]:
    """Far field of the coefficients (..., coefficient) of every row."""
    towards = directions @ output_axes(axis.direction, axis.up)
    harmonics = spherical_harmonics(int(expansion.outgoing_order.max()), towards)
    # the pattern counts distance from the expansion origin, which lies nearer by this much
    lead_m = (expansion.origin_m - axis.origin_m) @ towards.T
    for row, k in enumerate(_wavenumber(expansion).tolist()):
        yield far_field_pattern(coefficients(row), k, harmonics) * np.exp(1j * k * lead_m[row])


def _true_fields(
    expansion: Expansion, points_m: Floats, coefficients: Callable[[int], Complexes]
) -> Iterator[Complexes]:
    """Pressure at points of scan axes, of the coefficients of every row."""
    for row, k in enumerate(_wavenumber(expansion).tolist()):
        yield wave_field("outgoing", coefficients(row), k, points_m - expansion.origin_m[row])


def _deviating(expansion: Expansion, row: int) -> Complexes:
    assert expansion.deviations is not None
    own = expansion.deviations.outgoing[row]
    # without a fit there are no vectors, and of a field file no coefficients either
    return np.asarray(own if own.shape[2] else np.zeros((*own.shape[:2], 1)), dtype=np.complex128)


def _together(expansion: Expansion, rows: Iterator[Complexes]) -> Complexes:
    """Rows (channel, vector, direction) as one array; nan where there are no vectors, zeros for a few that lack."""
    assert expansion.deviations is not None
    vectors = expansion.deviations.draws + len(expansion.deviations.causes)
    whole = []
    for row in rows:
        missing = vectors - row.shape[1]
        fill = np.nan if missing == vectors else 0.0
        whole.append(np.pad(row, ((0, 0), (0, missing), (0, 0)), constant_values=fill))
    return np.array(whole)


def pressure_at(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, distance_m: float, *, air_absorption: bool = False
) -> Complexes:
    """True pressure at a distance from the axis origin, exp(-ikr) kept: (frequency, channel, direction).

    With ``air_absorption``, less what the air takes over that distance. The scan itself stood in lossy air, and what
    its own few decimetres took is in the coefficients already: 0.2 dB too much at 20 kHz for a scan at 0.35 m.

    ``UsageError`` when a point lies inside the sphere around the source, where outgoing waves about the
    expansion origin need not converge, or when the absorption is not known. nan where a frequency has no fit.
    """
    points_m = axis.origin_m + distance_m * (directions @ output_axes(axis.direction, axis.up))
    _require_outside(expansion, points_m, distance_m)
    pressure = np.array(list(_true_fields(expansion, points_m, lambda row: _used(expansion, row))))
    pressure[~_fitted(expansion)] = np.nan
    if air_absorption:
        pressure *= _absorbed(expansion, distance_m)[:, None, None]
    return pressure


def deviations_at(
    expansion: Expansion, axis: ReferenceAxis, directions: Floats, distance_m: float, *, air_absorption: bool = False
) -> Complexes:
    """What :func:`pressure_at` may be off by: (frequency, channel, vector, direction), see ``Deviations``."""
    points_m = axis.origin_m + distance_m * (directions @ output_axes(axis.direction, axis.up))
    found = _together(expansion, _true_fields(expansion, points_m, partial(_deviating, expansion)))
    return found * _absorbed(expansion, distance_m)[:, None, None, None] if air_absorption else found


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
