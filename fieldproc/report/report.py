"""The figures of one set of tables, as the bytes of their files."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from io import BytesIO

from matplotlib.figure import Figure

from fieldproc.records import FarField, Table
from fieldproc.report import style
from fieldproc.report.balloon import balloon_figure
from fieldproc.report.curves import curve_family
from fieldproc.report.differences import difference_figure
from fieldproc.report.directivity import directivity_figure
from fieldproc.report.findings_figure import findings_figure
from fieldproc.report.in_room import in_room_figure
from fieldproc.report.maps import PLANES, level_map
from fieldproc.report.polar import polar_figure
from fieldproc.report.quality_figure import quality_figure
from fieldproc.report.responses_figure import responses_figure
from fieldproc.report.scan_figure import scan_figure
from fieldproc.report.separation_figure import separation_figure
from fieldproc.report.sweep import sweep_figure
from fieldproc.report.time_figure import time_figure

_PATH = re.compile(rb'(?<= )d="[^"]*"')
_NUMBER = re.compile(rb"-?\d+\.\d+")
_CURVE = re.compile(rb"[CQ]")
_INDENT = re.compile(rb"\n +")


def draw(tables: Mapping[str, Table], title: str, *, balloon: FarField | None = None) -> dict[str, bytes]:
    """File name -> bytes: an SVG and a PNG of each figure that ``tables`` can carry.

    ``tables`` maps the names of tables to the tables of one channel; what is not there leaves its figures out, and so
    does a table that has nothing to show. ``balloon`` is the far field of that channel in a few hundred directions or
    more. ``title`` may be any text. The same input gives the same bytes. Raises ``KeyError`` when a table lacks a
    column it should have.
    """
    return _files(_figures(tables, title, balloon))


def draw_sweep(tables: Mapping[str, Table], title: str) -> dict[str, bytes]:
    """The same of a tuned scan: tables ``orders``, ``judged`` and ``sweep``."""
    figure = sweep_figure(tables["orders"], tables["judged"], tables["sweep"], title=title)
    return _files([("tune", figure)])


def draw_differences(
    differences: Sequence[Table], names: Sequence[str], quality: Table | None, title: str
) -> dict[str, bytes]:
    """The same of compared results: tables ``difference_cta2034a``, and the names of the results."""
    return _files([("differences", difference_figure(differences, names, quality, title=title))])


def _files(figures: Iterable[tuple[str, Figure | None]]) -> dict[str, bytes]:
    files = {}
    for name, figure in figures:
        if figure is not None:
            files[f"{name}.svg"] = _bytes(figure, "svg", {"Date": None, "Creator": "fieldproc"})
            files[f"{name}.png"] = _bytes(figure, "png", {"Software": None})
    return files


def _figures(
    tables: Mapping[str, Table], title: str, balloon: FarField | None
) -> Iterator[tuple[str, Figure | None]]:
    """Figures by name, in the order of a reader: what the loudspeaker does, then how sure that is."""
    quality = tables.get("quality")
    yield from _field_figures(tables, title)
    if balloon is not None:
        yield "balloon", balloon_figure(balloon, quality, title=title)
    if "points" in tables:
        yield "points", scan_figure(tables["points"], title=title)
    if "separation" in tables:
        yield "separation", separation_figure(tables["separation"], quality, title=title)
    if "responses" in tables:
        yield "responses", responses_figure(tables["responses"], title=title)
    if quality is not None:
        yield "quality", quality_figure(quality, title=title)


def _field_figures(tables: Mapping[str, Table], title: str) -> Iterator[tuple[str, Figure | None]]:
    """What the loudspeaker does."""
    curves, quality = tables.get("cta2034a"), tables.get("quality")
    if curves is not None:
        yield "cta2034a", curve_family(curves, quality, title=title)
        yield "in_room", in_room_figure(curves, quality, title=title)
        if "departures" in tables:
            after = tables.get("cta2034a_equalized")
            yield "findings", findings_figure(curves, tables["departures"], after, quality, title=title)
    if "directivity" in tables:
        yield "directivity", directivity_figure(tables["directivity"], curves, quality, title=title)
    planes = {plane: tables[plane] for plane in PLANES if plane in tables}
    for plane, table in planes.items():
        yield plane, level_map(table, plane, quality, title=title)
        yield f"{plane}_absolute", level_map(table, plane, quality, title=title, normalised=False)
    if planes:
        yield "polar", polar_figure(planes, quality, title=title)
    if "impulse" in tables or "time" in tables:
        yield "time", time_figure(tables.get("impulse"), tables.get("time"), quality, title=title)


def _bytes(figure: Figure, kind: str, metadata: Mapping[str, str | None]) -> bytes:
    buffer = BytesIO()
    with style.applied():
        figure.savefig(buffer, format=kind, dpi=style.PNG_DPI, metadata=dict(metadata))
    data = buffer.getvalue()
    return _INDENT.sub(b"\n", _PATH.sub(_shortened, data)) if kind == "svg" else data


def _shortened(path: re.Match[bytes]) -> bytes:
    """A path of an SVG in half the bytes: on one line, with places to a tenth of a point.

    They are off by less than half a dot of a printer with 600 to the inch. What follows a place is a line to the next
    one anyway, unless curves take turns with lines.
    """
    words = _NUMBER.sub(lambda number: b"%g" % round(float(number[0]), 1), b" ".join(path[0].split()))
    return words if _CURVE.search(words) else words.replace(b" L ", b" ")
