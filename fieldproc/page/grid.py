"""Levels over the whole sphere in steps of 5 degrees, small enough to travel inside a page.

The grid is that of azimuth and elevation: every choice that the page offers is one of its directions, so that what
it shows is never interpolated. Levels are rounded to 0.01 dB. A band of 95 % about a level is the amplitude -+ a
share of it (``tables/bands.py``), so that one number says it all; it is rounded to 3 % of itself.
"""

from __future__ import annotations

import base64
import zlib
from dataclasses import dataclass, replace

import numpy as np

from fieldproc.conventions import (
    REFERENCE_DISTANCE_M,
    Booleans,
    Floats,
    Integers,
    directions_from_angles,
    level_db,
)
from fieldproc.derive import coverage_of, with_bands_towards
from fieldproc.records import Expansion, FarField, ReferenceAxis
from fieldproc.settings import ExtrapolationSettings
from fieldproc.tables import match_directions

STEP_DEG = 5
LEVEL_STEP_DB = 0.01
# Of a level that is not known.
NO_LEVEL = -32768
# Shares of the amplitude, by code 1 to 254: equal steps of their logarithm, 2.8 % to either side; 0 is a band of no
# width, NO_BAND one that is not known.
LEAST_SHARE, MOST_SHARE, WIDEST_CODE, NO_BAND = 1e-4, 1e2, 254, 255


def grid_angles_deg() -> tuple[Floats, Floats]:
    """Azimuth and elevation (node,): straight down, rings from -85 to 85 degrees with azimuths from -175 to 180, up.

    The script of the page counts nodes in this order.
    """
    elevation, azimuth = np.meshgrid(
        np.arange(STEP_DEG - 90.0, 90.0, STEP_DEG), np.arange(STEP_DEG - 180.0, 181.0, STEP_DEG), indexing="ij"
    )
    return np.r_[0.0, azimuth.ravel(), 0.0], np.r_[-90.0, elevation.ravel(), 90.0]


def grid_directions() -> Floats:
    """Unit vectors of the grid in output axes, (node, 3)."""
    return directions_from_angles(*grid_angles_deg())


@dataclass(frozen=True, slots=True)
class Sphere:
    """Far-field pressure at 1 m in all directions of the grid; ``unscanned`` (node,) rest on holes of the scan.

    Whatever the tables of a run state: it is what the page tells and ``fieldproc at`` answers.
    """

    far_field: FarField
    unscanned: Booleans | None = None

    @classmethod
    def of_expansion(cls, expansion: Expansion, axis: ReferenceAxis) -> Sphere:
        """What the outgoing waves radiate, with bands where the errors are known."""
        directions = grid_directions()
        coverage = coverage_of(expansion, axis, directions)
        far_field = with_bands_towards(expansion, axis, directions, ExtrapolationSettings())
        return cls(far_field, None if coverage is None else coverage.resting)

    @classmethod
    def of_far_field(cls, far_field: FarField) -> Sphere | None:
        """A far field from elsewhere, in output axes; ``None`` where it is none, or lacks directions of the grid."""
        index = match_directions(far_field.directions, grid_directions())
        if (index < 0).any() or np.isfinite(far_field.distance_m):
            return None
        picked = far_field.picked("direction", index)
        to_one_meter = far_field.reference_distance_m / REFERENCE_DISTANCE_M
        return cls(replace(picked, pressure_pa=picked.pressure_pa * to_one_meter, reference_distance_m=1.0))

    def of_channel(self, channel: int) -> FarField:
        """The far field of one channel."""
        own = self.far_field.picked("channel", np.array([channel]))
        return replace(own, channel_names=self.far_field.channel_names[channel : channel + 1])


def packed_levels(far_field: FarField, channel: int) -> str:
    """Levels of one channel on the grid as text: 16-bit steps, (frequency, node), see :func:`_packed`."""
    steps = np.round(level_db(far_field.pressure_pa[:, channel]) / LEVEL_STEP_DB)
    codes = np.where(np.isfinite(steps), np.clip(np.nan_to_num(steps), NO_LEVEL + 1, -NO_LEVEL - 1), NO_LEVEL)
    return _packed(codes.astype(np.int64), 2)


def packed_shares(far_field: FarField, channel: int) -> str | None:
    """Half the width of the bands re the amplitude, as codes of 8 bits; ``None`` where the errors are not known."""
    if far_field.bands is None:
        return None
    level = level_db(far_field.pressure_pa[:, channel])
    with np.errstate(invalid="ignore", divide="ignore"):
        share = 10.0 ** ((far_field.bands.level_high_db[:, channel] - level) / 20.0) - 1.0
        place = np.log(share / LEAST_SHARE) / np.log(MOST_SHARE / LEAST_SHARE)
        codes = np.clip(np.round(1.0 + (WIDEST_CODE - 1) * place), 0, WIDEST_CODE)
    return _packed(np.where(np.isfinite(share), codes, NO_BAND).astype(np.int64), 1)


def packed_flags(flags: Booleans) -> str:
    """Base64 of the nodes' bits, eight to a byte, the first in the lowest."""
    return base64.b64encode(np.packbits(flags, bitorder="little").tobytes()).decode()


def _packed(codes: Integers, size: int) -> str:
    """Base64 of deflated bytes: differences from node to node, low bytes of all first, then the high ones."""
    steps = np.diff(codes, axis=1, prepend=0) % 256**size
    planes = [(steps // 256**place % 256).astype(np.uint8).tobytes() for place in range(size)]
    return base64.b64encode(zlib.compress(b"".join(planes), 9)).decode()
