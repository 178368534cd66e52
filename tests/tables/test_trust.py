"""How far up a direction may be believed: its own level against the error that all directions share."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from expand.crafted import make_expansion

from fieldproc.conventions import polar_directions
from fieldproc.extrapolate import extrapolate
from fieldproc.records import Deviations, Expansion, ReferenceAxis, Table
from fieldproc.settings import ExtrapolationSettings
from fieldproc.tables import trust_table
from fieldproc.tables.bands import COVERAGE_FACTOR

# Twelfths of an octave, 100 Hz to 12.8 kHz.
FREQUENCY_HZ = 100.0 * 2.0 ** (np.arange(85) / 12.0)
# The part in phase has half the power; so many of its standard deviations lower the level by 1 dB.
TRUSTED_DB = 20.0 * np.log10((1.0 - 10.0**-0.05) * np.sqrt(2.0) / COVERAGE_FACTOR)
NOWHERE = np.zeros(72, dtype=np.bool_)


def expansion_of(monopole: complex, dipole: complex, error_db: float | np.ndarray, **stated: Any) -> Expansion:
    """The same monopole and dipole along z at all frequencies, and an error (frequency,) or one for all.

    It is that of a monopole, in phase and a quarter of a turn off, re the rms far field: alike in all directions.
    """
    outgoing = np.zeros((len(FREQUENCY_HZ), 1, 4), dtype=np.complex128)
    outgoing[:, 0, 0], outgoing[:, 0, 2] = monopole, dipole
    expansion = make_expansion(FREQUENCY_HZ, outgoing, **stated)
    size = 10.0 ** (np.broadcast_to(error_db, len(FREQUENCY_HZ)) / 20.0) * np.hypot(monopole, dipole).real
    drawn = tuple(one * np.array([[[1.0], [1.0j]]], dtype=np.complex64) for one in size)
    return replace(expansion, deviations=Deviations(drawn, drawn, 2, ()))


def table_of(expansion: Expansion, unscanned: np.ndarray = NOWHERE) -> Table:
    far_field = extrapolate(expansion, ReferenceAxis(), polar_directions(), ExtrapolationSettings())
    return trust_table(far_field, unscanned, 0, facts={})


def highest_hz(table: Table, azimuth_deg: float, elevation_deg: float) -> float:
    at = (table.column("azimuth_deg") == azimuth_deg) & (table.column("elevation_deg") == elevation_deg)
    (found,) = table.column("highest_hz")[at]
    return float(found)


def test_seventy_directions() -> None:
    table = table_of(expansion_of(1.0, 0.0, -40.0))
    assert table.header == ("azimuth_deg", "elevation_deg", "highest_hz", "unscanned")
    pairs = set(zip(table.column("azimuth_deg"), table.column("elevation_deg"), strict=True))
    assert len(pairs) == len(table.values) == 70
    assert {(0.0, 0.0), (180.0, 0.0), (90.0, 0.0), (0.0, 90.0), (180.0, 40.0), (0.0, -40.0)} <= pairs


def test_a_monopole_is_believed_where_its_error_is_small() -> None:
    falling = np.where(FREQUENCY_HZ < 3000.0, TRUSTED_DB - 0.1, TRUSTED_DB + 0.1)
    table = table_of(expansion_of(1.0, 0.0, falling))
    assert np.all(table.column("highest_hz") == FREQUENCY_HZ[FREQUENCY_HZ < 3000.0].max())


def test_where_little_is_radiated_less_is_believed() -> None:
    # a dipole along z: nothing to the sides; 4.77 dB above its mean along the axis
    table = table_of(expansion_of(0.0, 1.0, TRUSTED_DB + 4.0))
    assert highest_hz(table, 0.0, 90.0) == FREQUENCY_HZ[-1]
    assert np.isnan(highest_hz(table, 90.0, 0.0))
    # 60 degrees off it, half the pressure
    assert np.isnan(highest_hz(table, 0.0, 30.0))


def test_what_is_not_to_be_used_is_not_believed() -> None:
    verdict = np.where(FREQUENCY_HZ > 1000.0, 2, 0)
    table = table_of(expansion_of(1.0, 0.0, -60.0, verdict=verdict))
    assert np.all(table.column("highest_hz") == FREQUENCY_HZ[FREQUENCY_HZ <= 1000.0].max())


def test_a_single_doubtful_frequency_ends_nothing_but_a_band_does() -> None:
    one, band = np.full(85, -40.0), np.full(85, -40.0)
    one[50] = 0.0
    band[(FREQUENCY_HZ > 2000.0) & (FREQUENCY_HZ < 4000.0)] = 0.0
    assert highest_hz(table_of(expansion_of(1.0, 0.0, one)), 0.0, 0.0) == FREQUENCY_HZ[-1]
    assert highest_hz(table_of(expansion_of(1.0, 0.0, band)), 0.0, 0.0) <= 2000.0 * 1.0001


def test_unscanned_directions_are_marked() -> None:
    below = polar_directions()[:, 2] < -0.9
    table = table_of(expansion_of(1.0, 0.0, -40.0), below)
    marked = table.column("unscanned") == 1
    assert np.all(table.column("elevation_deg")[marked] < -60.0)
    assert marked.sum() == below.sum()


def test_without_errors_nothing_is_believed() -> None:
    expansion = replace(expansion_of(1.0, 0.0, -60.0), deviations=None)
    assert np.isnan(table_of(expansion).column("highest_hz")).all()
