"""Curves as JSON, read back by a parser that refuses what the standard does not know."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from results.balloons import FACTS, HOSTILE, curves

from fieldproc.records import Scalar
from fieldproc.results import curves_json_bytes

SCALARS = {"reach": Scalar(25.5, "Hz", 24.0, np.nan), "delay": Scalar(np.float64(1 / 3), "s")}


def parsed(data: bytes) -> Any:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        names = [name for name, _ in pairs]
        assert len(set(names)) == len(names)
        assert names == sorted(names)
        return dict(pairs)

    return json.loads(data, parse_constant=refuse, object_pairs_hook=once)


def test_columns_scalars_and_facts_are_those_in_memory() -> None:
    table = curves(content="made up", gap=np.inf)
    document = parsed(curves_json_bytes([table], SCALARS, {**FACTS, "unknown": np.nan}))
    assert set(document) == {"facts", "scalars", "tables"}
    columns = document["tables"]["curves"]["columns"]
    assert set(columns) == set(table.header)
    for name in table.header:
        column = table.column(name)
        assert columns[name] == [value if np.isfinite(value) else None for value in column.tolist()]
    # the row of silence and the one without a fit
    assert columns["on_axis_db"][1:3] == [None, None]
    assert document["tables"]["curves"]["facts"] == {"content": "made up", "gap": None}
    assert document["scalars"] == {
        "reach": {"value": 25.5, "unit": "Hz", "low": 24.0, "high": None},
        "delay": {"value": 1 / 3, "unit": "s", "low": None, "high": None},
    }
    assert document["facts"] == {**FACTS, "unknown": None}


def test_the_order_of_input_does_not_matter() -> None:
    backwards = dict(reversed(FACTS.items()))
    assert curves_json_bytes([curves()], SCALARS, FACTS) == curves_json_bytes([curves()], SCALARS, backwards)


def test_hostile_texts_are_kept_as_they_are() -> None:
    data = curves_json_bytes([curves(**HOSTILE)], {"x": Scalar(1.0, HOSTILE["lines"])}, HOSTILE)
    # one line of printable ASCII, whatever the texts
    assert data.decode("ascii")[:-1].isprintable()
    document = parsed(data)
    assert document["facts"] == document["tables"]["curves"]["facts"] == HOSTILE
    assert document["scalars"]["x"]["unit"] == HOSTILE["lines"]
