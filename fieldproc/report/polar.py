"""Polar diagrams of both planes at one frequency per octave, level re the axis.

Range: 30 dB from centre to rim, as IEC 60263 has it for relative levels.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from matplotlib.figure import Figure
from matplotlib.projections.polar import PolarAxes

from fieldproc.conventions import Floats, Integers
from fieldproc.records import Table, Verdict
from fieldproc.report import lines, panels, style
from fieldproc.report.maps import Plane, polar_levels

RANGE_DB = 30.0
OCTAVES_HZ = (250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0)

# As far as a frequency of the data may be from the one asked for.
_NEAR_OCTAVES = 1.0 / 6.0
_STEP_DB, _RING_DB = 5.0, 10.0
# A level that exceeds the rim by no more than this may stay there.
_SLACK_DB = 1.0
_LOOKS = dict(zip(OCTAVES_HZ, style.OCTAVE_LOOKS, strict=True))
# Of four curves, none has the dashes of another.
_CURVES_EACH = 4
_DIAMETER_INCHES, _PITCH_INCHES, _ROW_INCHES = 2.7, 3.75, 3.5
_ANGLES_DEG = tuple(range(0, 360, 30))
# Where 0 degrees lies and how a plane is looked at: from above the front is up, from its right the front is right.
_VIEWS: dict[Plane, tuple[Literal["N", "E"], str, tuple[str, str]]] = {
    "horizontal": ("N", "horizontal plane, seen from above", ("left", "right")),
    "vertical": ("E", "vertical plane, seen from its right side", ("up", "down")),
}


@dataclass(frozen=True, slots=True)
class _Polar:
    """A plane's levels re the axis and their verdicts, each (frequency, angle), at angles from -180 to 180."""

    angle_deg: Floats
    relative_db: Floats
    verdict: Integers


@style.applied()
def polar_figure(
    tables: Mapping[Plane, Table],
    quality: Table | None = None,
    *,
    title: str,
    frequencies_hz: Sequence[float] = OCTAVES_HZ,
) -> Figure | None:
    """Draw polar tables, one at least, by their planes, at the frequencies nearest to ``frequencies_hz``.

    Frequencies that the tables lack, that have no level on the axis, or that ``quality`` says must not be used, are
    left out and the last named; ``None`` if none remains. A curve thins out where its ``verdict_code`` asks for
    caution, and stops where its level must not be used. Raises ``KeyError`` for a missing column.
    """
    near = {plane: panels.near_axis(table) for plane, table in tables.items()}
    rows_hz = next(iter(near.values())).column("frequency_hz")
    wanted = _rows(rows_hz, frequencies_hz)
    usable = panels.verdict_at(rows_hz, panels.verdict_bands(quality)) < Verdict.DO_NOT_USE
    known = np.any([np.isfinite(table.column("level_+000_db")) for table in near.values()], axis=0)
    shown = {at_hz: row for at_hz, row in wanted.items() if usable[row] and known[row]}
    if not shown:
        return None
    pens = _pens(rows_hz, shown)
    polars = {plane: _polar_of(table, list(shown.values())) for plane, table in near.items()}
    groups = _groups(len(shown))
    right = _PITCH_INCHES * len(polars) + 1.0 - panels.PANEL_WIDTH_INCHES
    figure = panels.new_figure(panels.BOTTOM_INCHES + len(groups) * _ROW_INCHES + panels.TOP_INCHES - 0.5, right)
    top_db = _top_db(polars.values())
    for down, group in enumerate(reversed(groups)):
        for across, (plane, polar) in enumerate(polars.items()):
            axes = _add_polar(figure, (across, down), plane, top_db, heading=down == len(groups) - 1)
            for at in group:
                _draw(axes, polar, at, pens[at], top_db)
        lines.legend(axes, [pens[at] for at in group], bbox_to_anchor=(1.12, 1.0))
    left_out = ", ".join(words_of(rows_hz[row]) for row in wanted.values() if not usable[row])
    words = "level in dB re the axis at one frequency per octave"
    panels.write_heading(figure, title, f"{words}; not to be used: {left_out}" if left_out else words)
    trusted = "not judged" if quality is None else "thin: caution; gap: not to be used"
    panels.write_remark(figure, f"{trusted}; {RANGE_DB:g} dB from centre to rim, IEC 60263")
    return figure


def _rows(rows_hz: Floats, wanted_hz: Sequence[float]) -> dict[float, int]:
    """Rows near the frequencies wanted, by these."""
    if not len(rows_hz):
        return {}
    nearest = {at_hz: int(np.argmin(np.abs(np.log2(rows_hz / at_hz)))) for at_hz in wanted_hz}
    return {at_hz: row for at_hz, row in nearest.items() if abs(math.log2(rows_hz[row] / at_hz)) <= _NEAR_OCTAVES}


