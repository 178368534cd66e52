"""The lengths of a scan: where its waves are centred, how far source, points and room reach from there."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.errors import NumericalError
from fieldproc.expand.cells import ASSUMED_SOURCE_SHARE, NEAR_AXIS, Cells
from fieldproc.expand.order import Reach
from fieldproc.expand.rings import recognise_rings
from fieldproc.records import Spectra
from fieldproc.settings import ExpansionSettings

# A microphone or a small capsule is never a mathematical point.
SMALLEST_SOURCE_M = 0.05
# A place off the origin is stated with an error; the sphere that holds it is drawn this much larger.
_SOURCE_MARGIN = 1.5
# Walls lie outside the scan, so the loudspeaker's nearest image is at least this many outer radii away.
_NEAREST_IMAGE_RADII = 2.0
# A wave set cannot be truncated where the two radii of its monopole meet.
_SMALLEST_RADIUS_RATIO = 1.05


def expansion_origin(spectra: Spectra, settings: ExpansionSettings) -> Floats:
    """The origin that the settings state, else the middle of the source as far as the session tells it."""
    if not isinstance(settings.origin_m, str):
        return np.array(settings.origin_m, dtype=np.float64)
    if spectra.cabinet is not None:
        return _on_ring_axis(spectra.positions_m, spectra.cabinet.center_m)
    if spectra.known_source is not None:
        return np.asarray(spectra.known_source.position_m)
    return np.asarray(spectra.axis.origin_m)


def _on_ring_axis(positions_m: Floats, center_m: Floats) -> Floats:
    """The centre of a cabinet, moved to the axis of a scan's rings where that is near: rings are worth it."""
    on_axis_m = center_m * np.array([0.0, 0.0, 1.0])
    aside_m = float(np.linalg.norm(center_m - on_axis_m))
    # where it is on the axis already, there is nothing to recognise rings for
    near = 0.0 < aside_m <= NEAR_AXIS * np.linalg.norm(positions_m - center_m, axis=1).min()
    return on_axis_m if near and recognise_rings(positions_m, 1) is not None else np.asarray(center_m)


def source_reach(spectra: Spectra, settings: ExpansionSettings, origin_m: Floats) -> Reach:
    """Lengths the order rule needs; a point inside the source's sphere counts as just outside it."""
    radius_m = np.linalg.norm(spectra.positions_m - origin_m, axis=1)
    inner_m, outer_m = float(radius_m.min()), float(radius_m.max())
    if inner_m == 0:
        raise NumericalError(
            "expand", "distance of a point from the expansion origin", "0 m", "above 0", "move expansion.origin_m"
        )
    source_m = settings.source_radius_m
    if source_m == "auto":
        source_m = _stated_source_radius(spectra, origin_m) or ASSUMED_SOURCE_SHARE * inner_m
    room_m = _NEAREST_IMAGE_RADII * outer_m if settings.room_distance_m == "auto" else settings.room_distance_m
    return Reach(
        source_m,
        max(inner_m, _SMALLEST_RADIUS_RATIO * source_m),
        outer_m,
        max(room_m, _SMALLEST_RADIUS_RATIO * outer_m),
    )


def cells_reach(cells: Cells, whole: Reach) -> Reach:
    """The same for the cells of a divided source, ``whole`` being the reach about the one origin."""
    nearest_m = max(cells.nearest_m, _SMALLEST_RADIUS_RATIO * cells.radius_m)
    return Reach(cells.radius_m, nearest_m, whole.outer_radius_m, whole.room_distance_m, len(cells.centers_m))


def _stated_source_radius(spectra: Spectra, origin_m: Floats) -> float | None:
    """Radius about the origin that holds the cabinet or the known source."""
    if spectra.cabinet is not None:
        corner = np.abs(spectra.cabinet.center_m - origin_m) + spectra.cabinet.size_m / 2
        return float(np.linalg.norm(corner))
    if spectra.known_source is not None:
        offset_m = float(np.linalg.norm(spectra.known_source.position_m - origin_m))
        return max(SMALLEST_SOURCE_M, _SOURCE_MARGIN * offset_m)
    return None
