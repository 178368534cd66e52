"""Measures beside the quality: their columns, and their way through the field file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from expand.crafted import make_expansion

from fieldproc.records import Measures, ReferenceAxis
from fieldproc.results import field_bytes, read_field
from fieldproc.tables import quality_table

FREQUENCY_HZ = np.array([100.0, 200.0, 400.0])
INTEGERS = {"surface": np.array([0, 3]), "forbidden": np.array([0, 1, 0])}


def measures() -> Measures:
    """Two channels and two surfaces, every number another."""
    sizes = {"frequency": 3, "channel": 2, "surface": 2}
    generator = np.random.default_rng(0)
    values = {
        name: INTEGERS.get(name, generator.normal(size=[sizes[axis] for axis in axes]))
        for name, axes in Measures.AXES.items()
    }
    return Measures(**values)


def test_columns_of_the_channel() -> None:
    told = measures()
    outgoing = np.ones((3, 2, 4), dtype=complex)
    table = quality_table(make_expansion(FREQUENCY_HZ, outgoing, measures=told), 1, facts={})
    np.testing.assert_array_equal(table.column("residual_surface_3_db"), told.surface_residual_db[:, 1, 1])
    np.testing.assert_array_equal(table.column("forbidden_band"), [0, 1, 0])
    alike = ("hold_out_db", "last_degrees_db", "clear_degree", "degree_change_db")
    for name in (*alike, "leakage", "leakage_db", "power_closure"):
        np.testing.assert_array_equal(table.column(name), getattr(told, name)[:, 1])
    assert "leakage_note" in table.facts
    bare = quality_table(make_expansion(FREQUENCY_HZ, outgoing), 1, facts={})
    assert table.header[: len(bare.header)] == bare.header
    assert "leakage" not in bare.header


def test_the_field_file_keeps_them(tmp_path: Path) -> None:
    told = measures()
    path = tmp_path / "field.h5"
    expansion = make_expansion(FREQUENCY_HZ, np.ones((3, 2, 4), dtype=complex), measures=told)
    path.write_bytes(field_bytes(expansion, ReferenceAxis(), {}))
    found = read_field(path)[0].measures
    assert found is not None
    for name in Measures.AXES:
        np.testing.assert_array_equal(getattr(found, name), getattr(told, name))
