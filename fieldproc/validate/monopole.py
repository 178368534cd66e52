"""How the field of a scan departs from that of a monopole at a place, frequency by frequency."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Booleans, Complexes, Floats, Integers, amplitude_db, power_db, wavenumber
from fieldproc.errors import NumericalError
from fieldproc.records import Expansion, FarField
from fieldproc.waves.basis import wave_columns
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.radial import ldexp
from fieldproc.waves.translation import Translation


@dataclass(frozen=True, slots=True)
class Centred:
    """A far field counted from a place: that of a monopole there is the same in every direction.

    ``pressure`` (frequency, direction) at 1 m, of the first channel; ``mean`` (frequency,) by the ``weights``
    (direction,) is the strength of the monopole. Level re 1 Pa and phase re the mean (frequency, standard direction)
    are those of the directions whose weight is zero, ``standard``.
    """

    pressure: Complexes
    mean: Complexes
    level_db: Floats
    phase_deg: Floats
    weights: Floats
    standard: Booleans

    @classmethod
    def about(cls, place_m: Floats, far_field: FarField, weights: Floats) -> Centred:
        """About a place in output axes."""
        k = wavenumber(far_field.frequency_hz, far_field.sound_speed_m_per_s)
        turn = np.exp(-1j * k[:, None] * (far_field.directions @ place_m))
        pressure = far_field.pressure_pa[:, 0] * far_field.reference_distance_m * turn
        mean, standard = pressure @ weights, weights == 0
        level_db = amplitude_db(np.abs(pressure[:, standard]))
        phase_deg = np.degrees(np.angle(pressure[:, standard] * mean.conj()[:, None]))
        return cls(pressure, mean, level_db, phase_deg, weights, standard)


def off_monopole_db(expansion: Expansion, place_m: Floats, solved: Booleans) -> Floats:
    """Power in everything but degree 0 about a place in scan axes, re the total power: (frequency,), first channel.

    Exact for the coefficients: a translation keeps the power, so that of degree 0 is all there is to compute.
    """
    k = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)
    orders = np.unique(expansion.outgoing_order[solved]).tolist()
    prepared = {order: Translation.prepare(order, 0) for order in orders}
    share = np.full(len(k), np.nan)
    for row in np.flatnonzero(solved).tolist():
        own = _own(expansion, row)
        translation = prepared[int(expansion.outgoing_order[row])]
        (monopole,) = translation.apply(own, float(k[row]), place_m - expansion.origin_m[row])
        share[row] = 1.0 - np.abs(monopole) ** 2 / np.sum(np.abs(own) ** 2)
    return power_db(np.maximum(share, 0.0))


def distance_error_db(
    expansion: Expansion,
    place_m: Floats,
    towards: Floats,
    far_field_db: Floats,
    distances_m: Sequence[float],
    solved: Booleans,
) -> Floats:
    """Largest deviation in level of the true pressure from the far field over r, (frequency,), first channel.

    A monopole falls off as exactly 1/r, however near. Distances r count from the place, in directions ``towards``
    (direction, 3), both in scan axes; ``far_field_db`` (frequency, direction) is at 1 m, re 1 Pa. Raises
    ``NumericalError`` for a distance within the source.
    """
    k = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)
    distance_m = np.array(distances_m)[:, None]
    points_m = place_m + (distance_m[:, :, None] * towards).reshape(-1, 3)
    far_off_m = np.linalg.norm(points_m - expansion.origin_m[:, None], axis=2).min()
    if far_off_m <= expansion.source_radius_m:
        raise NumericalError(
            "validate",
            "distance of the nearest point of the distance law from the origin of the expansion",
            f"{far_off_m:.3f} m",
            f"more than {expansion.source_radius_m:.3f} m, the radius of the source",
            "raise validation.distances_m",
        )
    error_db = np.full(len(k), np.nan)
    for row, pressure in _pressures(expansion, points_m, np.flatnonzero(solved)):
        along_db = amplitude_db(np.abs(pressure.reshape(len(distance_m), -1)) * distance_m)
        error_db[row] = np.abs(along_db - far_field_db[row]).max()
    return error_db


def _pressures(expansion: Expansion, points_m: Floats, rows: Integers) -> Iterator[tuple[int, Complexes]]:
    """Row and true pressure (point,) at points of scan axes; harmonics are shared by rows of one origin."""
    k, top = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s), int(expansion.outgoing_order.max())
    seen_from, harmonics = np.full(3, np.nan), np.zeros((0, 0), dtype=np.complex128)
    for row in rows.tolist():
        offsets_m = points_m - expansion.origin_m[row]
        if np.any(expansion.origin_m[row] != seen_from):
            seen_from, harmonics = expansion.origin_m[row], spherical_harmonics(top, offsets_m)
        argument = k[row] * np.linalg.norm(offsets_m, axis=1)
        columns, exponent = wave_columns("outgoing", int(expansion.outgoing_order[row]), harmonics, argument)
        yield row, columns @ ldexp(_own(expansion, row), exponent)


def _own(expansion: Expansion, row: int) -> Complexes:
    """Outgoing coefficients of a frequency up to its order, first channel."""
    return np.asarray(expansion.outgoing[row, 0, : coefficient_count(int(expansion.outgoing_order[row]))])
