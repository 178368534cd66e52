"""A table and its sidecar, read together by an independent reader of the W3C vocabulary."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import unquote

import csvw
import numpy as np
import pytest
from results.balloons import HOSTILE

from fieldproc.records import Table
from fieldproc.results import csv_bytes, sidecar_bytes

HEADER = ("frequency_hz", "level_+030_db", "phase_-030_deg", "condition")
# text that no file can hold in UTF-8 has no place in a sidecar either: the guard of the reader refuses it
FACTS = {name: text for name, text in HOSTILE.items() if name != "surrogate"} | {"drive_voltage_v": 2.83, "count": 3}


def read(tmp_path: Path, table: Table) -> csvw.CSVW:
    (tmp_path / f"{table.name}.csv").write_bytes(csv_bytes(table))
    sidecar = tmp_path / f"{table.name}.csv-metadata.json"
    sidecar.write_bytes(sidecar_bytes(table))
    return csvw.CSVW(str(sidecar), validate=True)


def test_columns_units_values_and_facts(tmp_path: Path) -> None:
    values = np.random.default_rng(1).normal(size=(6, len(HEADER)))
    values[1, 1], values[2, 2], values[3, 3] = -np.inf, np.nan, np.inf
    found = read(tmp_path, Table("polars", HEADER, values, FACTS))
    assert found.is_valid
    assert found.warnings == []
    (table,) = found.tables
    assert [column.titles.getfirst() for column in table.tableSchema.columns] == list(HEADER)
    assert [unquote(column.name) for column in table.tableSchema.columns] == list(HEADER)
    assert [column.datatype.base for column in table.tableSchema.columns] == ["double"] * len(HEADER)
    units = [column.common_props.get("schema:unitText") for column in table.tableSchema.columns]
    assert units == ["Hz", "dB", "degree", None]
    rows = [list(row.values()) for row in table]
    # what is not finite is declared to be no value
    assert rows == [[value if np.isfinite(value) else None for value in row] for row in values.tolist()]
    assert {note["schema:name"]: note["schema:value"] for note in table.notes} == FACTS


def test_the_reader_sees_a_cell_that_is_no_number(tmp_path: Path) -> None:
    table = Table("polars", HEADER, np.full((2, len(HEADER)), 0.5), {})
    found = read(tmp_path, table)
    assert found.is_valid
    (tmp_path / "polars.csv").write_bytes(csv_bytes(table).replace(b"0.5", b"half", 1))
    with pytest.raises(ValueError, match="half"):
        list(found.tables[0])
