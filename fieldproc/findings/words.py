"""Findings in sentences. Each is made of numbers, which are rounded to what their errors leave of them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from fieldproc.findings.aim import Aim, StandsOut
from fieldproc.findings.beam import Beam
from fieldproc.findings.cause import Explained
from fieldproc.findings.equalizer import Equalizer, Improvement
from fieldproc.findings.find import PLANES, Findings, Flaw, Placement
from fieldproc.findings.hand_over import REFERENCE_BAND_HZ, HandOver
from fieldproc.findings.interference import DROPS_DB, Null
from fieldproc.findings.level import SeatLevel
from fieldproc.findings.resonances import Resonance
from fieldproc.findings.trend import Trend
from fieldproc.records import Scalar

# A band of 95 % is two standard uncertainties (JCGM 100:2008).
_COVERAGE = 2.0
# Flaws told in sentences, the largest first; the file has them all.
_MOST_TOLD = 8
_NAMES = {"listening_window": "listening window", "in_room_estimate": "in-room estimate"}
_SIDES = {"horizontal": ("left", "right"), "vertical": ("up", "down")}
_CAUSES = {
    "radiation-independent": (
        "It is in every direction alike, as a resonance or a filter makes it: an equaliser mends it."
    ),
    "direction-dependent": (
        "It differs between directions, as interference, an edge or a change of the beam makes it: an equaliser "
        "would only move it; aim, height and distance are what changes it."
    ),
    "reflection-driven": (
        "It is in what the room reflects, not in the direct sound: an equaliser that mends it in the room spoils the "
        "direct sound."
    ),
    "not clear": "Whether it is in every direction, the errors leave open: it is not equalised.",
}


def sentences(findings: Findings, scalars: Mapping[str, Scalar]) -> dict[str, list[str]]:
    """What there is to say, by topic, in the order in which people ask."""
    topics = {
        "neutrality": [*_of_trends(findings.trends), *_of_flaws(findings)],
        "resonances": [_of_resonance(one) for one in findings.resonances],
        "directions": [
            *(_of_null(null) for plane in PLANES for null in findings.nulls.get(plane, ())),
            *(line for plane in PLANES for line in _of_beam(plane, findings.beams[plane])),
        ],
        "equaliser": list(_of_equalizers(findings.equalizer, findings.best_section)),
        "aim and seat": [] if findings.aim is None else list(_of_aim(findings.aim)),
        "bass": [
            *_of_limits(scalars),
            *([] if findings.hand_over is None else [_of_hand_over(findings.hand_over)]),
            *([] if findings.placement is None else list(_of_placement(findings.placement))),
        ],
        "level": [] if findings.level is None else list(_of_level(findings.level)),
        "not found": list(findings.not_found),
    }
    return {topic: lines for topic, lines in topics.items() if lines}


# --- numbers -----------------------------------------------------------------------------------------


def hertz(frequency_hz: float) -> str:
    """Three digits: 879 Hz, 2.28 kHz."""
    three = float(f"{frequency_hz:.3g}")
    return f"{three:g} Hz" if three < 1000.0 else f"{three / 1000.0:g} kHz"


def span(lowest_hz: float, highest_hz: float) -> str:
    """Two frequencies, the unit once where it is the same."""
    low, high = hertz(lowest_hz), hertz(highest_hz)
    same = low.rpartition(" ")[2] == high.rpartition(" ")[2]
    return f"{low.rpartition(' ')[0] if same else low} to {high}"


def estimate(value: float, uncertainty: float, unit: str, *, signed: bool = False, finest: float = 0.1) -> str:
    """Value with half its band of 95 %, no finer than that band tells; the value alone where it is not known."""
    reach = _COVERAGE * uncertainty
    step = finest if not np.isfinite(reach) else max(finest, 10.0 ** np.floor(np.log10(max(reach, finest))))
    digits = max(0, int(-np.floor(np.log10(step) + 1e-9)))
    number = f"{round(value / step) * step + 0.0:{'+' if signed else ''}.{digits}f}"
    if not np.isfinite(reach):
        return f"{number} {unit}"
    return f"{number} ± {max(np.ceil(reach / step - 1e-9), 1.0) * step:.{digits}f} {unit}"


def _signed(value_db: float) -> str:
    return f"{round(value_db, 1) + 0.0:+.1f}"


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


# --- is it neutral? ----------------------------------------------------------------------------------


def _of_trends(trends: Mapping[str, Trend]) -> Iterator[str]:
    for name, words in _NAMES.items():
        if name in trends:
            trend = trends[name]
            slope = estimate(
                trend.slope_db_per_octave,
                trend.slope_uncertainty_db_per_octave,
                "dB per octave",
                signed=True,
                finest=0.01,
            )
            yield (
                f"The {words} follows a line of {slope} from {span(*trend.band_hz)}, and scatters about it by "
                f"{trend.spread_db:.1f} dB (standard deviation)."
            )


def _of_flaws(findings: Findings) -> Iterator[str]:
    if not findings.trends:
        return
    if not findings.flaws:
        yield "Nothing departs from these lines by more than what is told at all, or than the errors may make."
    for flaw in findings.flaws[:_MOST_TOLD]:
        yield f"{_of_flaw(flaw)} {_of_cause(flaw.explained)}"
    if len(findings.flaws) > _MOST_TOLD:
        yield f"There are {len(findings.flaws) - _MOST_TOLD} smaller departures in findings.json."


def _of_flaw(flaw: Flaw) -> str:
    departure = flaw.departure
    curves = _listed([f"the {_NAMES[name]}" for name in flaw.curves])
    is_or_are, its = ("is", "its line") if len(flaw.curves) == 1 else ("are", "their lines")
    size = estimate(abs(departure.size_db), departure.uncertainty_db, "dB")
    side = "above" if departure.size_db > 0.0 else "below"
    broad = f", broadly over {departure.width_octaves:.1f} octaves" if departure.broad else ""
    return (
        f"At {hertz(departure.peak_hz)} ({span(departure.lowest_hz, departure.highest_hz)}{broad}) {curves} "
        f"{is_or_are} {size} {side} {its}."
    )


def _of_cause(explained: Explained) -> str:
    evidence = explained.evidence
    sizes = evidence.sizes_db
    index = estimate(evidence.index_change_db, evidence.index_uncertainty_db, "dB", signed=True)
    names = {"on_axis": "on axis", "early_reflections": "early reflections", "sound_power": "sound power", **_NAMES}
    seen = ", ".join(f"{words} {_signed(sizes[name])}" for name, words in names.items() if name in sizes)
    return f"{_CAUSES[explained.cause]} In dB: {seen}; the index changes by {index}."


def _of_resonance(one: Resonance) -> str:
    frequency = estimate(
        one.frequency_hz,
        one.frequency_uncertainty_hz,
        "Hz",
        finest=10.0 ** (np.floor(np.log10(one.frequency_hz)) - 2.0),
    )
    gain = estimate(one.gain_db, one.gain_uncertainty_db, "dB", signed=True)
    q = estimate(one.q, one.q_uncertainty, "").strip()
    return f"All directions share a resonance at {frequency}: {gain}, Q {q} as the Audio EQ Cookbook counts it."


# --- in which directions? ----------------------------------------------------------------------------


def _of_null(null: Null) -> str:
    positive, negative = _SIDES[null.plane]
    side = positive if null.angle_deg > 0.0 else negative
    drops = "; ".join(
        f"{drop:g} dB "
        + " and ".join(_drop(*pair) for pair in zip(null.drops_deg[drop], (positive, negative), strict=True))
        for drop in DROPS_DB
    )
    return (
        f"From {span(null.lowest_hz, null.highest_hz)} two sounds cancel in the {null.plane} plane, as sources "
        f"{100.0 * null.separation_m:.0f} cm apart do: at {hertz(null.frequency_hz)} the null lies "
        f"{abs(null.angle_deg):.0f} degrees {side}. The level there has fallen by {drops}. It is never equalised."
    )


def _drop(angle_deg: float, side: str) -> str:
    return f"nowhere {side}" if np.isnan(angle_deg) else f"{abs(angle_deg):.0f} degrees {side}"


def _of_beam(plane: str, beam: Beam) -> Iterator[str]:
    for stretch in beam.stretches:
        wider = "wider" if stretch.percent > 0.0 else "narrower"
        yield (
            f"{plane.capitalize()} coverage is {abs(stretch.percent):.0f} % {wider} than its course from "
            f"{span(stretch.lowest_hz, stretch.highest_hz)}: {stretch.coverage_deg:.0f} degrees at "
            f"{hertz(stretch.peak_hz)}, where its course has {stretch.course_deg:.0f}."
        )
    if np.isfinite(beam.narrows_from_hz):
        yield f"{plane.capitalize()} coverage narrows from {hertz(beam.narrows_from_hz)} upwards."


# --- what may be done? -------------------------------------------------------------------------------


def _of_equalizers(equalizer: Equalizer | None, best: Equalizer | None) -> Iterator[str]:
    if equalizer is None:
        return
    if not equalizer.sections:
        yield f"No equaliser is proposed: {equalizer.limited_by[0]}."
        return
    count = len(equalizer.sections)
    yield (
        f"{count} section{'s' * (count > 1)} at {equalizer.sampling_rate_hz:g} Hz: {_sections_told(equalizer)}: "
        f"{_improvement('listening window', equalizer.listening_window)}; "
        f"{_improvement('in-room estimate', equalizer.in_room)}."
    )
    if best is not None and best.sections and count > 1:
        yield (
            f"With one section alone: {_sections_told(best)}: "
            f"{_improvement('listening window', best.listening_window)}; "
            f"{_improvement('in-room estimate', best.in_room)}."
        )
    yield f"Limits: {'; '.join(equalizer.limited_by)}."


def _sections_told(equalizer: Equalizer) -> str:
    return "; ".join(
        f"{section.kind} {hertz(section.frequency_hz)}, "
        f"{estimate(section.gain_db, uncertainty, 'dB', signed=True)}, Q {section.q:.1f}"
        for section, uncertainty in zip(equalizer.sections, equalizer.gain_uncertainty_db, strict=True)
    )


def _improvement(name: str, own: Improvement) -> str:
    less = estimate(own.before_db - own.after_db, own.improvement_uncertainty_db, "dB", finest=0.01)
    now, then = f"{own.after_db:.2f}", f"{own.before_db:.2f}"
    return f"the {name} then departs from its target by {now} dB rms instead of {then} ({less} less)"


def _of_aim(aim: Aim) -> Iterator[str]:
    best = aim.recommended
    height = f", seen from {best.elevation_deg:.0f} degrees above the axis," if round(best.elevation_deg) else ""
    if aim.window_deg is None:
        yield (
            "No toe-in keeps the direct sound near its line; the least departure, "
            f"{best.direct_rms_db:.1f} dB rms, is at {best.toe_in_deg:g} degrees{height}."
        )
    else:
        first, last = aim.window_deg
        yield (
            f"Toe-in from {first:g} to {last:g} degrees{height} keeps the direct sound near its line; at "
            f"{best.toe_in_deg:g} degrees it departs by {best.direct_rms_db:.1f} dB rms, the in-room estimate by "
            f"{best.in_room_rms_db:.1f}. At 0 degrees the axis passes through the seat."
        )
    own = aim.tolerance
    ways = [
        f"{deg:g} degrees {side}" if np.isfinite(deg) else f"beyond what was tried {side}"
        for deg, side in zip(
            (own.left_deg, own.right_deg, own.up_deg, own.down_deg), ("left", "right", "up", "down"), strict=True
        )
    ]
    yield f"There every octave of the direct sound stays within the tolerance {_listed(ways)}."
    yield from _of_warnings(aim.warnings)


def _of_warnings(warnings: Sequence[StandsOut]) -> Iterator[str]:
    """One per departure and elevation, at the angle that shows it most."""
    worst: dict[tuple[float, float], StandsOut] = {}
    for one in warnings:
        key = one.departure.peak_hz, one.elevation_deg
        if key not in worst or abs(one.there_db) > abs(worst[key].there_db):
            worst[key] = one
    for one in worst.values():
        seat = f" and {one.elevation_deg:.0f} degrees higher" if round(one.elevation_deg) else ""
        place = f"at {one.toe_in_deg:g} degrees of toe-in{seat}"
        yield (
            f"Off axis it stands out more: the departure at {hertz(one.departure.peak_hz)} is "
            f"{_signed(one.on_axis_db)} dB in the direct sound on axis and {_signed(one.there_db)} dB {place}."
        )


# --- how low, how loud? ------------------------------------------------------------------------------


def _of_limits(scalars: Mapping[str, Scalar]) -> Iterator[str]:
    limits = {drop: scalars.get(f"low_frequency_limit_{drop}_db") for drop in (3, 6, 10)}
    told = [
        f"{drop} dB at {hertz(limit.value)}"
        for drop, limit in limits.items()
        if limit is not None and np.isfinite(limit.value)
    ]
    if told:
        yield f"Free field, towards low frequencies it has fallen by {_listed(told)}."


def _of_hand_over(own: HandOver) -> str:
    reference = span(*REFERENCE_BAND_HZ)
    level = estimate(own.level_db, own.level_uncertainty_db, "dB", signed=True)
    slope = estimate(own.slope_db_per_octave, own.slope_uncertainty_db_per_octave, "dB per octave", signed=True)
    return (
        f"At {hertz(own.frequency_hz)}, where a subwoofer may take over, the listening window is {level} re its mean "
        f"from {reference} and changes by {slope}. A fourth-order hand-over asks for {own.target_level_db:.1f} dB: "
        f"an electrical high-pass would have to take {own.lacking_db:.1f} dB; a Butterworth one of order {own.order} "
        f"comes within {own.rms_db:.1f} dB rms of it over the octaves on both sides."
    )


def _of_placement(own: Placement) -> Iterator[str]:
    walls = {
        "front wall": own.boundaries.front_m,
        "side wall": own.boundaries.side_m,
        "floor": own.boundaries.floor_m,
    }
    near = _listed([f"{distance:g} m from the {name}" for name, distance in walls.items() if distance is not None])
    strongest, weakest = int(np.nanargmax(own.power_db)), int(np.nanargmin(own.power_db))
    extremes = " and ".join(
        f"{_signed(own.power_db[at])} dB at {hertz(own.frequency_hz[at])}" for at in (strongest, weakest)
    )
    yield f"Placed {near}, it radiates {extremes} re free field (these boundaries alone, and perfect ones)."
    if own.notches:
        told = _listed([f"{hertz(one.frequency_hz)} ({one.change_db:.0f} dB)" for one in own.notches])
        yield f"At the seat, sound that these boundaries return cancels the direct sound at {told}."


def _of_level(own: SeatLevel) -> Iterator[str]:
    headroom = (
        ""
        if np.isnan(own.headroom_db)
        else f", {own.headroom_db:+.1f} dB re what is wanted, which takes {own.power_needed_w:.3g} W"
    )
    yield f"At the seat one loudspeaker reaches {own.level_db:.1f} dB{headroom}."
    yield from own.assumptions
    yield own.caution
