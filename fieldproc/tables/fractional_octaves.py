"""Levels of the standard curves in the bands of IEC 61260-1:2014, base ten.

Mid-frequencies and edges are powers of G = 10^0.3 (equations 1 to 5 of the standard, as open libraries transcribe
them): with an odd number of bands to the octave one is centred on 1 kHz, with an even number none is. Nominal
frequencies are those of ISO 266.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.records import Facts, FarField, Table
from fieldproc.settings import TableSettings
from fieldproc.tables.averages import SHARES, averaged_curves, overlaps, share_edges

OCTAVE_RATIO = 10.0**0.3
_REFERENCE_HZ = 1000.0
# Nominal third-octave frequencies of a decade (ISO 266); octaves are every third of them.
_NOMINAL_DECADE = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
# Frequencies may lie this much farther apart than a band is wide: 24 to the factor of 2 make bands of 24 to the G.
_STEP_SLACK = 1.01


@dataclass(frozen=True, slots=True)
class OctaveBands:
    """Exact mid-frequency and edges of neighbouring bands; ``nominal_hz`` is nan where none is defined."""

    center_hz: Floats
    lower_hz: Floats
    upper_hz: Floats
    nominal_hz: Floats

    def columns(self) -> dict[str, Floats]:
        """As tables name them."""
        return {
            "frequency_hz": self.center_hz,
            "nominal_frequency_hz": self.nominal_hz,
            "lower_edge_hz": self.lower_hz,
            "upper_edge_hz": self.upper_hz,
        }


def octave_bands(far_field: FarField, settings: TableSettings, facts: Facts, channel: int = 0) -> tuple[Table, ...]:
    """Table ``bands_N`` of one channel, N bands to the octave; none if the settings want none.

    Arguments as for ``tabulate``. Rows are the bands that the data reach into; ``frequency_hz`` is the exact
    mid-frequency. A band that the data do not fill is nan. Curves are mean squares over log frequency in each band,
    directivity indices their ratios.
    """
    per_octave = settings.bands_per_octave
    if per_octave == "none":
        return ()
    edges = share_edges(np.log2(far_field.frequency_hz))
    bands = bands_between(per_octave, 2.0 ** edges[0], 2.0 ** edges[-1])
    told: Facts = {
        "content": f"curves of ANSI/CTA-2034-A in bands of IEC 61260-1:2014, {per_octave} to the octave",
        "bands_per_octave": per_octave,
        "octave_ratio": "10^0.3 (base ten); middle frequencies and edges are exact, nominal ones those of ISO 266",
        "band_levels": (
            f"mean, not sum, of squared pressure over log frequency (pink weighting) within the edges; {SHARES}"
        ),
        "band_gaps": "nan where the data do not reach over the band, or lie farther apart than it is wide",
    }
    table = averaged_curves(
        far_field,
        settings,
        facts,
        channel,
        name=f"bands_{per_octave}",
        weights=band_weights(edges, bands),
        places=bands.columns(),
        told=told,
    )
    return (table,)


def bands_between(per_octave: int, lowest_hz: float, highest_hz: float) -> OctaveBands:
    """All bands that hold any of the frequencies between the two; none where those are equal."""
    reach = per_octave * np.log([lowest_hz / _REFERENCE_HZ, highest_hz / _REFERENCE_HZ]) / np.log(OCTAVE_RATIO)
    index = np.arange(np.floor(reach[0]) - 1, np.ceil(reach[1]) + 2)
    # an even number to the octave has an edge, not a centre, at 1 kHz
    step = index if per_octave % 2 else index + 0.5
    center_hz = _REFERENCE_HZ * OCTAVE_RATIO ** (step / per_octave)
    half = OCTAVE_RATIO ** (0.5 / per_octave)
    held = (center_hz * half > lowest_hz) & (center_hz / half < highest_hz) & (highest_hz > lowest_hz)
    center_hz, index = center_hz[held], index[held].astype(np.int64)
    nominal_hz = np.full(center_hz.size, np.nan)
    if per_octave in (1, 3):
        # in thirds of an octave from 1 Hz
        decade, place = np.divmod(index * (3 // per_octave) + 30, 10)
        nominal_hz = np.array(_NOMINAL_DECADE)[place] * 10.0**decade
    return OctaveBands(center_hz, center_hz / half, center_hz * half, nominal_hz)


def band_weights(edges: Floats, bands: OctaveBands) -> Floats:
    """Weights (band, line) of lines whose shares lie between ``edges`` (octaves); zero for a band not filled."""
    lower, upper = np.log2(bands.lower_hz), np.log2(bands.upper_hz)
    held = overlaps(edges, lower, upper)
    width = upper - lower
    # rounding of logarithms, 1e-15 of them, must not empty a band that ends where the data end
    filled = held.sum(axis=1) > width * (1.0 - 1e-9)
    step = np.where(held > 0.0, np.diff(edges), 0.0).max(axis=1, initial=0.0)
    weights: Floats = held / width[:, None]
    weights[~filled | (step > _STEP_SLACK * width)] = 0.0
    return weights
