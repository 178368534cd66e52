"""What figures share: panels placed in inches, frequency axis, verdict bands, headings, key."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedFormatter, FixedLocator

from fieldproc.conventions import Booleans, Floats, Integers
from fieldproc.records import Table, Verdict
from fieldproc.report import style

LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
DECADE_INCHES = 2.3
PANEL_WIDTH_INCHES = DECADE_INCHES * math.log10(HIGHEST_HZ / LOWEST_HZ)
LEFT_INCHES, TOP_INCHES, BOTTOM_INCHES = 1.0, 0.85, 0.95
_AXIS_WORDS_INCHES = 0.5

# What a map leaves uncovered; dots, since grey and strokes say that something is wrong with a value.
NO_DATA_FACE: dict[str, Any] = {
    "facecolor": "white",
    "edgecolor": style.HATCH_INK,
    "hatch": style.NO_DATA_HATCH,
    "linewidth": 0.0,
    # as outlines, dots alone would be 100 kB
    "rasterized": True,
}
_TICKS_HZ = {
    20: "20", 50: "50", 100: "100", 200: "200", 500: "500",
    1000: "1k", 2000: "2k", 5000: "5k", 10_000: "10k", 20_000: "20k",
}  # fmt: skip
_GRID_HZ = [digit * decade for decade in (10, 100, 1000, 10_000) for digit in range(2, 10)]


def new_figure(height_inches: float, right_inches: float) -> Figure:
    """A figure that belongs to no window and no global list, with a margin on the right of its panels."""
    figure = Figure(figsize=(LEFT_INCHES + PANEL_WIDTH_INCHES + right_inches, height_inches))
    FigureCanvasAgg(figure)
    return figure


def add_plain_panel(figure: Figure, bottom_inches: float, height_inches: float) -> Axes:
    """A panel as wide as all others, at a given height above the lower edge of the figure."""
    width, height = figure.get_size_inches()
    return figure.add_axes(
        (
            LEFT_INCHES / width,
            bottom_inches / height,
            PANEL_WIDTH_INCHES / width,
            height_inches / height,
        )
    )


def add_panel(figure: Figure, bottom_inches: float, height_inches: float) -> Axes:
    """The same with the frequency axis."""
    axes = add_plain_panel(figure, bottom_inches, height_inches)
    axes.set_xscale("log")
    axes.set_xlim(LOWEST_HZ, HIGHEST_HZ)
    axes.xaxis.set_major_locator(FixedLocator(list(_TICKS_HZ)))
    axes.xaxis.set_major_formatter(FixedFormatter(list(_TICKS_HZ.values())))
    minor_hz = [tick for tick in _GRID_HZ if tick not in _TICKS_HZ and tick < HIGHEST_HZ]
    axes.xaxis.set_minor_locator(FixedLocator(minor_hz))
    return axes


def height_inches(axes: Axes) -> float:
    """Height of a panel as drawn."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return float(axes.get_position().height * figure.get_size_inches()[1])


def place_axis_words(axes: Axes) -> None:
    """The words of the upright axis at the same place whatever its numbers take: panels above one another line up."""
    axes.yaxis.set_label_coords(-_AXIS_WORDS_INCHES / PANEL_WIDTH_INCHES, 0.5)


def near_axis(table: Table) -> Table:
    """The rows within an octave of the frequency axis: others cannot be seen, and 0 Hz has no logarithm."""
    frequency_hz = table.column("frequency_hz")
    near = (frequency_hz >= LOWEST_HZ / 2) & (frequency_hz <= HIGHEST_HZ * 2)
    return replace(table, values=table.values[near])


def on_axis(frequency_hz: Floats) -> Booleans:
    """Which frequencies lie within the frequency axis, shape (frequency,)."""
    inside: Booleans = (frequency_hz >= LOWEST_HZ) & (frequency_hz <= HIGHEST_HZ)
    return inside


def across(frequency_hz: float) -> float:
    """Place of a frequency along the axis: 0 at its left end, 1 at its right end."""
    return math.log(frequency_hz / LOWEST_HZ) / math.log(HIGHEST_HZ / LOWEST_HZ)


def write_heading(figure: Figure, title: str, subtitle: str) -> None:
    """Title (shortened to the width of the figure) and what is shown, above the panels."""
    width, height = figure.get_size_inches()
    left = LEFT_INCHES / width
    words = style.plain_text(title)
    heading = figure.text(left, 1 - 0.3 / height, words, fontsize=style.TITLE_SIZE_PT, fontweight="bold", va="center")
    room_px = (width - LEFT_INCHES - 0.2) * figure.dpi
    while (taken_px := heading.get_window_extent().width) > room_px:
        words = words[: min(len(words) - 1, int(len(words) * room_px / taken_px))]
        heading.set_text(words + "…")
    figure.text(left, 1 - 0.56 / height, subtitle, color=style.FAINT, va="center")


@dataclass(frozen=True, slots=True)
class Band:
    """Neighbouring frequencies of one verdict, from midpoint to midpoint on the log axis."""

    low_hz: float
    high_hz: float
    verdict: Verdict


