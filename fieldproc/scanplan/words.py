"""A proposal and its prediction in words: a compact page for the terminal and for the result folder."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Floats, angles_from_directions
from fieldproc.records import Verdict
from fieldproc.scanplan.carried import Sweep
from fieldproc.scanplan.leak import leak_db
from fieldproc.scanplan.predict import Octave, Prediction
from fieldproc.scanplan.propose import Proposal, grid_of
from fieldproc.scanplan.settings import AssumptionsModel, PlanSettings
from fieldproc.scanplan.surfaces import Surface
from fieldproc.scanplan.visiting import surface_after_surface, travel_m

_MOST_SECTORS = 4


def proposal_lines(proposal: Proposal, prediction: Prediction, settings: PlanSettings) -> list[str]:
    """What is proposed, then what it will give."""
    visits = len(proposal.grid.at_s)
    points, returns = 2 * proposal.rings * proposal.azimuths, settings.time.returns
    plain = surface_after_surface(proposal.rings, proposal.azimuths)
    plain_grid = grid_of(proposal, plain, settings)
    separate = prediction.both is not None
    plain_db = leak_db(plain_grid, prediction.leak_at_hz, separate, settings.assumptions)
    longer = travel_m(proposal.grid.positions_m) / travel_m(plain_grid.positions_m)
    places, counts = np.unique(proposal.grid.positions_m, axis=0, return_counts=True)
    back = ", ".join(f"{x:.3f}" for x in places[np.argmax(counts)])
    return [
        f"{settings.title}: {points} points, {visits} visits of {proposal.per_point_s:g} s, "
        f"{_duration(visits * proposal.per_point_s)}",
        f"surfaces   two {_kind(proposal.inner)}, {100 * proposal.gap_m:.1f} cm apart, half a wavelength at "
        f"{proposal.grid.sound_speed_m_per_s / (2 * proposal.gap_m):.0f} Hz",
        f"inner      {_size(proposal.inner)}",
        f"outer      {_size(proposal.outer)}",
        f"rings      {proposal.rings} on each surface, {proposal.azimuths} azimuths on each, "
        f"{360 / proposal.azimuths:.3g} degrees apart; alternate rings turned by half a step",
        f"order      {proposal.stride**2} passes of scattered points, ways {longer:.1f} times those of surface after "
        "surface",
        f"returns    {returns} to ({back}) m, evenly over the scan",
        f"drift      of {settings.assumptions.drift_db:g} dB, surface after surface: an error of {plain_db:.0f} dB "
        f"at {prediction.leak_at_hz:.0f} Hz",
        *prediction_lines(prediction, settings.assumptions),
    ]


def prediction_lines(prediction: Prediction, assumed: AssumptionsModel) -> list[str]:
    """What a grid will give, octave by octave."""
    grid = prediction.grid
    return [
        f"drift      of {assumed.drift_db:g} dB, in this order: an error of {prediction.leak_db:.0f} dB at "
        f"{prediction.leak_at_hz:.0f} Hz",
        f"gate       {_gate(prediction)}",
        f"carried    {_carried(prediction)}",
        f"forbidden  {_forbidden(prediction.both)}",
        f"unscanned  {_sectors(prediction)}",
        f"assumed    noise {assumed.noise_db:g} dB re the sound at the points in {1e3 * assumed.response_s:g} ms, "
        f"position error {1e3 * assumed.position_error_m:g} mm, sound speed {grid.sound_speed_m_per_s:.1f} m/s",
        *[f"beware     mending finds what is not there: {one}" for one in prediction.notices],
        "",
        "octave/Hz  from       degree  noise gain/dB  error/dB  verdict",
        *[_octave_line(prediction, octave) for octave in prediction.octaves()],
    ]


def _octave_line(prediction: Prediction, octave: Octave) -> str:
    expansion, rows = prediction.expansion, octave.rows
    share = float(expansion.quality.gated_share[rows].mean())
    separated = bool((expansion.regular_order[rows] >= 0).any())
    how = "gated" if share > 0.5 else "separated" if separated else "one set"
    verdict = Verdict(int(expansion.quality.verdict[rows].max())).words
    return (
        f"{octave.middle_hz:9.4g}  {how:9s}  {expansion.outgoing_order[rows].max():6d}  "
        f"{expansion.quality.noise_gain_db[rows].max():13.1f}  {prediction.error_of(octave):8.1f}  {verdict}"
    )


def _duration(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60.0), 60)
    return f"{hours} h {minutes:02d} min"


def _kind(surface: Surface) -> str:
    return "spheres" if surface.shape == "sphere" else "cylinders with lids"


def _size(surface: Surface) -> str:
    if surface.shape == "sphere":
        return f"radius {surface.radius_m:.3f} m"
    return f"radius {surface.radius_m:.3f} m, lids {surface.half_height_m:.3f} m above and below the centre"


def _gate(prediction: Prediction) -> str:
    if prediction.gate_s is None:
        return "none: no reflector is stated, or it is too near"
    shortest_s, longest_s = prediction.gate_s
    gated = prediction.expansion.frequency_hz[prediction.expansion.quality.gated_share >= 0.5]
    taken = (
        f"; gated spectra take over at {gated[0]:.0f} Hz" if gated.size else "; separated spectra are used throughout"
    )
    return f"{1e3 * shortest_s:.1f} to {1e3 * longest_s:.1f} ms from the direct sound to the first reflection{taken}"


def _carried(prediction: Prediction) -> str:
    both, alone = prediction.both, prediction.alone
    told = "one surface tells no room from the loudspeaker" if both is None else _reach(both, "room and loudspeaker")
    return f"{told}; {_reach(alone, 'loudspeaker alone')}; beyond, nothing is predicted"


def _reach(one: Sweep, what: str) -> str:
    return f"{what} to {one.highest_hz:.0f} Hz (degree {one.degree})" if one.highest_hz else f"{what} nowhere"


def _forbidden(both: Sweep | None) -> str:
    bands = [] if both is None else both.forbidden()
    if not bands:
        return "no band below that"
    return ", ".join(f"{first:.0f} to {last:.0f} Hz" for first, last in bands) + ": the surfaces look alike"


def _sectors(prediction: Prediction) -> str:
    if not prediction.sectors:
        return "no sector"
    told = []
    for sector in prediction.sectors[:_MOST_SECTORS]:
        azimuth, elevation = angles_from_directions(_vector(sector.direction))
        told.append(f"{sector.half_angle_deg:.0f} degrees about azimuth {azimuth:.0f}, elevation {elevation:.0f}")
    return "; ".join(told)


def _vector(direction: tuple[float, float, float]) -> Floats:
    return np.array(direction)
