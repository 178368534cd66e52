"""What a comparison takes from a result folder."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fieldproc.errors import Problem, SessionError, UsageError
from fieldproc.records import Scalar, Table
from fieldproc.results import read_table, read_text

COMPARED_TABLES = ("cta2034a", "directivity")
_QUALITY = "quality"


@dataclass(frozen=True, slots=True)
class Result:
    """A result folder: per channel its tables by name, ``quality`` among them where there is one."""

    name: str
    sha256: str
    channel_names: tuple[str, ...]
    channels: tuple[Mapping[str, Table], ...]
    scalars: Mapping[str, Scalar]

    def facts(self, channel: int) -> Mapping[str, str | float | int]:
        """What the levels of a channel are."""
        return self.channels[channel]["cta2034a"].facts


def read_result(folder: Path, name: str) -> Result:
    """Tables and scalars of a result folder of ``run``, to be told of by ``name``.

    ``UsageError`` where it is none, ``SessionError`` where its files are broken.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: no such folder; give the result folders of runs")
    summary_path = folder / "summary.json"
    text = read_text(summary_path)
    try:
        summary = json.loads(text)
        channel_names = tuple(str(name) for name in summary["channels"])
        scalars = {name: _scalar(entry) for name, entry in summary["scalars"].items()}
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        found = f"no summary of a run ({type(error).__name__}: {error})"
        problem = Problem("file", found, "channels and scalars", "run the session again")
        raise SessionError(str(summary_path), [problem]) from error
    count = len(channel_names)
    below = [folder / "tables" / ("" if count == 1 else f"channel-{channel}") for channel in range(count)]
    channels = tuple(_tables(tables) for tables in below)
    return Result(name, hashlib.sha256(text.encode()).hexdigest(), channel_names, channels, scalars)


def _tables(folder: Path) -> dict[str, Table]:
    judged = (_QUALITY,) if (folder / f"{_QUALITY}.csv").is_file() else ()
    tables = {name: read_table(folder / f"{name}.csv") for name in (*COMPARED_TABLES, *judged)}
    for name, table in tables.items():
        needed = "verdict_code" if name == _QUALITY else "frequency_hz"
        if needed not in table.header or "frequency_hz" not in table.header:
            problem = Problem(
                "header", ", ".join(table.header)[:80], f"frequency_hz, {needed}", "run the session again"
            )
            raise SessionError(str(folder / f"{name}.csv"), [problem])
    return tables


def _scalar(entry: Mapping[str, Any]) -> Scalar:
    """What is not finite was written as null."""
    value, low, high = (math.nan if entry[name] is None else float(entry[name]) for name in ("value", "low", "high"))
    return Scalar(value, str(entry["unit"]), low, high, str(entry["note"]))
