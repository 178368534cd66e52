"""Which records take part; the others are left out by the session, not finite, silent, clipped, or driven amiss."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.condition.reference import Alignment, align
from fieldproc.conventions import Booleans, Integers
from fieldproc.errors import NumericalError
from fieldproc.records import DroppedPoint, ImpulseResponses, Lost, Session, TransferFunctions
from fieldproc.settings import SpectraSettings

# The smallest expansion (degree 0 and 1 of one set) already needs this many.
FEWEST_POINTS = 4
# Samples at the largest value of a clipped response, and the step before them, re that value.
_FEWEST_TOPS, _CLIP_STEP = 2, 0.02


def good_points(
    session: Session, settings: SpectraSettings
) -> tuple[Integers, tuple[DroppedPoint, ...], Alignment | None]:
    """Indices of points that take part, the others with the reason, and how the drive signals of all points lie."""
    response = session.response
    if isinstance(response, ImpulseResponses):
        per_point: NDArray[Any] = np.moveaxis(response.values, 1, 0)
    else:
        per_point = np.moveaxis(response.values[measured(response)], 2, 0)
    finite = np.array([bool(np.isfinite(point).all()) for point in per_point])
    silent = np.array([not np.any(point, axis=None) for point in per_point])
    clipped = session.valid & finite & ~silent & _clipped(response)
    reasons = {
        "left out by the session": ~session.valid,
        "response is not finite": session.valid & ~finite,
        "response is silent": session.valid & finite & silent,
        "response is clipped": clipped,
    }
    dropped = [DroppedPoint(int(i), reason) for reason, mask in reasons.items() for i in np.flatnonzero(mask)]
    kept, alignment = np.flatnonzero(session.valid & finite & ~silent & ~clipped), None
    reference, rate_hz = session.drive.reference, session.drive.reference_sampling_rate_hz
    if reference is not None and settings.reference == "auto" and len(kept):
        assert rate_hz is not None
        alignment = align(reference, rate_hz, kept)
        dropped += [DroppedPoint(point, reason) for point, reason in alignment.reasons.items()]
        kept = kept[~np.isin(kept, list(alignment.reasons))]
    if len(kept) < FEWEST_POINTS:
        raise NumericalError(
            "condition",
            "number of points with a usable response",
            f"{len(kept)} of {len(per_point)}",
            f"at least {FEWEST_POINTS}",
            "check the recordings and /valid",
        )
    return kept, tuple(sorted(dropped, key=lambda point: point.index)), alignment


def _clipped(response: ImpulseResponses | TransferFunctions) -> Booleans:
    """Points of which a response steps onto its largest value and stays there, or comes back to it, (point,)."""
    found = np.zeros(response.values.shape[1 if isinstance(response, ImpulseResponses) else 2], dtype=np.bool_)
    if not isinstance(response, ImpulseResponses):
        return found
    for one in response.values:
        for at, samples in enumerate(one):
            size = np.abs(samples)
            tops = np.flatnonzero(size == size.max())
            if len(tops) < _FEWEST_TOPS or tops[0] == 0:
                continue
            # a smooth peak can have equal samples too, but no step beside them
            found[at] |= bool(size[tops[0] - 1] < (1.0 - _CLIP_STEP) * size[tops[0]])
    return found


def lost_places(session: Session, kept: Integers, dropped: tuple[DroppedPoint, ...]) -> Lost | None:
    """Places that no kept record stands for; each once."""
    seen = {tuple(position) for position in session.positions_m[kept].tolist()}
    places: dict[tuple[float, ...], int] = {}
    for point in dropped:
        place = tuple(session.positions_m[point.index].tolist())
        if place not in seen:
            places.setdefault(place, point.index)
    if not places:
        return None
    index = np.array(list(places.values()))
    return Lost(session.positions_m[index], session.surface[index], index)


def measured(response: TransferFunctions) -> Booleans:
    """Frequencies with a number at any point: one that is nan throughout is a gap, not a bad point."""
    return np.asarray(np.isfinite(response.values).any(axis=(1, 2)))
