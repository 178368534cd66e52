"""The overview of a batch: a row for each result folder, with its verdict, key numbers and a glance at its curves."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.errors import UsageError
from fieldproc.outcome import channel_folder
from fieldproc.page.folder import read_summary
from fieldproc.page.page import PAGE, scalar_of, title_of
from fieldproc.page.template import render
from fieldproc.page.words import SCALARS, holdable, value_words
from fieldproc.records import Scalar, Table, Verdict
from fieldproc.report import style
from fieldproc.results import read_table
from fieldproc.results.folder import MARKER

INDEX = "index.html"
KEY_SCALARS = ("sensitivity_2_83_v_1_m", "low_frequency_limit_6_db", "in_room_slope")
# Of a glance at the curves: 20 Hz to 20 kHz and 50 dB, at 25 dB per decade.
WIDTH, HEIGHT, SPAN_DB, LOWEST_HZ, DECADES = 180.0, 120.0, 50.0, 20.0, 3.0
_CURVES = ("listening_window_db", "on_axis_db")


@dataclass(frozen=True, slots=True)
class Row:
    """One channel of a result; ``page`` is its address from the overview, empty where there is none yet."""

    title: str
    folder: str
    page: str
    verdict: str
    rank: int
    curves: list[tuple[str, str, str]]
    scalars: list[tuple[str, str]]


def overview_bytes(output: Path) -> bytes:
    """The page over all result folders directly in ``output``, in the order of their names.

    Folders that hold no curves (those of ``compare``, ``tune`` and the like) are passed over. ``UsageError`` where
    none is left, ``SessionError`` where one is broken.
    """
    if not output.is_dir():
        raise UsageError(f"{output}: no such folder; give the output folder of a run")
    rows = [row for folder in sorted(output.iterdir()) if (folder / MARKER).is_file() for row in _rows(folder)]
    if not rows:
        raise UsageError(f"{output}: holds no results; give the folder that runs wrote their results into")
    return render(
        "index.html.j2",
        ("sort.js",),
        rows=rows,
        names=[SCALARS[name] for name in KEY_SCALARS],
        size=(WIDTH, HEIGHT),
        frame=_frame(),
    )


def _rows(folder: Path) -> list[Row]:
    """Of every channel; none where the folder has no curves."""
    if not (folder / "tables").is_dir():
        return []
    rows = []
    summary: dict[str, Any] | None = None
    for channel, below in enumerate(_curve_folders(folder)):
        summary = summary or read_summary(folder)
        rows.append(_row(folder, summary, channel, read_table(below / "cta2034a.csv")))
    return rows


def _curve_folders(folder: Path) -> list[Path]:
    if (folder / "tables" / "cta2034a.csv").is_file():
        return [folder / "tables"]
    found: list[Path] = []
    while (below := folder / channel_folder("tables", len(found), 2) / "cta2034a.csv").is_file():
        found.append(below.parent)
    return found


def _row(folder: Path, summary: Mapping[str, Any], channel: int, curves: Table) -> Row:
    names = summary["channels"]
    several = len(names) > 1
    title = f"{title_of(summary)}, {names[channel]}" if several else title_of(summary)
    scalars = []
    for name in KEY_SCALARS:
        entry = summary["scalars"].get(f"channel_{channel}_{name}" if several else name)
        scalar = Scalar(math.nan, "") if entry is None else scalar_of(entry)
        scalars.append((value_words(scalar), repr(scalar.value) if math.isfinite(scalar.value) else ""))
    verdicts = [verdict.words for verdict in Verdict]
    return Row(
        title=holdable(title),
        folder=holdable(folder.name),
        page=f"{quote(folder.name)}/{PAGE}" if (folder / PAGE).is_file() else "",
        verdict=summary["verdict"],
        rank=verdicts.index(summary["verdict"]),
        curves=_glance(curves),
        scalars=scalars,
    )


def _glance(curves: Table) -> list[tuple[str, str, str]]:
    """Path, colour and dashes of each curve, all on one scale: the loudest on axis is 5 dB below the top."""
    frequency_hz = curves.column("frequency_hz")
    inside = (frequency_hz >= LOWEST_HZ) & (frequency_hz <= LOWEST_HZ * 10.0**DECADES)
    levels = {name: curves.column(name)[inside] for name in _CURVES}
    loud = levels["on_axis_db"][np.isfinite(levels["on_axis_db"])]
    top_db = 5.0 + (loud.max() if loud.size else 0.0)
    x = np.log10(frequency_hz[inside] / LOWEST_HZ) * WIDTH / DECADES
    return [
        (
            _path(x, (top_db - level) * HEIGHT / SPAN_DB),
            style.PENS[name].color,
            " ".join(f"{1.6 * part:.3g}" for part in style.PENS[name].dash),
        )
        for name, level in levels.items()
    ]


def _path(x: Floats, y: Floats) -> str:
    """A line through the known points, interrupted where there are none, cut a little beyond the frame."""
    parts, gap = [], True
    for across, down in zip(x.tolist(), np.clip(y, -9.0, HEIGHT + 9.0).tolist(), strict=True):
        if math.isfinite(down):
            parts.append(f"{'M' if gap else 'L'}{across:.1f} {down:.1f}")
        gap = not math.isfinite(down)
    return "".join(parts)


def _frame() -> str:
    """Lines at 100 Hz, 1 and 10 kHz, and every 10 dB."""
    decades = [math.log10(hz / LOWEST_HZ) * WIDTH / DECADES for hz in (100.0, 1000.0, 10_000.0)]
    lines = [f"M{x:.1f} 0V{HEIGHT:g}" for x in decades]
    lines += [f"M0 {HEIGHT * step / 5:g}H{WIDTH:g}" for step in range(1, 5)]
    return "".join(lines)
