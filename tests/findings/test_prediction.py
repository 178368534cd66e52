"""A far field behind an equaliser against the same source with its spectrum multiplied: recomputed, not predicted.

The agreement asked for is 0.05 dB. It is that of rounding, 1e-9, because nothing is approximated: all the field is
linear in the drive, and the factor is the same in every direction.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fieldproc.conventions import Complexes, amplitude_db, polar_directions
from fieldproc.errors import UsageError
from fieldproc.extrapolate import extrapolate
from fieldproc.findings.equalizer import Equalizer, Improvement
from fieldproc.findings.prediction import equalizer_table, filtered
from fieldproc.findings.sections import Section, response
from fieldproc.records import Deviations, Expansion, FarField, FarFieldErrors, Quality, ReferenceAxis
from fieldproc.settings import ExtrapolationSettings, TableSettings
from fieldproc.tables import far_field_bands, tabulate

RATE_HZ = 48000.0
FREQUENCY_HZ = np.geomspace(40.0, 18000.0, 12)
SECTIONS = (Section("peaking", 2900.0, -3.0, 3.0), Section("low shelf", 120.0, 4.0, 0.7))
FACTOR = response(SECTIONS, FREQUENCY_HZ, RATE_HZ)
# dB or degrees: rounding of double precision, some 1e-13, with room for sums of 72 directions
ROUNDING = 1e-9
# errors are held in single precision, 6e-8 of each, and their bands are differences of some
SINGLE = 1e-4


def noise(generator: np.random.Generator, *shape: int) -> Complexes:
    return generator.standard_normal(shape) + 1j * generator.standard_normal(shape)


def expansion(spectrum: Complexes) -> Expansion:
    """Two channels of degree 3, with errors; the drive of the second is multiplied by a spectrum (frequency,)."""
    generator = np.random.default_rng(8)
    of_channels = np.stack([np.ones(12), spectrum], axis=1)
    one, lines = np.zeros((12, 2)), np.zeros(12)
    outgoing = noise(generator, 12, 2, 16) * of_channels[..., None]
    errors = 0.01 * noise(generator, 12, 2, 5, 16) * of_channels[..., None, None]
    quality = Quality(
        **dict.fromkeys(
            ("residual_db", "leave_one_out_db", "room_to_direct_db", "random_error_db", "level_uncertainty_db"), one
        ),
        **dict.fromkeys(("regularisation", "scattering_db", "overlap_difference_db"), one),
        **dict.fromkeys(("condition", "noise_gain_db", "truncation_db", "gated_share"), lines),
        verdict=np.zeros((12, 2), dtype=np.int64),
        point_residual_db=np.zeros((2, 5)),
    )
    return Expansion(
        frequency_hz=FREQUENCY_HZ,
        outgoing=outgoing,
        regular=np.zeros((12, 2, 0), dtype=np.complex128),
        outgoing_order=np.full(12, 3),
        regular_order=np.full(12, -1),
        origin_m=np.zeros((12, 3)),
        acoustic_center_m=np.full((12, 3), np.nan),
        sound_speed_m_per_s=343.2,
        air_density_kg_per_m3=1.204,
        source_radius_m=0.2,
        channel_names=("one", "two"),
        quality=quality,
        deviations=Deviations(
            outgoing=tuple(errors.astype(np.complex64)),
            regular=tuple(np.zeros((12, 2, 5, 0), dtype=np.complex64)),
            draws=4,
            causes=("level",),
        ),
    )


def radiated(spectrum: Complexes) -> FarField:
    return extrapolate(expansion(spectrum), ReferenceAxis(), polar_directions(), ExtrapolationSettings())


def test_tables_are_those_of_the_filtered_source() -> None:
    """Through the extrapolation with multiplied coefficients, the errors of the scan too."""
    before, expected = radiated(np.ones(12, dtype=complex)), radiated(FACTOR)
    predicted = filtered(before, SECTIONS, RATE_HZ, 1)
    np.testing.assert_allclose(predicted.pressure_pa, expected.pressure_pa, rtol=1e-12)
    np.testing.assert_allclose(predicted.sound_power_w, expected.sound_power_w, rtol=1e-12)
    for channel in (0, 1):
        for ours, theirs in zip(
            *(tabulate(of, TableSettings(), {}, channel) for of in (predicted, expected)), strict=True
        ):
            assert ours.header == theirs.header
            assert ours.facts == theirs.facts
            for name in ours.header:
                uncertain = "_low_" in name or "_high_" in name
                np.testing.assert_allclose(
                    ours.column(name),
                    theirs.column(name),
                    rtol=0,
                    atol=SINGLE if uncertain else ROUNDING,
                    err_msg=f"{ours.name} {name}",
                )


def test_only_levels_move_and_only_of_the_channel() -> None:
    before = radiated(np.ones(12, dtype=complex))
    after = filtered(before, SECTIONS, RATE_HZ, 1)
    np.testing.assert_array_equal(after.pressure_pa[:, 0], before.pressure_pa[:, 0])
    window, index = (
        [tabulate(of, TableSettings(), {}, 1)[0].column(name) for of in (before, after)]
        for name in ("listening_window_db", "sound_power_di_db")
    )
    np.testing.assert_allclose(window[1] - window[0], amplitude_db(np.abs(FACTOR)), rtol=0, atol=ROUNDING)
    np.testing.assert_allclose(index[1], index[0], rtol=0, atol=ROUNDING)


def test_bands_move_with_what_they_lie_about() -> None:
    before = radiated(np.ones(12, dtype=complex))
    with_bands = replace(before, bands=far_field_bands(before), errors=None)
    predicted = filtered(with_bands, SECTIONS, RATE_HZ, 1).bands
    errors = before.errors
    assert predicted is not None
    assert errors is not None
    factor = np.stack([np.ones(12), FACTOR], axis=1)
    after = replace(
        before,
        pressure_pa=before.pressure_pa * factor[..., None],
        errors=replace(errors, pressure_pa=errors.pressure_pa * factor[..., None, None]),
    )
    expected = far_field_bands(after)
    for name in ("level_low_db", "level_high_db", "phase_low_deg", "phase_high_deg"):
        # single precision of degrees up to 360, twice
        np.testing.assert_allclose(getattr(predicted, name), getattr(expected, name), rtol=0, atol=2e-4)


def test_errors_are_kept_in_their_precision() -> None:
    errors = filtered(radiated(np.ones(12, dtype=complex)), SECTIONS, RATE_HZ, 1).errors
    assert isinstance(errors, FarFieldErrors)
    assert errors.pressure_pa.dtype == np.complex64


def test_a_rate_that_cannot_carry_the_frequencies_is_refused() -> None:
    with pytest.raises(UsageError, match="found a sampling rate of 32000 Hz"):
        filtered(radiated(np.ones(12, dtype=complex)), SECTIONS, 32000.0, 0)


def test_table_of_sections() -> None:
    nothing = Improvement(1.0, 0.5, 0.1, 0.1, 0.1)
    equalizer = Equalizer(SECTIONS, (0.1, float("nan")), RATE_HZ, nothing, nothing, ("",))
    table = equalizer_table(equalizer, {"channel": "one"})
    assert table.name == "equalizer"
    assert table.header == (
        *("section", "kind_code", "frequency_hz", "gain_db", "gain_uncertainty_db", "q", "bandwidth_octaves"),
        *("b0", "b1", "b2", "a1", "a2"),
    )
    np.testing.assert_array_equal(table.column("section"), [1, 2])
    np.testing.assert_array_equal(table.column("kind_code"), [0, 1])
    assert table.facts["kind_codes"] == "0 peaking; 1 low shelf; 2 high shelf"
    assert table.facts["sampling_rate_hz"] == RATE_HZ
    assert "Audio EQ Cookbook" in str(table.facts["definition"])
    for row, section in zip(table.values, SECTIONS, strict=True):
        np.testing.assert_array_equal(row[-5:], section.coefficients(RATE_HZ))
    # 1/Q = 2 sinh(ln 2 / 2 BW); of a shelf there is none
    assert 2 * np.sinh(np.log(2) / 2 * table.column("bandwidth_octaves")[0]) == pytest.approx(1 / 3)
    assert np.isnan(table.column("bandwidth_octaves")[1])


def test_table_without_sections_has_no_rows() -> None:
    nothing = Improvement(0.1, 0.1, 0.1, 0.1, 0.1)
    table = equalizer_table(Equalizer((), (), RATE_HZ, nothing, nothing, ("",)), {})
    assert table.values.shape == (0, 12)
