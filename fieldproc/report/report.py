"""The figures of one set of tables, as the bytes of their files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from io import BytesIO

from matplotlib.figure import Figure

from fieldproc.records import Table
from fieldproc.report import style
from fieldproc.report.curves import curve_family
from fieldproc.report.differences import difference_figure
from fieldproc.report.maps import Plane, level_map
from fieldproc.report.sweep import sweep_figure

_PLANES: tuple[Plane, Plane] = ("horizontal", "vertical")


def draw(tables: Mapping[str, Table], title: str, *, normalised: bool = True) -> dict[str, bytes]:
    """File name -> bytes: an SVG and a PNG of each figure that ``tables`` can carry.

    ``tables`` maps ``cta2034a``, ``horizontal``, ``vertical``, ``quality`` and ``trust`` to their tables; each may be
    missing. ``title`` may be any text. ``normalised`` as in ``level_map``. The same input gives the same
    bytes. Raises ``KeyError`` when a table lacks a column it should have.
    """
    return _files(_figures(tables, title, normalised))


def draw_sweep(tables: Mapping[str, Table], title: str) -> dict[str, bytes]:
    """The same of a tuned scan: tables ``orders``, ``judged`` and ``sweep``."""
    figure = sweep_figure(tables["orders"], tables["judged"], tables["sweep"], title=title)
    return _files([("tune", figure)])


def draw_differences(
    differences: Sequence[Table], names: Sequence[str], quality: Table | None, title: str
) -> dict[str, bytes]:
    """The same of compared results: tables ``difference_cta2034a``, and the names of the results."""
    return _files([("differences", difference_figure(differences, names, quality, title=title))])


def _files(figures: Iterable[tuple[str, Figure]]) -> dict[str, bytes]:
    files = {}
    for name, figure in figures:
        files[f"{name}.svg"] = _bytes(figure, "svg", {"Date": None, "Creator": "fieldproc"})
        files[f"{name}.png"] = _bytes(figure, "png", {"Software": None})
    return files


def _figures(tables: Mapping[str, Table], title: str, normalised: bool) -> Iterator[tuple[str, Figure]]:
    quality = tables.get("quality")
    if "cta2034a" in tables:
        yield "cta2034a", curve_family(tables["cta2034a"], quality, title=title)
    for plane in _PLANES:
        if plane in tables:
            trust = tables.get("trust")
            yield plane, level_map(tables[plane], plane, quality, trust, title=title, normalised=normalised)


def _bytes(figure: Figure, kind: str, metadata: Mapping[str, str | None]) -> bytes:
    buffer = BytesIO()
    with style.applied():
        figure.savefig(buffer, format=kind, dpi=style.PNG_DPI, metadata=dict(metadata))
    return buffer.getvalue()