def _pens(rows_hz: Floats, shown: dict[float, int]) -> list[style.Pen]:
    """A pen per curve; an octave has the same one in every figure, other frequencies take them in turn."""
    looks = [_LOOKS.get(at_hz, style.OCTAVE_LOOKS[number % len(_LOOKS)]) for number, at_hz in enumerate(shown)]
    return [style.Pen(words_of(rows_hz[row]), *look) for row, look in zip(shown.values(), looks, strict=True)]


def words_of(frequency_hz: float) -> str:
    """A frequency to three digits."""
    kilo = frequency_hz >= 999.5
    return f"{frequency_hz / (1000.0 if kilo else 1.0):.3g} {'kHz' if kilo else 'Hz'}"


def _groups(count: int) -> list[range]:
    """Curves of each row of diagrams, as even as can be."""
    rows = math.ceil(count / _CURVES_EACH)
    edges = [round(row * count / rows) for row in range(rows + 1)]
    return [range(start, stop) for start, stop in itertools.pairwise(edges)]


def _polar_of(table: Table, rows: list[int]) -> _Polar:
    angle_deg, level_db, verdict = polar_levels(table)
    axis_db = table.column("level_+000_db")[rows, np.newaxis]
    with np.errstate(invalid="ignore"):
        return _Polar(angle_deg, level_db[rows] - axis_db, verdict[rows])


def _top_db(polars: Collection[_Polar]) -> float:
    """Level of the rim, which holds what is loudest off the axis."""
    finite = [
        polar.relative_db[np.isfinite(polar.relative_db) & (polar.verdict < Verdict.DO_NOT_USE)] for polar in polars
    ]
    highest = max((float(levels.max()) for levels in finite if levels.size), default=0.0)
    return max(_STEP_DB * math.ceil((highest - _SLACK_DB) / _STEP_DB), 0.0)


def _add_polar(figure: Figure, place: tuple[int, int], plane: Plane, top_db: float, *, heading: bool) -> PolarAxes:
    """An empty diagram, counted from the lower left."""
    width, height = figure.get_size_inches()
    left = 0.55 + place[0] * _PITCH_INCHES
    bottom = panels.BOTTOM_INCHES - 0.2 + place[1] * _ROW_INCHES
    box = (left / width, bottom / height, _DIAMETER_INCHES / width, _DIAMETER_INCHES / height)
    axes = figure.add_axes(box, projection="polar")
    assert isinstance(axes, PolarAxes)
    zero, words, (positive, negative) = _VIEWS[plane]
    axes.set_theta_zero_location(zero)
    # from -150 to 180 degrees
    labels = {angle: f"{style.signed(180 - (180 - angle) % 360)}°" for angle in _ANGLES_DEG}
    labels[90], labels[270] = f"{positive}\n{labels[90]}", f"{negative}\n{labels[270]}"
    axes.set_thetagrids(_ANGLES_DEG, list(labels.values()))
    axes.tick_params(axis="x", pad=5.0)
    axes.set_ylim(top_db - RANGE_DB, top_db)
    rings_db = np.arange(top_db - RANGE_DB + _STEP_DB, top_db + 1.0, _STEP_DB)
    named = [style.signed(ring) if ring % _RING_DB == 0.0 else "" for ring in rings_db]
    axes.set_yticks(rings_db, named)
    axes.set_rlabel_position(165.0)
    axes.tick_params(axis="y", labelsize=style.SMALL_SIZE_PT, labelcolor=style.FAINT)
    if heading:
        axes.set_title(words, fontsize=style.SIZE_PT, pad=10.0)
    return axes


def _draw(axes: PolarAxes, polar: _Polar, at: int, pen: style.Pen, top_db: float) -> None:
    """One curve, linear in angle and level from direction to direction; nothing where a level must not be used."""
    known = np.isfinite(polar.relative_db[at]) & (polar.verdict[at] < Verdict.DO_NOT_USE)
    verdict = np.where(known, polar.verdict[at], int(Verdict.DO_NOT_USE))
    between = np.maximum(verdict[:-1], verdict[1:])
    # silence lies in the centre
    level_db = np.maximum(polar.relative_db[at], top_db - RANGE_DB)
    for start, stop in panels.runs(between):
        if between[start] < Verdict.DO_NOT_USE:
            angle_deg = np.arange(polar.angle_deg[start], polar.angle_deg[stop] + 0.5)
            axes.plot(
                np.radians(angle_deg),
                np.interp(angle_deg, polar.angle_deg[start : stop + 1], level_db[start : stop + 1]),
                color=pen.color,
                linestyle=pen.linestyle,
                linewidth=style.LINE_WIDTHS_PT[Verdict(between[start])],
                clip_on=False,
            )