def runs(codes: Integers | Booleans) -> list[tuple[int, int]]:
    """Half-open index ranges over which ``codes`` stay the same."""
    starts = [0, *(np.flatnonzero(np.diff(codes.astype(int))) + 1).tolist(), len(codes)]
    return [(start, stop) for start, stop in itertools.pairwise(starts) if stop > start]


def cell_edges(frequency_hz: Floats) -> Floats:
    """Limits of the cell each frequency stands for: midpoints on the log axis, shape (frequency + 1,)."""
    if not len(frequency_hz):
        return frequency_hz
    logs = np.log(frequency_hz)
    # A lone frequency has no neighbour to share with; a quarter of an octave is wide enough to see.
    steps = np.diff(logs) if len(logs) > 1 else np.array([math.log(2) / 4])
    middles = logs[:-1] + np.diff(logs) / 2
    edges: Floats = np.exp(np.concatenate([[logs[0] - steps[0] / 2], middles, [logs[-1] + steps[-1] / 2]]))
    return edges


def verdict_bands(quality: Table | None) -> list[Band]:
    """Bands of one verdict each, good ones too, rising in frequency; none without a quality table."""
    if quality is None:
        return []
    quality = near_axis(quality)
    codes = quality.column("verdict_code").astype(int)
    edges = cell_edges(quality.column("frequency_hz"))
    return [Band(edges[start], edges[stop], Verdict(codes[start])) for start, stop in runs(codes)]


def verdict_at(frequency_hz: Floats, bands: list[Band]) -> Integers:
    """Verdict of each frequency, shape (frequency,)."""
    verdict = np.zeros(len(frequency_hz), dtype=np.int64)
    for band in bands:
        inside = (band.low_hz <= frequency_hz) & (frequency_hz <= band.high_hz)
        verdict[inside] = np.maximum(verdict[inside], band.verdict)
    return verdict


def verdict_patch(verdict: Verdict) -> dict[str, Any]:
    """Face and hatch of a band, in panels and in the key."""
    if verdict == Verdict.GOOD:
        return {"facecolor": "white", "edgecolor": "none", "linewidth": 0.0}
    if verdict == Verdict.DO_NOT_USE:
        return {"facecolor": "white", "edgecolor": style.HATCH_INK, "hatch": style.HATCH, "linewidth": 0.0}
    return {"facecolor": style.CAUTION_FILL, "edgecolor": "none", "linewidth": 0.0}


def write_key(figure: Figure, entries: Sequence[Artist | tuple[Artist, ...]], remark: str = "") -> None:
    """Key of regions and lines at the lower left, a remark at the lower right, below the margin.

    Of a tuple, all are drawn upon one another, and the first has the words.
    """
    width, height = figure.get_size_inches()
    figure.legend(
        handles=entries,
        labels=[str((entry[0] if isinstance(entry, tuple) else entry).get_label()) for entry in entries],
        loc="center left",
        bbox_to_anchor=(LEFT_INCHES / width, 0.2 / height),
        ncols=len(entries),
        borderpad=0,
        borderaxespad=0,
        handlelength=2.4,
        columnspacing=1.4,
        handleheight=1.1,
    )
    write_remark(figure, remark)


def write_remark(figure: Figure, remark: str) -> None:
    """Faint words at the lower right."""
    width, height = figure.get_size_inches()
    figure.text(
        1 - 0.2 / width,
        0.2 / height,
        remark,
        fontsize=style.SMALL_SIZE_PT,
        color=style.FAINT,
        ha="right",
        va="center",
    )


def key_patches(bands: list[Band]) -> list[Patch]:
    """What no mark means, then an entry for each mark that occurs within the frequency axis."""
    if not bands:
        return [key_patch("not judged", verdict_patch(Verdict.GOOD))]
    seen = {band.verdict for band in bands if band.high_hz > LOWEST_HZ and band.low_hz < HIGHEST_HZ}
    return [
        key_patch(style.VERDICT_WORDS[verdict], verdict_patch(verdict)) for verdict in sorted({Verdict.GOOD, *seen})
    ]


def key_patch(words: str, face: Mapping[str, Any]) -> Patch:
    """A key entry with the face of a region and a thin outline."""
    return Patch(label=words, **{**face, "edgecolor": style.HATCH_INK, "linewidth": 0.6})


def no_data_key(words: str) -> tuple[Artist, ...]:
    """A key entry of ``NO_DATA_FACE``: its dots as a line, of which an SVG does not need every one."""
    dots = Line2D([], [], color=style.HATCH_INK, linestyle=(0.0, (1.0, 2.5)), linewidth=1.4)
    return key_patch(words, verdict_patch(Verdict.GOOD)), dots


def level_words(facts: Mapping[str, str | float | int]) -> str:
    """What the levels of a table are, from its facts: reference, drive voltage, distance; as far as known."""
    if facts.get("calibrated", 1) == 0:
        return "relative level in dB"
    words = "sound pressure level in dB re 20 µPa"
    for key, unit in (("drive_voltage_v", "V"), ("reference_distance_m", "m")):
        value = facts.get(key)
        if isinstance(value, float | int) and math.isfinite(value):
            words += f", {value:g} {unit}"
    return words
