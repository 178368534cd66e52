"""CSV and sidecar, read back by programs that know nothing of this package."""

from __future__ import annotations

import csv
import io
import json
from urllib.parse import unquote

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from fieldproc.records import Table
from fieldproc.results import csv_bytes, sidecar_bytes

HEADER = ("frequency_hz", "level_+030_db", "phase_-030_deg")


def table(values: np.ndarray, **facts: str | float | int) -> Table:
    return Table(name="horizontal", header=HEADER, values=values, facts=facts)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(arrays(np.float64, st.tuples(st.integers(1, 5), st.just(3)), elements=st.floats(width=64)))
def test_every_float_reads_back_exactly(values: np.ndarray) -> None:
    data = csv_bytes(table(values))
    rows = list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    assert tuple(rows[0]) == HEADER
    # Bit for bit, but for the sign and payload of nan.
    np.testing.assert_array_equal(np.array(rows[1:], dtype=float), values)
    loaded = np.loadtxt(io.BytesIO(data), delimiter=",", skiprows=1, ndmin=2)
    np.testing.assert_array_equal(loaded, values)
    np.testing.assert_array_equal(np.signbit(loaded)[values == 0], np.signbit(values)[values == 0])


def test_the_bytes_are_those_of_the_contract() -> None:
    values = np.array([[20.0, -np.inf, np.nan], [20.585, 0.1 + 0.2, 1e-7]])
    assert csv_bytes(table(values)) == (
        b"frequency_hz,level_+030_db,phase_-030_deg\n20,-inf,nan\n20.585,0.30000000000000004,1e-07\n"
    )


def test_sidecar_is_strict_json_with_columns_units_and_facts() -> None:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    sidecar = sidecar_bytes(table(np.zeros((1, 3)), content="polars", drive_voltage_v=2.83, odd=np.inf, count=3))
    document = json.loads(sidecar, parse_constant=refuse)
    assert document["@context"][0] == "http://www.w3.org/ns/csvw"
    assert document["url"] == "horizontal.csv"
    assert document["dialect"]["headerRowCount"] == 1
    columns = document["tableSchema"]["columns"]
    assert [column["titles"] for column in columns] == list(HEADER)
    assert [column["schema:unitText"] for column in columns] == ["Hz", "dB", "degree"]
    facts = {note["schema:name"]: note["schema:value"] for note in document["notes"]}
    assert facts == {"content": "polars", "drive_voltage_v": 2.83, "odd": "inf", "count": 3}


@pytest.mark.parametrize("index", range(3))
def test_column_names_follow_the_vocabulary(index: int) -> None:
    # W3C Metadata Vocabulary for Tabular Data: names are URI template variables (RFC 6570, 2.3).
    column = json.loads(sidecar_bytes(table(np.zeros((1, 3)))))["tableSchema"]["columns"][index]
    assert unquote(column["name"]) == HEADER[index]
    assert all(part.isalnum() or part == "_" for part in column["name"].replace("%", ""))
    assert {"nan", "-inf"} <= set(column["null"])
