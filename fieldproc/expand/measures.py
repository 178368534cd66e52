"""What a finished expansion says of itself beyond the quality that its verdict rests on.

surface_residual_db   rms of data minus fit over the points of one surface, re the rms of its data.
hold_out_db           error of predicting the worst surface from the others (``hold_out.py``); nan but at a few
                      frequencies of three surfaces or more, or of gated responses.
forbidden             1 where outgoing and regular waves look alike at the points (``shell.py``), else 0.
last_degrees_db       far field of the last two outgoing degrees re the whole: high where they end too early.
clear_degree          highest outgoing degree whose energy exceeds twice its noise, drawn from the covariance of the
                      coefficients (once for the noise, once for itself); degrees above hold nothing that is known.
degree_change_db      far field that one degree less changes, by half of it for those that are missing
                      (``deviations.py``), re the whole.
leakage, leakage_db   share of the ripples of the outgoing waves that the room's explain, and how large that part is
                      re the far field (``leakage.py``).
power_closure         power that the whole field carries through any sphere around the loudspeaker, re what the
                      outgoing waves alone would: (|a|^2 + Re a* b) / |a|^2, summed over the coefficients. 1 in the
                      open; in a room as much above or below as the room loads the loudspeaker. Walls absorb: below
                      zero, the two sets cannot be right.

All per frequency and channel. nan where there is nothing to say.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Booleans, Floats, power_db, wavenumber
from fieldproc.expand.leakage import leakage
from fieldproc.expand.quality import close_gaps
from fieldproc.records import Expansion, Verdict
from fieldproc.waves.indexing import column_degrees

# Clean scans come to a share of 0.2 at most, 0.1 dB between two surfaces to 0.5 and more.
_LEAKS = 0.5
# What is told (the least errors that are put right leave as much), and what is doubted: 0.1 dB between two surfaces.
_TOLD_DB, _DOUBTED_DB = -60.0, -45.0
# So much more than the cabinet scatters of the room's sound; where that is not known, only bodies as small as this.
_BEYOND_SCATTERING_DB, _SMALL = 6.0, 0.5
# Above the random error of the far field. 0.02 dB between two spheres is 8 dB above it at 60 dB of signal to noise.
_BEYOND_NOISE_DB = 3.0


def with_measures(expansion: Expansion) -> Expansion:
    """The expansion with all measures that its coefficients tell, and a verdict and notices that heed leaks."""
    measures = expansion.measures
    if measures is None:
        return expansion
    share, level_db = leakage(expansion)
    clear, change_db = _against_deviations(expansion)
    measures = replace(
        measures,
        last_degrees_db=last_degrees(expansion),
        clear_degree=clear,
        degree_change_db=change_db,
        leakage=share,
        leakage_db=level_db,
        power_closure=power_closure(expansion),
    )
    return _heeding_leakage(replace(expansion, measures=measures))


def last_degrees(expansion: Expansion) -> Floats:
    """See the module's text."""
    energy = degree_energy(expansion)
    degree, top = np.arange(energy.shape[2]), expansion.outgoing_order[:, None]
    last = np.sum(energy * ((degree > top - 2) & (degree <= top))[:, None], axis=2)
    return _ratio_db(last, energy.sum(axis=2))


def degree_energy(expansion: Expansion) -> Floats:
    """Square sum of the outgoing coefficients of every degree, (frequency, channel, degree)."""
    return _by_degree(np.abs(expansion.outgoing) ** 2)


def power_closure(expansion: Expansion) -> Floats:
    """See the module's text; nan without regular waves."""
    common = min(expansion.outgoing.shape[2], expansion.regular.shape[2])
    outgoing, regular = expansion.outgoing[:, :, :common], expansion.regular[:, :, :common]
    radiated = np.sum(np.abs(expansion.outgoing) ** 2, axis=2)
    loaded = radiated + np.sum((outgoing.conj() * regular).real, axis=2)
    known = (expansion.regular_order >= 0)[:, None] & (radiated > 0)
    return np.asarray(np.divide(loaded, radiated, out=np.full_like(radiated, np.nan), where=known))


def _against_deviations(expansion: Expansion) -> tuple[Floats, Floats]:
    """Highest degree above its noise (-1: none), and the change of a degree in dB; nan where errors are not known."""
    shape = expansion.outgoing.shape[:2]
    clear, change_db = np.full(shape, np.nan), np.full(shape, np.nan)
    deviations = expansion.deviations
    if deviations is None:
        return clear, change_db
    energy = degree_energy(expansion)
    degree = deviations.draws + deviations.causes.index("degree") if "degree" in deviations.causes else None
    for row, vectors in enumerate(deviations.outgoing):
        if not vectors.size:
            continue
        noise = _by_degree(np.mean(np.abs(vectors[:, : deviations.draws].astype(np.complex128)) ** 2, axis=1))
        above = energy[row][:, : noise.shape[1]] > 2.0 * noise
        highest = noise.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1)
        clear[row] = np.where(above.any(axis=1), highest, -1)
        if degree is not None and degree < vectors.shape[1]:
            size = np.sum(np.abs(vectors[:, degree].astype(np.complex128)) ** 2, axis=1)
            change_db[row] = _ratio_db(size, energy[row].sum(axis=1))
    return clear, change_db


def _by_degree(energy: Floats) -> Floats:
    """Sums over the orders of every degree, (..., coefficient) to (..., degree)."""
    degrees = column_degrees(int(np.sqrt(energy.shape[-1])) - 1)
    return np.asarray(energy @ (degrees[:, None] == np.arange(degrees[-1] + 1)))


def _ratio_db(part: Floats, whole: Floats) -> Floats:
    return power_db(np.divide(part, whole, out=np.full_like(whole, np.nan), where=whole > 0))


def _heeding_leakage(expansion: Expansion) -> Expansion:
    """At best "caution" where more of the room's sound leaks into the outgoing waves than a body scatters."""
    measures, quality = expansion.measures, expansion.quality
    assert measures is not None
    k = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)
    small = (k * expansion.source_radius_m <= _SMALL)[:, None]
    scattered = np.isfinite(quality.scattering_db)
    beyond = np.where(scattered, measures.leakage_db > quality.scattering_db + _BEYOND_SCATTERING_DB, small)
    # what noise hides is nobody's leak: random errors have ripples of their own
    beyond &= ~(measures.leakage_db < quality.random_error_db + _BEYOND_NOISE_DB)
    leaks: Booleans = beyond & (measures.leakage > _LEAKS) & (measures.leakage_db > _TOLD_DB)
    if not leaks.any():
        return expansion
    doubted = np.where(leaks & (measures.leakage_db > _DOUBTED_DB), Verdict.CAUTION, Verdict.GOOD).astype(np.int64)
    verdict = close_gaps(np.maximum(quality.verdict, doubted), expansion.frequency_hz)
    rows = np.flatnonzero(leaks.any(axis=1))
    told = (
        f"sound of the room leaks into the loudspeaker's waves from {expansion.frequency_hz[rows[0]]:.4g} to "
        f"{expansion.frequency_hz[rows[-1]]:.4g} Hz, {np.max(measures.leakage_db[leaks]):.1f} dB re the far field: "
        "surfaces that differ in gain or place, or a change during the scan"
    )
    return replace(expansion, quality=replace(quality, verdict=verdict), notices=(*expansion.notices, told))
