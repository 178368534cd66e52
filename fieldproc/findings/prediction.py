"""What a far field is after an equaliser: every direction, and the tables made of it.

A filter before the loudspeaker multiplies whatever the loudspeaker does, linear as it is taken to be here, by one
complex number per frequency. So pressures in all directions, their errors and the power follow exactly; directivity
does not change, nor does what is known of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from fieldproc.conventions import Complexes, amplitude_db, phase_deg
from fieldproc.findings.equalizer import Equalizer
from fieldproc.findings.sections import KINDS, Section, bandwidth_octaves, response
from fieldproc.records import Bands, Facts, FarField, FarFieldErrors, Table


def filtered(far_field: FarField, sections: Sequence[Section], sampling_rate_hz: float, channel: int) -> FarField:
    """The far field with one channel behind an equaliser; ``UsageError`` for a rate below twice its frequencies.

    The delay of the sections, that of a minimum phase, is left in the phases.
    """
    factor = np.ones(far_field.sound_power_w.shape, dtype=np.complex128)
    factor[:, channel] = response(sections, far_field.frequency_hz, sampling_rate_hz)
    errors, bands = far_field.errors, far_field.bands
    pressure_pa = far_field.pressure_pa * factor[..., None]
    return replace(
        far_field,
        pressure_pa=pressure_pa,
        sound_power_w=far_field.sound_power_w * np.abs(factor) ** 2,
        errors=None if errors is None else _filtered_errors(errors, factor),
        bands=None if bands is None else _filtered_bands(bands, factor, far_field.pressure_pa, pressure_pa),
    )


def equalizer_table(equalizer: Equalizer, facts: Facts) -> Table:
    """Table ``equalizer``: one row per section, in the order of their frequencies, with its coefficients."""
    sections, rate_hz = equalizer.sections, equalizer.sampling_rate_hz
    coefficients = np.array([section.coefficients(rate_hz) for section in sections]).reshape(-1, 5)
    q = np.array([section.q for section in sections])
    columns = {
        "section": np.arange(1, len(sections) + 1),
        "kind_code": np.array([KINDS.index(section.kind) for section in sections]),
        "frequency_hz": np.array([section.frequency_hz for section in sections]),
        "gain_db": np.array([section.gain_db for section in sections]),
        "gain_uncertainty_db": np.array(equalizer.gain_uncertainty_db),
        "q": q,
        "bandwidth_octaves": np.where(
            [section.kind == "peaking" for section in sections], bandwidth_octaves(q), np.nan
        ),
        **dict(zip(("b0", "b1", "b2", "a1", "a2"), coefficients.T, strict=True)),
    }
    return Table.of_columns("equalizer", columns, {**facts, **_FACTS, "sampling_rate_hz": rate_hz})


_FACTS: Facts = {
    "content": "second-order sections of an equaliser, one after the other",
    "kind_codes": "; ".join(f"{code} {kind}" for code, kind in enumerate(KINDS)),
    "definition": "W3C, Audio EQ Cookbook, Working Group Note, 8 June 2021",
    "q_definition": (
        "of a peaking section A q is the quality factor of its poles, A = 10^(gain/40); a shelf has half its gain, "
        "in dB, at its frequency"
    ),
    "bandwidth": "of a peaking section, between half-gain frequencies of the analogue prototype",
    "gain_uncertainty": "standard uncertainty from the errors of the curves, to first order; nan = not known",
    "coefficients": "(b0 + b1 z^-1 + b2 z^-2) / (1 + a1 z^-1 + a2 z^-2)",
}


def _filtered_errors(errors: FarFieldErrors, factor: Complexes) -> FarFieldErrors:
    """Relative errors, so those of the power too, stay what they are."""
    kept = errors.pressure_pa.dtype
    return replace(errors, pressure_pa=errors.pressure_pa * factor[..., None, None].astype(kept))


def _filtered_bands(bands: Bands, factor: Complexes, before_pa: Complexes, after_pa: Complexes) -> Bands:
    """Bands move with the levels and the (wrapped) phases that they lie about."""
    higher_db = amplitude_db(np.abs(factor))[..., None]
    turned_deg = phase_deg(after_pa) - phase_deg(before_pa)
    kept = bands.level_low_db.dtype
    return replace(
        bands,
        level_low_db=(bands.level_low_db + higher_db).astype(kept),
        level_high_db=(bands.level_high_db + higher_db).astype(kept),
        phase_low_deg=(bands.phase_low_deg + turned_deg).astype(kept),
        phase_high_deg=(bands.phase_high_deg + turned_deg).astype(kept),
    )
