"""The page of one result: what a reader needs, from what its folder holds and nothing else."""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fieldproc.conventions import REFERENCE_DISTANCE_M, Floats, Integers
from fieldproc.outcome import channel_folder, channel_prefix
from fieldproc.page.captions import OF_QUALITY, Tables, caption_of
from fieldproc.page.explorer import explorer_data
from fieldproc.page.grid import Sphere
from fieldproc.page.template import render
from fieldproc.page.words import SCALARS, holdable
from fieldproc.records import Scalar, Table, Verdict
from fieldproc.report import draw
from fieldproc.report.panels import level_words
from fieldproc.settings import Settings, TableSettings, dump_settings

# Topics and their sentences, of every channel.
Findings = Sequence[Sequence[Mapping[str, Any]]]

PAGE = "report.html"
OF_FINDINGS = ("findings",)
MOST_PAGE_BYTES = 6_000_000
# Of the page: what stands around figures and explorers in any case.
_TEXT_BYTES = 400_000
_MEANINGS = {
    "good": "Every frequency may be used.",
    "caution": "Not every frequency is good: see the bands.",
    "do not use": "No frequency may be used.",
}
# Points left out and frequencies that the page lists; the summary and the tables have all.
_MOST_LISTED = 20
_QUALITY_COLUMNS = {
    "residual_db": "residual, dB",
    "leave_one_out_db": "error at left-out points, dB",
    "random_error_db": "random error, dB",
    "level_uncertainty_db": "standard uncertainty of levels, dB",
    "outgoing_order": "degree",
}


@dataclass(frozen=True, slots=True)
class Shown:
    """A figure of the page: its picture as a data URI, or empty where the page would grow too large."""

    name: str
    path: str
    heading: str
    look: str
    description: str
    source: str


def report_files(
    channels: Sequence[Tables],
    summary: Mapping[str, Any],
    settings: Settings,
    sphere: Sphere | None = None,
    findings: Findings = (),
) -> dict[str, bytes]:
    """Figures and page of a result by their paths in its folder: the same bytes from a run as from its folder.

    Parameters
    ----------
    channels
        Tables of every channel by name; those that are missing leave out what is made of them.
    summary
        The document of ``summary.json``. Digests of the outputs are not read, so that they may count the page in.
    settings
        Those of the run; the page states them all.
    sphere
        The far field of all channels, for the explorer and the balloon; without it there are none.
    findings
        Topics and their sentences, of every channel: those of ``findings.json``; none where nothing was looked for.
    """
    names = [str(name) for name in summary["channels"]]
    judged = [_judged(tables, summary, channel) for channel, tables in enumerate(channels)]
    files: dict[str, bytes] = {}
    drawn: list[dict[str, bytes]] = []
    for channel, tables in enumerate(judged):
        heading = title_of(summary) if len(names) == 1 else f"{title_of(summary)}, {names[channel]}"
        figures = draw(tables, heading, balloon=None if sphere is None else sphere.of_channel(channel))
        below = channel_folder("figures", channel, len(names))
        files |= {f"{below}/{name}": data for name, data in figures.items()}
        drawn.append({f"{below}/{name}": data for name, data in figures.items() if name.endswith(".svg")})
    return {**files, PAGE: page_bytes(judged, summary, settings, drawn, sphere, findings)}


def page_bytes(
    channels: Sequence[Tables],
    summary: Mapping[str, Any],
    settings: Settings,
    figures: Sequence[Mapping[str, bytes]],
    sphere: Sphere | None,
    findings: Findings = (),
) -> bytes:
    """The page alone; ``figures`` are the SVGs of every channel by their paths beside the page."""
    budget = _Budget(MOST_PAGE_BYTES - _TEXT_BYTES)
    explorers = [
        _explorer(sphere, channel, tables, settings.tables, budget) for channel, tables in enumerate(channels)
    ]
    sections = [
        _section(summary, channel, tables, explorers[channel], list(_shown(tables, own, budget)))
        | {"findings": findings[channel] if findings else []}
        for channel, (tables, own) in enumerate(zip(channels, figures, strict=True))
    ]
    return render(
        "report.html.j2",
        ("explorer.js",) if any(explorers) else (),
        title=holdable(title_of(summary)),
        device=summary["facts"].get("device", ""),
        verdict=summary["verdict"],
        meaning=_MEANINGS[summary["verdict"]],
        sections=sections,
        dropped=summary["dropped_points"],
        most_listed=_MOST_LISTED,
        notices=summary["notices"],
        facts={name: fact for name, fact in summary["facts"].items() if fact != "" and name != "session_sha256"},
        versions=summary["provenance"]["versions"],
        input_sha256=summary["provenance"]["input_sha256"],
        settings=dump_settings(settings),
        quality_columns=list(_QUALITY_COLUMNS.values()),
    )


