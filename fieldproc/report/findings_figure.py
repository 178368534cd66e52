"""Listening window and in-room estimate with their trends, where they depart from them, and behind the equaliser.

Panels have an aspect ratio of IEC 60263: one decade is as long as 25 dB.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from fieldproc.records import Table
from fieldproc.report import curves, panels, style

COLUMNS = ("listening_window_db", "in_room_estimate_db")
# Departures that are drawn, the largest first, as they are numbered.
MOST_DRAWN = 8
_SPANS_DB = (35.0, 60.0)
_GAP_INCHES, _RIGHT_INCHES = 0.35, 2.0
_TREND = style.Pen("trends", style.INK, (7.0, 1.8))
# Height and distance of the bars that departures are, dB.
_BAR_DB, _ROW_DB = 1.4, 2.2
# Cause that an equaliser mends: see the legend of the table.
_EVERYWHERE = 0
_MENDED, _OTHER = style.INK, "white"


@style.applied()
def findings_figure(
    table: Table, departures: Table, equalized: Table | None = None, quality: Table | None = None, *, title: str
) -> Figure:
    """Draw a ``cta2034a`` table with its ``departures``, and beneath it ``cta2034a_equalized``, if there is one.

    Trends are in the facts of ``departures``. ``quality`` as in ``curve_family``. Raises ``KeyError`` for a missing
    column.
    """
    bands = panels.verdict_bands(quality)
    shown = [panels.near_axis(one) for one in (table, equalized) if one is not None]
    levels_db = np.concatenate([curves.columns_of(one, COLUMNS) for one in shown])
    usable = np.concatenate([curves.usable_rows(one, bands) for one in shown])
    limits_db = curves.decibel_range(levels_db, usable, _SPANS_DB)
    inches = (limits_db[1] - limits_db[0]) * curves.INCHES_PER_DB
    height = panels.BOTTOM_INCHES + panels.TOP_INCHES + len(shown) * inches + (len(shown) - 1) * _GAP_INCHES
    figure = panels.new_figure(height, _RIGHT_INCHES)
    for index, one in enumerate(shown):
        bottom = panels.BOTTOM_INCHES + (len(shown) - 1 - index) * (inches + _GAP_INCHES)
        axes = panels.add_panel(figure, bottom, inches)
        curves.fill_panel(axes, one, COLUMNS, limits_db, bands)
        _draw_trends(axes, departures)
        axes.set_ylabel(curves.two_lines(panels.level_words(one.facts)))
        if index == 0:
            _draw_departures(axes, departures, limits_db[0])
        else:
            axes.text(0.008, 0.97, "behind the equaliser", transform=axes.transAxes, va="top", color=style.FAINT)
    axes.set_xlabel("frequency in Hz")
    panels.write_heading(figure, title, f"trends and departures: {_told(departures)}; {curves.ASPECT_WORDS}")
    panels.write_key(figure, [*curves.key_of(shown[0], COLUMNS, bands), *_key()])
    return figure


def _draw_trends(axes: Axes, departures: Table) -> None:
    for column in COLUMNS:
        stem = f"trend_{column.removesuffix('_db')}"
        facts = departures.facts
        ends_hz = np.array([float(facts[f"{stem}_{end}_hz"]) for end in ("lowest", "highest")])
        level_db = float(facts[f"{stem}_level_1khz_db"]) + float(facts[f"{stem}_slope_db_per_octave"]) * np.log2(
            ends_hz / 1000.0
        )
        axes.plot(ends_hz, level_db, color=_TREND.color, linestyle=_TREND.linestyle, linewidth=0.8, zorder=2.3)


def _draw_departures(axes: Axes, departures: Table, bottom_db: float) -> None:
    """A bar along the frequencies of each, in as few rows as they need, with its number and size above."""
    rows: list[list[tuple[float, float]]] = []
    for number in range(min(len(departures.values), MOST_DRAWN)):
        low, high, size, cause = (
            float(departures.column(name)[number]) for name in ("lowest_hz", "highest_hz", "size_db", "cause_code")
        )
        # its words take about an octave
        taken = low, max(high, low * 2.2)
        row = next((at for at, own in enumerate(rows) if _fits(taken, own)), len(rows))
        if row == len(rows):
            rows.append([])
        rows[row].append(taken)
        at_db = bottom_db + 0.8 + 2.0 * row * _ROW_DB
        face = _MENDED if cause == _EVERYWHERE else _OTHER
        bar = Rectangle(
            (low, at_db), high - low, _BAR_DB, facecolor=face, edgecolor=style.INK, linewidth=0.8, zorder=3.0
        )
        axes.add_patch(bar)
        axes.text(
            low,
            at_db + _BAR_DB + 0.3,
            f"{number + 1}: {_size(size)} dB",
            fontsize=style.SMALL_SIZE_PT,
            va="bottom",
            ha="left" if low < 8000.0 else "right",
            zorder=3.1,
        )


def _size(size_db: float) -> str:
    return f"{size_db:+.1f}".replace("-", "\u2212")


def _fits(taken: tuple[float, float], row: list[tuple[float, float]]) -> bool:
    return all(taken[1] < low or taken[0] > high for low, high in row)


def _told(departures: Table) -> str:
    count = len(departures.values)
    if not count:
        return "none stands out of errors and tolerance"
    mended = int(np.sum(departures.column("cause_code") == _EVERYWHERE))
    return f"{count} departure{'s' * (count > 1)}, {mended} of them in every direction"


def _key() -> list[Line2D]:
    marks = (("in every direction", _MENDED), ("not in every direction", _OTHER))
    bars = [
        Line2D([], [], linestyle="none", marker="s", markersize=7, label=words, mfc=face, mec=style.INK)
        for words, face in marks
    ]
    trend = Line2D([], [], color=_TREND.color, linestyle=_TREND.linestyle, linewidth=0.8, label=_TREND.words)
    return [trend, *bars]
