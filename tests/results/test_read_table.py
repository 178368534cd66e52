"""Tables read back from a result folder, and those that are none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fieldproc.errors import SessionError, UsageError
from fieldproc.records import Table
from fieldproc.results import csv_bytes, read_table, sidecar_bytes
from fieldproc.results.read_table import read_text

TABLE = Table(
    "curves",
    ("frequency_hz", "level_+030_db"),
    np.array([[20.0, -np.inf], [0.1 + 0.2, np.nan], [1e-300, -0.0]]),
    {"content": 'curves, "quoted"', "reference_distance_m": 1.0, "missing": 3, "odd": np.inf},
)
CSV, SIDECAR = "curves.csv", "curves.csv-metadata.json"


def written(folder: Path, **changed: bytes) -> Path:
    """Path of the table, with other bytes in place of the ``csv`` or the ``sidecar``."""
    (folder / CSV).write_bytes(changed.get("csv", csv_bytes(TABLE)))
    (folder / SIDECAR).write_bytes(changed.get("sidecar", sidecar_bytes(TABLE)))
    return folder / CSV


def test_what_was_written_is_read(tmp_path: Path) -> None:
    found = read_table(written(tmp_path))
    assert (found.name, found.header) == (TABLE.name, TABLE.header)
    np.testing.assert_array_equal(found.values, TABLE.values)
    assert found.facts == {**TABLE.facts, "odd": "inf"}


def test_a_table_without_rows_keeps_its_columns(tmp_path: Path) -> None:
    assert read_table(written(tmp_path, csv=b"frequency_hz,level_db\n")).values.shape == (0, 2)


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"csv": b""}, "no table"),
        ({"csv": b'a,b\n"1,2\n'}, "no table"),
        ({"csv": b"a,,c\n1,2,3\n"}, "columns with names of their own"),
        ({"csv": b"a,a\n1,2\n"}, "columns with names of their own"),
        ({"csv": b"a,b\n1,2\n1\n"}, "line 3: found 1 cells, '1'; required 2 numbers"),
        ({"csv": b"a,b\n1,2,3\n"}, "line 2: found 3 cells"),
        ({"csv": b"a,b\n1,two\n"}, "line 2: found 2 cells, '1,two'"),
        ({"csv": b"a,b\n1,\n"}, "line 2"),
        ({"csv": b"a,b\n\n1,2\n"}, "line 2"),
        ({"csv": b"a,b\n1,2\xff\n"}, "required UTF-8"),
        ({"sidecar": b"{"}, "JSONDecodeError"),
        ({"sidecar": b"[1]"}, "no facts of a table"),
        ({"sidecar": b'{"notes": [{"schema:name": "x"}]}'}, "no facts of a table"),
        ({"sidecar": b'{"notes": [{"schema:name": "x", "schema:value": [1]}]}'}, "neither text nor number"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path: Path, changed: dict[str, bytes], words: str) -> None:
    with pytest.raises(SessionError) as refused:
        read_table(written(tmp_path, **changed))
    assert words in str(refused.value)
    assert refused.value.path == str(tmp_path / (CSV if "csv" in changed else SIDECAR))
    assert len(refused.value.problems) == 1


@pytest.mark.parametrize("missing", [CSV, SIDECAR])
def test_a_file_that_is_not_there(tmp_path: Path, missing: str) -> None:
    path = written(tmp_path)
    (tmp_path / missing).unlink()
    with pytest.raises(UsageError, match=f"{missing}: no such file; give the result folder"):
        read_table(path)


def test_no_file_is_read_that_is_too_large(tmp_path: Path) -> None:
    path = tmp_path / "large.csv"
    with path.open("wb") as stream:
        stream.truncate(64_000_001)
    with pytest.raises(SessionError, match="64000001 bytes; required at most 64000000"):
        read_text(path)