def _section(
    summary: Mapping[str, Any], channel: int, tables: Tables, explorer: str | None, figures: Sequence[Shown]
) -> dict[str, Any]:
    """What the template needs of one channel."""
    return {
        "name": summary["channels"][channel],
        "scalars": _scalars(summary, channel, len(summary["channels"])),
        "bands": [band for band in summary["bands"] if band["channel"] == channel],
        "explorer": explorer,
        "levels": level_words({**summary["facts"], "reference_distance_m": REFERENCE_DISTANCE_M}),
        "figures": [shown for shown in figures if shown.name not in (*OF_QUALITY, *OF_FINDINGS)],
        "findings_figures": [shown for shown in figures if shown.name in OF_FINDINGS],
        "quality_figures": [shown for shown in figures if shown.name in OF_QUALITY],
        "quality": _quality_rows(tables),
    }


def title_of(summary: Mapping[str, Any]) -> str:
    """The title that a session states, or its name."""
    facts = summary["facts"]
    return str(facts.get("title") or facts.get("session") or "untitled")


class _Budget:
    """Bytes that figures and explorers may still take."""

    def __init__(self, size: int) -> None:
        self.left = size

    def takes(self, text: str) -> bool:
        fits = len(text) <= self.left
        self.left -= len(text) if fits else 0
        return fits


def _judged(tables: Tables, summary: Mapping[str, Any], channel: int) -> dict[str, Table]:
    """With a table ``quality`` of the verdicts alone where there is none: a far field from elsewhere has no other."""
    if "quality" in tables or "cta2034a" not in tables:
        return dict(tables)
    frequency_hz = tables["cta2034a"].column("frequency_hz")
    columns = {"frequency_hz": frequency_hz, "verdict_code": _verdict_at(frequency_hz, summary, channel)}
    return {**tables, "quality": Table.of_columns("quality", columns, {})}


def _verdict_at(frequency_hz: Floats, summary: Mapping[str, Any], channel: int) -> Integers:
    """The verdicts that bands from a first to a last frequency tell."""
    codes = np.full(len(frequency_hz), int(Verdict.DO_NOT_USE))
    by_words = {verdict.words: int(verdict) for verdict in Verdict}
    for band in summary["bands"]:
        if band["channel"] == channel:
            inside = (frequency_hz >= band["lowest_hz"]) & (frequency_hz <= band["highest_hz"])
            codes[inside] = by_words[band["verdict"]]
    return codes


def _explorer(
    sphere: Sphere | None, channel: int, tables: Tables, settings: TableSettings, budget: _Budget
) -> str | None:
    """Its data, ``None`` where there are none or the page would grow too large."""
    if sphere is None or "quality" not in tables:
        return None
    verdict = tables["quality"].column("verdict_code").astype(np.int64)
    data = explorer_data(sphere, channel, verdict, settings)
    return data if budget.takes(data) else None


def _shown(tables: Tables, figures: Mapping[str, bytes], budget: _Budget) -> Iterator[Shown]:
    for path, data in figures.items():
        name = path.rpartition("/")[2].removesuffix(".svg")
        caption = caption_of(name)
        source = f"data:image/svg+xml;base64,{base64.b64encode(data).decode()}"
        fitting = source if budget.takes(source) else ""
        yield Shown(name, path, caption.heading, caption.look, caption.described(tables), fitting)


def _scalars(summary: Mapping[str, Any], channel: int, channels: int) -> list[tuple[str, Scalar]]:
    """Single numbers of a channel, in words; those that a reader asks for first come first."""
    prefix = channel_prefix(channel, channels)
    own = {name.removeprefix(prefix): entry for name, entry in summary["scalars"].items() if name.startswith(prefix)}
    order = [*(name for name in SCALARS if name in own), *(name for name in own if name not in SCALARS)]
    return [(SCALARS.get(name, name.replace("_", " ")), scalar_of(own[name])) for name in order]


def scalar_of(entry: Mapping[str, Any]) -> Scalar:
    """A single number of a summary, where what is not finite is null."""
    value, low, high = (math.nan if entry[end] is None else float(entry[end]) for end in ("value", "low", "high"))
    return Scalar(value, str(entry["unit"]), low, high, str(entry["note"]))


def _quality_rows(tables: Tables) -> list[tuple[float, str, list[float]]]:
    """Frequency, verdict and measures of quality, an octave apart."""
    quality = tables.get("quality")
    if quality is None or any(name not in quality.header for name in _QUALITY_COLUMNS):
        return []
    frequency_hz = quality.column("frequency_hz")
    octaves = 1000.0 * 2.0 ** np.arange(-5.0, 5.0)
    inside = octaves[(octaves >= frequency_hz[0] / 1.1) & (octaves <= frequency_hz[-1] * 1.1)]
    rows = np.unique([int(np.argmin(np.abs(np.log(frequency_hz / octave)))) for octave in inside])
    return [
        (
            float(frequency_hz[row]),
            Verdict(int(quality.column("verdict_code")[row])).words,
            [float(quality.column(name)[row]) for name in _QUALITY_COLUMNS],
        )
        for row in rows.astype(int)
    ]
