"""What tests of figures look at: words, keys, and the bytes of an SVG."""

from __future__ import annotations

from io import BytesIO

from matplotlib.figure import Figure

from fieldproc.report import style


def all_words(figure: Figure) -> str:
    """Everything that is written in a figure, drawn once so that ticks are there."""
    with style.applied():
        figure.canvas.draw()
    texts = [*figure.texts, *(text for axes in figure.axes for text in axes.texts)]
    labels = [label for axes in figure.axes for label in (axes.xaxis.label, axes.yaxis.label)]
    keys = [
        text
        for legend in (*figure.legends, *(axes.legend_ for axes in figure.axes if axes.legend_))
        for text in legend.get_texts()
    ]
    return "\n".join(text.get_text() for text in (*texts, *labels, *keys))


def svg_bytes(figure: Figure) -> bytes:
    buffer = BytesIO()
    with style.applied():
        figure.savefig(buffer, format="svg", dpi=60, metadata={"Date": None})
    return buffer.getvalue()
