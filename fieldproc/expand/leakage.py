"""Does sound of the room leak into the loudspeaker's waves? What no residual shows, the course over frequency does.

A loudspeaker of a few decimetres has a smooth response, but for its resonances; a room has not: paths that differ by
metres make ripples of some ten hertz. A gain or place error between the surfaces, and a body that scatters, hand
these ripples to the outgoing waves, degree by degree. So the ripples of an outgoing coefficient are compared with
those of the regular coefficient of the same degree and order, band by band: with 0.1 dB between two surfaces they are
the same, in a clean scan no more alike than chance has it, one over the frequencies of a band less what is smooth.
Resonances of the loudspeaker count as ripples that the room does not explain.
"""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, power_db, wavenumber
from fieldproc.records import Expansion
from fieldproc.waves.indexing import coefficient_count, column_degrees
from fieldproc.waves.radial import spherical_hankel2

# Low degrees: they hold most of either sound, and errors hand on all alike.
_MOST_DEGREE = 2
_OCTAVES = 1.0
# What is smooth: so many terms, and as many more as a response of this length has in a band.
_TERMS, _SMOOTH_S = 4, 0.004
# Frequencies of a band beyond the terms; with fewer, chance explains too much.
_FEWEST_SPARE = 8
# Ripples below this part of the whole are rounding.
_ROUNDING = 1e-24


def leakage(expansion: Expansion) -> tuple[Floats, Floats]:
    """Share of the ripples of the outgoing far field that the room explains, and that part re the far field in dB.

    Both (frequency, channel), the same for all frequencies of a band; nan without regular waves and where a band has
    too few frequencies. Bands of one octave, counted from the lowest frequency.
    """
    shape = expansion.outgoing.shape[:2]
    share, level_db = np.full(shape, np.nan), np.full(shape, np.nan)
    for rows in _bands(expansion):
        orders = expansion.outgoing_order[rows], expansion.regular_order[rows]
        degree = min(_MOST_DEGREE, *(int(order.min()) for order in orders))
        frequency_hz = expansion.frequency_hz[rows]
        smooth = _smooth(frequency_hz)
        if len(rows) < smooth.shape[1] + _FEWEST_SPARE:
            continue
        count = coefficient_count(degree)
        k = wavenumber(frequency_hz, expansion.sound_speed_m_per_s)
        reach = spherical_hankel2(degree, k * expansion.source_radius_m).value()[:, column_degrees(degree)]
        # of either set what changes little over a band if the sound itself does: near the source, and beyond
        radiated = expansion.outgoing[rows][:, :, :count] / k[:, None, None]
        room = expansion.regular[rows][:, :, :count] / (k[:, None] * reach)[:, None, :] ** 2
        ripples, of_room = (_ripples(part, smooth) for part in (radiated, room))
        together = np.abs(np.sum(of_room.conj() * ripples, axis=0)) ** 2
        energy = np.sum(np.abs(of_room) ** 2, axis=0)
        explained = np.divide(together, energy, out=np.zeros_like(energy), where=energy > 0).sum(axis=1)
        size, whole = np.sum(np.abs(ripples) ** 2, axis=(0, 2)), np.sum(np.abs(radiated) ** 2, axis=(0, 2))
        heard = size > _ROUNDING * whole
        share[rows] = np.where(heard, explained / np.where(heard, size, 1.0), 0.0)
        level_db[rows] = power_db(explained / np.where(whole > 0, whole, np.nan))
    return share, level_db


def _bands(expansion: Expansion) -> list[Integers]:
    """Rows with waves of both sets, band by band."""
    fitted = (expansion.regular_order >= 0) & np.all(np.abs(expansion.outgoing).sum(axis=2) > 0, axis=1)
    octave = np.log2(expansion.frequency_hz / expansion.frequency_hz[0]) / _OCTAVES
    # rows of exact octaves must not hang on rounding
    band = np.floor(octave + 1e-9).astype(np.int64)
    return [np.flatnonzero(fitted & (band == at)) for at in np.unique(band[fitted])]


def _smooth(frequency_hz: Floats) -> Complexes:
    """Orthonormal smooth courses over the frequencies of a band, (frequency, term)."""
    width_hz = float(np.ptp(frequency_hz))
    place = 2.0 * (frequency_hz - frequency_hz[0]) / max(width_hz, np.finfo(float).tiny) - 1.0
    terms = min(_TERMS + int(width_hz * _SMOOTH_S), len(frequency_hz))
    return np.asarray(np.linalg.qr(np.polynomial.chebyshev.chebvander(place, terms - 1))[0], dtype=np.complex128)


def _ripples(course: Complexes, smooth: Complexes) -> Complexes:
    """What is not smooth of (frequency, ...)."""
    flat = course.reshape(len(course), -1)
    return np.asarray((flat - smooth @ (smooth.conj().T @ flat)).reshape(course.shape))
