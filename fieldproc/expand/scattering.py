"""What the cabinet scatters of the room's sound: in the outgoing set, and not the loudspeaker's own.

The outgoing coefficients a of a separation hold the loudspeaker's own sound and T b, b being the regular ones and T
the scattering of a rigid cabinet. Once b is known, so is T b. The cabinet is taken as rigid all over: what cones,
ports and panels do when the room's sound moves them stays in a - T b.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, Literal

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, amplitude_db, wavenumber
from fieldproc.records import Axes, Cabinet, Expansion, check_axes
from fieldproc.side_by_side import side_by_side
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.scatterer import RigidBody, RigidBox, RigidSphere, scattered_about_origin

BodyShape = Literal["sphere", "box"]

# A box at the limit of its panels: kernels of the finer mesh, and one class of them being solved.
_BYTES_EACH = 250_000_000


@dataclass(frozen=True, slots=True)
class CabinetScattering:
    """T b of every frequency about its origin, as large as the outgoing set.

    ``outgoing`` is zero where no regular set was fitted, and nan, as the rest, above ``top_frequency_hz``, where the
    body is not to be believed. ``to_direct_db`` compares rms far fields of T b and a - T b (-inf without a regular
    set). ``error_db`` is what the calculation of T b may be wrong by, re T b; how rigid and how square the cabinet
    is, it does not know. ``deviations`` are T times those of b, by row, (channel, vector, coefficient).
    """

    AXES: ClassVar[Axes] = {
        "outgoing": ("frequency", "channel", "outgoing_coefficient"),
        "to_direct_db": ("frequency", "channel"),
        "error_db": ("frequency", "channel"),
    }
    outgoing: Complexes
    to_direct_db: Floats
    error_db: Floats
    top_frequency_hz: float
    deviations: dict[int, Complexes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check_axes(self, self.AXES)


def body_scattering(
    expansion: Expansion,
    center_m: Floats,
    body: RigidBody,
    only: Integers | None = None,
    *,
    deviations: bool = False,
) -> CabinetScattering:
    """T b of a rigid body about a place in scan axes; of ``only`` some rows, the others as if they had no room.

    With ``deviations``, T times those of b, too.
    """
    k = wavenumber(expansion.frequency_hz, expansion.sound_speed_m_per_s)
    outgoing = np.zeros_like(expansion.outgoing)
    error = np.zeros(outgoing.shape[:2])
    separated, believed = expansion.regular_order >= 0, k <= body.top_wavenumber
    if only is not None:
        separated = separated & np.isin(np.arange(len(k)), only)
    outgoing[separated & ~believed] = np.nan
    error[separated & ~believed] = np.nan
    rows = np.flatnonzero(separated & believed)

    told = expansion.deviations.regular if deviations and expansion.deviations is not None else None
    channels, spread = outgoing.shape[1], {}

    def scatter(at: int) -> tuple[Complexes, Floats]:
        row = int(rows[at])
        waves = expansion.regular[row, :, : coefficient_count(int(expansion.regular_order[row]))]
        if told is not None:
            waves = np.concatenate([waves, told[row].reshape(-1, waves.shape[1])])
        away_m = center_m - expansion.origin_m[row]
        return scattered_about_origin(body, away_m, float(k[row]), waves, int(expansion.outgoing_order[row]))

    for row, (scattered, wrong) in zip(rows, side_by_side(scatter, len(rows), _BYTES_EACH), strict=True):
        outgoing[row, :, : scattered.shape[1]] = scattered[:channels]
        error[row] = wrong[:channels]
        if told is not None:
            spread[int(row)] = scattered[channels:].reshape(channels, -1, scattered.shape[1])
    size, direct = (np.linalg.norm(part, axis=2) for part in (outgoing, expansion.outgoing - outgoing))
    return CabinetScattering(
        outgoing=outgoing,
        to_direct_db=amplitude_db(size / np.where(direct > 0.0, direct, np.nan)),
        error_db=amplitude_db(error),
        top_frequency_hz=body.top_wavenumber * expansion.sound_speed_m_per_s / (2.0 * np.pi),
        deviations=spread,
    )


def rigid_body(cabinet: Cabinet, shape: BodyShape) -> RigidBody:
    """The body, about its own centre, that stands for the cabinet."""
    if shape == "sphere":
        return RigidSphere.of_volume(cabinet.size_m)
    depth_m, width_m, height_m = (float(edge) for edge in cabinet.size_m)
    return RigidBox((depth_m, width_m, height_m))
