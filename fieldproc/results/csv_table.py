"""A table as CSV (RFC 4180) and its sidecar (W3C "Metadata Vocabulary for Tabular Data", 2015)."""

from __future__ import annotations

import json
import math
from urllib.parse import quote

from fieldproc.records import Table
from fieldproc.results.plain import unit_of


def csv_bytes(table: Table) -> bytes:
    """UTF-8, LF, one header row, numbers below it, each the shortest text that reads back as the same float.

    Undefined is ``nan``, the level of zero pressure ``-inf``.
    """
    lines = [",".join(table.header)]
    lines += [",".join(_number(value) for value in row) for row in table.values.tolist()]
    return ("\n".join(lines) + "\n").encode()


def sidecar_bytes(table: Table) -> bytes:
    """CSVW metadata for ``NAME.csv``: columns with their units, dialect, and the table's facts as notes.

    Each note is a schema.org ``PropertyValue`` with ``schema:name`` and ``schema:value``.
    """
    document = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": f"{table.name}.csv",
        "dialect": {
            "encoding": "utf-8",
            "delimiter": ",",
            "lineTerminators": ["\n"],
            "header": True,
            "headerRowCount": 1,
        },
        "tableSchema": {"columns": [_column(name) for name in table.header]},
        "notes": [
            {"@type": "schema:PropertyValue", "schema:name": name, "schema:value": _json_value(value)}
            for name, value in table.facts.items()
        ],
    }
    return (json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _number(value: float) -> str:
    return repr(value).removesuffix(".0")


def _column(title: str) -> dict[str, object]:
    column: dict[str, object] = {
        # Names follow the grammar of URI templates, which has no + and no -.
        "name": quote(title, safe="").replace("-", "%2D"),
        "titles": title,
        "datatype": "double",
        # XML Schema spells these NaN and -INF, programs that read CSV don't.
        "null": ["nan", "-inf", "inf"],
    }
    unit = unit_of(title)
    if unit != "1":
        column["schema:unitText"] = unit
    return column


def _json_value(value: str | float | int) -> str | float | int:
    return repr(value) if isinstance(value, float) and not math.isfinite(value) else value
