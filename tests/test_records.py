"""Records name every clash of axes, cannot be written to, and leave the caller's arrays alone."""

from __future__ import annotations

import dataclasses
import inspect
import re

import numpy as np
import pytest
from scanned import make_spectra

from fieldproc import records
from fieldproc.records import Air, Cabinet, Deviations, Gated, ImpulseResponses, ReferenceAxis, Spectra, Table

CLASSES = [value for value in vars(records).values() if inspect.isclass(value) and getattr(value, "AXES", None)]


def spectra_of(**changes: np.ndarray) -> Spectra:
    """Three frequencies, two channels, five points."""
    arrays = {
        "frequency_hz": np.array([20.0, 40.0, 80.0]),
        "pressure_pa": np.ones((3, 2, 5), dtype=np.complex128),
        "usable": np.ones(3, dtype=np.bool_),
        "positions_m": np.ones((5, 3)),
        "sound_speed_m_per_s": np.full(5, 343.2),
        "surface": np.zeros(5, dtype=np.int64),
        "file_point": np.arange(5),
        "repeats": np.ones(5, dtype=np.int64),
    }
    return Spectra(**{**arrays, **changes}, channel_names=("woofer", "tweeter"), air_density_kg_per_m3=1.204)


def test_all_clashes_are_named_at_once() -> None:
    with pytest.raises(ValueError, match=r"^Spectra: ") as caught:
        spectra_of(
            pressure_pa=np.ones((4, 2, 5), dtype=np.complex128),
            positions_m=np.ones((5, 2)),
            surface=np.zeros((5, 1), dtype=np.int64),
            repeats=np.ones(6, dtype=np.int64),
        )
    assert str(caught.value).removeprefix("Spectra: ").split("; ") == [
        "pressure_pa has frequency=4, but frequency_hz sets frequency=3",
        "positions_m has xyz=2, but its meaning sets xyz=3",
        "surface has 2 axes, needs (point)",
        "repeats has point=6, but pressure_pa sets point=5",
    ]


@pytest.mark.parametrize("cls", CLASSES, ids=lambda cls: cls.__name__)
def test_axes_name_fields_of_the_class(cls: type) -> None:
    fields = {field.name: field.type for field in dataclasses.fields(cls)}
    assert set(cls.AXES) <= set(fields)
    # every array has its axes: one without would be neither checked nor read-only
    arrays = {name for name, kind in fields.items() if re.search(r"Floats|Complexes|Integers|Booleans|NDArray", kind)}
    assert arrays == set(cls.AXES)


def test_arrays_are_read_only_and_the_caller_keeps_writing() -> None:
    own = np.ones((3, 2, 5), dtype=np.complex128)
    spectra = spectra_of(pressure_pa=own)
    with pytest.raises(ValueError, match="read-only"):
        spectra.pressure_pa[0] = 0.0
    own[0, 0, 0] = 2.0
    assert own.flags.writeable
    # a view, not a copy: scans are large
    assert np.shares_memory(own, spectra.pressure_pa)


def test_default_arrays_are_read_only_too() -> None:
    with pytest.raises(ValueError, match="read-only"):
        ReferenceAxis().origin_m[0] = 1.0


def test_records_are_frozen() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        spectra_of().usable = np.zeros(3, dtype=np.bool_)  # type: ignore[misc]


def test_absent_arrays_are_no_clash() -> None:
    assert Air(temperature_c=np.full(4, 20.0)).sound_speed_m_per_s is None
    with pytest.raises(ValueError, match="temperature_c has point=3, but sound_speed_m_per_s sets point=4"):
        Air(sound_speed_m_per_s=np.full(4, 343.2), temperature_c=np.full(3, 20.0))


def test_replacing_an_array_checks_again() -> None:
    box = Cabinet(np.array([0.3, 0.2, 0.4]), np.zeros(3))
    with pytest.raises(ValueError, match="center_m has xyz=2"):
        dataclasses.replace(box, center_m=np.zeros(2))


def test_rank_is_constant() -> None:
    with pytest.raises(ValueError, match=r"values has 2 axes, needs \(channel, point, sample\)"):
        ImpulseResponses(np.zeros((5, 16)), 48000.0)


def test_column_of_a_table() -> None:
    table = Table("quality", ("frequency_hz", "residual_db"), np.array([[20.0, -40.0], [40.0, -50.0]]), {})
    assert table.column("residual_db").tolist() == [-40.0, -50.0]
    with pytest.raises(KeyError, match="table quality has no column level_db; it has frequency_hz, residual_db"):
        table.column("level_db")


def test_some_frequencies_and_points_are_picked_from_records_within_too() -> None:
    rng = np.random.default_rng(1)
    pressure, noise = rng.normal(size=(4, 1, 5)).astype(complex), rng.uniform(size=(4, 1, 5))
    gated = Gated(2.0 * pressure, np.arange(5.0), noise[:, :, 0])
    spectra = make_spectra(rng.normal(size=(5, 3)), np.arange(1.0, 5.0), pressure, noise_pa=noise, gated=gated)
    part = spectra.picked("frequency", np.array([1, 3]))
    np.testing.assert_array_equal(part.frequency_hz, [2.0, 4.0])
    np.testing.assert_array_equal(part.positions_m, spectra.positions_m)
    part = part.picked("point", np.arange(5) != 2)
    assert part.noise_pa is not None
    assert part.gated is not None
    kept = np.ix_([1, 3], [0], [0, 1, 3, 4])
    np.testing.assert_array_equal(part.pressure_pa, pressure[kept])
    np.testing.assert_array_equal(part.noise_pa, noise[kept])
    np.testing.assert_array_equal(part.gated.pressure_pa, 2.0 * pressure[kept])
    np.testing.assert_array_equal(part.gated.length_s, [0.0, 1.0, 3.0, 4.0])
    np.testing.assert_array_equal(part.gated.tail_db, noise[[1, 3], :, 0])


def test_deviations_are_picked_by_frequency_alone() -> None:
    rows = tuple(np.full((1, 2, count), count, dtype=complex) for count in (1, 4, 9))
    deviations = Deviations(rows, tuple(row[:, :, :0] for row in rows), 1, ("gain",))
    part = deviations.picked("frequency", np.array([2, 0]))
    assert [row.shape[2] for row in part.outgoing] == [9, 1]
    assert len(part.regular) == 2
    assert deviations.picked("point", np.array([0])) is deviations
