"""Curves and scalars as strict JSON (RFC 8259), for programs that read neither CSV nor NetCDF."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence

from fieldproc.records import Facts, Scalar, Table


def curves_json_bytes(tables: Sequence[Table], scalars: Mapping[str, Scalar], facts: Facts) -> bytes:
    """``facts``, ``scalars.NAME.{value,unit,low,high}`` and ``tables.NAME.{facts,columns.COLUMN}``.

    Sorted keys and ASCII; numbers are the shortest text that reads back the same, those that are not finite ``null``
    (undefined, or the level of zero pressure).
    """
    document = {
        "facts": _strict(facts),
        "scalars": {
            name: {
                "value": _finite(scalar.value),
                "unit": scalar.unit,
                "low": _finite(scalar.low),
                "high": _finite(scalar.high),
            }
            for name, scalar in scalars.items()
        },
        "tables": {
            table.name: {
                "facts": _strict(table.facts),
                "columns": {
                    name: [_finite(value) for value in column]
                    for name, column in zip(table.header, table.values.T.tolist(), strict=True)
                },
            }
            for table in tables
        },
    }
    return (json.dumps(document, sort_keys=True, allow_nan=False, separators=(",", ":")) + "\n").encode("ascii")


def _strict(facts: Facts) -> dict[str, str | float | int | None]:
    return {name: fact if isinstance(fact, str) else _finite(fact) for name, fact in facts.items()}


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
