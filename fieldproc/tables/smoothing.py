"""The standard curves smoothed over a fraction of an octave, in a table beside the unsmoothed one."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.records import Facts, FarField, Table
from fieldproc.settings import TableSettings
from fieldproc.tables.averages import SHARES, averaged_curves, overlaps, share_edges

NAME = "cta2034a_smoothed"


def smoothed(far_field: FarField, settings: TableSettings, facts: Facts, channel: int = 0) -> tuple[Table, ...]:
    """Table ``cta2034a_smoothed`` of one channel, with the columns of ``cta2034a``; none if the settings want none.

    Arguments as for ``tabulate``. Curves are mean squares, directivity indices their ratios.
    """
    per_octave = settings.smoothing_per_octave
    if per_octave == "none":
        return ()
    told: Facts = {
        "content": f"curves of ANSI/CTA-2034-A, smoothed over 1/{per_octave} octave; cta2034a.csv is not smoothed",
        "smoothing_per_octave": per_octave,
        "smoothing": (
            f"mean of squared pressure over log frequency, from f 2^(-1/{2 * per_octave}) to "
            f"f 2^(1/{2 * per_octave}), all weighted alike; {SHARES}"
        ),
        "smoothing_ends": "where the data end, the window is narrowed on both sides alike",
    }
    table = averaged_curves(
        far_field,
        settings,
        facts,
        channel,
        name=NAME,
        weights=smoothing_weights(far_field.frequency_hz, per_octave),
        places={"frequency_hz": far_field.frequency_hz},
        told=told,
    )
    return (table,)


def smoothing_weights(frequency_hz: Floats, per_octave: int) -> Floats:
    """Weights (frequency, frequency) of the mean over 1/``per_octave`` octave about each frequency; rows of sum 1."""
    if frequency_hz.size == 1:
        return np.ones((1, 1))
    octave = np.log2(frequency_hz)
    edges = share_edges(octave)
    half = np.minimum(0.5 / per_octave, np.minimum(octave - edges[0], edges[-1] - octave))
    weights: Floats = overlaps(edges, octave - half, octave + half) / (2.0 * half[:, None])
    return weights
