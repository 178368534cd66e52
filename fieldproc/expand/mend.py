"""What the scan itself tells of its own errors, put right before the waves are fitted.

Points that contradict the others, gain, offset and delay of one surface against another, slow drifts: each is judged
by what waves cannot explain at a few frequencies (``panel.py``), and put right where it stands out from the noise.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from fieldproc.conventions import Booleans, Integers
from fieldproc.expand.alignment import geometry_doubts
from fieldproc.expand.calibration import calibrate
from fieldproc.expand.causes import remaining_causes
from fieldproc.expand.drift import drift
from fieldproc.expand.geometry import expansion_origin
from fieldproc.expand.judging import judging_panel
from fieldproc.expand.panel import no_number
from fieldproc.expand.rings import recognise_rings
from fieldproc.expand.screening import BadPoint, Screening, screen
from fieldproc.records import Correction, DroppedPoint, Spectra
from fieldproc.settings import MendingSettings, Settings

# More places than this are not predicted for the sake of their rings: each costs a fit of its own.
MOST_PREDICTED = 64
_MOST_NAMED = 8


def mend(spectra: Spectra, settings: Settings) -> Spectra:
    """The spectra as they would be without bad points, errors of the surfaces and drifts, and what was found.

    Points left out keep their rows (``left_out``) where that keeps rings complete, lost places come back as such rows
    for the same reason; else only good points remain.
    """
    ringed = _with_lost_places(spectra, settings)
    doubts = geometry_doubts(ringed, settings)
    # whatever else would be found is that fault in another guise
    mending = MendingSettings(bad_points=False, surfaces=False, drift=False) if doubts else settings.mending
    screening = screen(ringed, settings) if mending.bad_points else Screening()
    bad = np.union1d(screening.points, no_number(ringed))
    notices = list(screening.notices)
    mended, drifted = ringed, False
    put_right: dict[str, float] = {}
    corrections: list[Correction] = []
    if mending.surfaces:
        calibration = calibrate(mended, settings, bad)
        mended, notices = calibration.spectra, notices + list(calibration.notices)
        applied = [error for error in calibration.errors if error.applied]
        put_right = {error.name: error.value for error in applied}
        corrections = [
            Correction(f"{error.kind.name} of surface {error.surface}", error.value, error.kind.unit)
            for error in applied
        ]
    panel = None
    if not doubts and (mending.drift or settings.uncertainty.enabled):
        panel = judging_panel(mended, settings, bad)
    if mending.drift and panel is not None:
        course = drift(mended, settings, bad, panel)
        if course.put_right:
            put_right |= course.put_right
            panel = judging_panel(course.spectra, settings, bad) if settings.uncertainty.enabled else None
            corrections.append(Correction("gain over the scan", course.courses[0].range, "dB"))
        mended, drifted, notices = course.spectra, course.doubtful, notices + list(course.notices)
    if settings.uncertainty.enabled:
        mended = replace(mended, causes=remaining_causes(mended, panel, settings, put_right))
    found = [one for one in screening.bad if one.file_point not in {point.index for point in spectra.dropped}]
    dropped = [DroppedPoint(one.file_point, f"contradicts the others: {one.reason}") for one in found]
    mended = replace(
        mended,
        drifted=drifted,
        doubts=doubts,
        lost=None,
        put_right=tuple(corrections),
        dropped=tuple(sorted((*spectra.dropped, *dropped), key=lambda point: point.index)),
        notices=(*spectra.notices, *doubts, *_told(found), *notices),
    )
    return _without(mended, bad, settings) if bad.size else mended


def _told(bad: list[BadPoint]) -> list[str]:
    if not bad:
        return []
    named = [f"{one.file_point} ({one.reason})" for one in bad[:_MOST_NAMED]]
    more = f" and {len(bad) - len(named)} more" if len(bad) > len(named) else ""
    return [f"{len(bad)} points contradict the others and are left out: {', '.join(named)}{more}"]


def _with_lost_places(spectra: Spectra, settings: Settings) -> Spectra:
    """Rows without a number for places that were lost, where they make rings complete."""
    lost = spectra.lost
    if lost is None or len(lost.positions_m) > MOST_PREDICTED:
        return spectra
    positions_m = np.concatenate([spectra.positions_m, lost.positions_m])
    origin_m = expansion_origin(spectra, settings.expansion)
    if recognise_rings(positions_m - origin_m, 1) is None or np.ptp(spectra.sound_speed_m_per_s) > 0:
        return spectra
    count = len(lost.positions_m)

    def with_nan(values: Any) -> Any:
        return np.concatenate([values, np.full((*values.shape[:-1], count), np.nan)], axis=-1)

    def with_typical(values: Any) -> Any:
        return np.concatenate([values, np.repeat(np.median(values, axis=-1)[..., None], count, axis=-1)], axis=-1)

    def with_median(values: Any) -> Any:
        # a mean of equal speeds may differ from them in the last digit, and rings need one
        return np.concatenate([values, np.full(count, np.median(values))])

    gated = spectra.gated
    return replace(
        spectra,
        pressure_pa=with_nan(spectra.pressure_pa),
        positions_m=positions_m,
        sound_speed_m_per_s=with_median(spectra.sound_speed_m_per_s),
        surface=np.concatenate([spectra.surface, lost.surface]),
        file_point=np.concatenate([spectra.file_point, lost.file_point]),
        repeats=np.concatenate([spectra.repeats, np.ones(count, dtype=np.int64)]),
        measured_at_s=None if spectra.measured_at_s is None else with_median(spectra.measured_at_s),
        noise_pa=None if spectra.noise_pa is None else with_typical(spectra.noise_pa),
        gated=None
        if gated is None
        else replace(
            gated,
            pressure_pa=with_nan(gated.pressure_pa),
            length_s=with_median(gated.length_s),
            noise_pa=None if gated.noise_pa is None else with_typical(gated.noise_pa),
        ),
    )


def _without(spectra: Spectra, bad: Integers, settings: Settings) -> Spectra:
    """Bad points as rows left out, where rings need them, else gone."""
    left_out = np.isin(np.arange(len(spectra.positions_m)), bad)
    origin_m = expansion_origin(spectra, settings.expansion)
    steady = np.ptp(spectra.sound_speed_m_per_s) == 0
    if steady and len(bad) <= MOST_PREDICTED and recognise_rings(spectra.positions_m - origin_m, 1) is not None:
        gated = spectra.gated
        return replace(
            spectra,
            pressure_pa=np.where(left_out, 0.0, spectra.pressure_pa),
            gated=None if gated is None else replace(gated, pressure_pa=np.where(left_out, 0.0, gated.pressure_pa)),
            left_out=left_out,
        )
    return only(spectra, ~left_out)


def only(spectra: Spectra, points: Booleans) -> Spectra:
    """Some of the points, (point,); none of them is left out."""
    return replace(spectra, left_out=None).picked("point", points)
