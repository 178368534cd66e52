"""From recordings to calibrated pressures: drive, microphone, air, dropped points, repeats, noise, truncation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.condition.air import absorption, density, sound_speed
from fieldproc.condition.ending import endings, fade_out
from fieldproc.condition.gate import GateTimes, emission_s, gate_times, gated_spectra
from fieldproc.condition.late import late_level_db, late_notice
from fieldproc.condition.noise import noise_power
from fieldproc.condition.pace import Pace
from fieldproc.condition.reference import Alignment, align
from fieldproc.condition.repeats import groups, mean_of_groups
from fieldproc.condition.spectra import log_frequency_grid
from fieldproc.conventions import Booleans, Complexes, Floats, Integers, amplitude_db
from fieldproc.errors import NumericalError
from fieldproc.records import (
    Drive,
    DroppedPoint,
    Gated,
    ImpulseResponses,
    Lost,
    Microphone,
    Session,
    Spectra,
    TransferFunctions,
)
from fieldproc.settings import GateSettings, SpectraSettings

# The smallest expansion (degree 0 and 1 of one set) already needs this many.
FEWEST_POINTS = 4
# Samples at the largest value of a clipped response, and the step before them, re that value.
_FEWEST_TOPS, _CLIP_STEP = 2, 0.02


def condition(session: Session, settings: SpectraSettings, gate: GateSettings | None = None) -> Spectra:
    """Rms pressure phasors at the drive voltage, one row per distinct position that takes part.

    Impulse responses go to the frequency grid of the settings; transfer functions keep their
    frequencies. Delay and gain of every record are set right first, where drive signals were recorded. With
    ``gate``, also the spectra of the responses gated before the first reflection.
    Raises ``NumericalError`` when too few good points remain.
    """
    kept, dropped, alignment = _good_points(session, settings)
    frequency_hz = _frequencies(session.response, settings)
    speed, told = sound_speed(session.air, len(session.positions_m))
    late_s = 0.0 if alignment is None else alignment.delay_s[kept]
    pace = _pace(session, speed, kept, late_s)
    recorded, usable, used = _recorded_spectra(session.response, frequency_hz, kept, pace)
    group, first = groups(session.positions_m[kept])
    chain = _Chain.of(session, frequency_hz, usable, kept, alignment)
    recorded = chain.aligned(recorded)
    noise_pa, noise_told = _noise(session, kept, chain, used, recorded, group)
    late_db = _late(session.response, kept, frequency_hz)
    times = None if gate is None or gate.enabled is False else gate_times(session, speed, kept, late_s)
    gated, gate_told = _gated(session, times, kept, chain, pace, group)
    absorption_db_per_m, absorption_air = absorption(session.air, frequency_hz)
    notices = (
        *session.notices,
        told,
        *([] if pace is None or len(pace.groups) == 1 else [_pace_told(speed[kept])]),
        *([] if alignment is None else [alignment.told]),
        *noise_told,
        *([] if late_db is None else late_notice(late_db, frequency_hz)),
        *gate_told,
    )
    return Spectra(
        frequency_hz=frequency_hz,
        pressure_pa=mean_of_groups(chain.in_pascal(recorded), group),
        usable=usable,
        positions_m=session.positions_m[kept][first],
        # responses have been brought to one air
        sound_speed_m_per_s=mean_of_groups(speed[kept] if pace is None else pace.sound_speed_m_per_s, group),
        surface=session.surface[kept][first],
        file_point=kept[first],
        repeats=np.bincount(group),
        channel_names=session.channel_names,
        air_density_kg_per_m3=density(session.air),
        axis=session.axis,
        cabinet=session.cabinet,
        known_source=session.known_source,
        room=session.room,
        measured_at_s=None if session.measured_at_s is None else mean_of_groups(session.measured_at_s[kept], group),
        noise_pa=noise_pa,
        late_db=late_db,
        gated=gated,
        absorption_db_per_m=absorption_db_per_m,
        absorption_air=absorption_air,
        sampling_rate_hz=getattr(session.response, "sampling_rate_hz", None),
        lost=_lost(session, kept, dropped),
        dropped=dropped,
        notices=notices,
    )


@dataclass(frozen=True, slots=True)
class _Chain:
    """What lies between the recorded spectra (frequency, channel, kept point) and pressures in pascal.

    ``gain`` (frequency,) is pascal at the drive level per recorded unit; ``correction`` (frequency, point) sets
    delay and gain of single records right, whose ``loudness`` (point,) it takes out.
    """

    frequency_hz: Floats
    gain: Complexes
    usable: Booleans
    correction: Complexes | None
    loudness: Floats

    @classmethod
    def of(
        cls, session: Session, frequency_hz: Floats, usable: Booleans, kept: Integers, alignment: Alignment | None
    ) -> _Chain:
        gain = _drive_gain(session.unit, session.drive) / _microphone_response(
            session.unit, session.microphone, frequency_hz
        )
        if alignment is None:
            return cls(frequency_hz, gain, usable, None, np.ones(len(kept)))
        return cls(frequency_hz, gain, usable, alignment.correction(frequency_hz)[:, kept], alignment.gain[kept])

    def aligned(self, recorded: Complexes) -> Complexes:
        """Records as they would be without differences of delay and gain between them."""
        return recorded if self.correction is None else recorded * self.correction[:, None]

    def in_pascal(self, aligned: Complexes) -> Complexes:
        """Pressures; nan where a frequency is not usable."""
        pressure_pa = aligned * self.gain[:, None, None]
        pressure_pa[~self.usable] = np.nan
        return pressure_pa


def _good_points(
    session: Session, settings: SpectraSettings
) -> tuple[Integers, tuple[DroppedPoint, ...], Alignment | None]:
    """Indices of points that take part, the others with the reason, and how the drive signals of all points lie."""
    response = session.response
    if isinstance(response, ImpulseResponses):
        per_point: NDArray[Any] = np.moveaxis(response.values, 1, 0)
    else:
        per_point = np.moveaxis(response.values[_measured(response)], 2, 0)
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


def _lost(session: Session, kept: Integers, dropped: tuple[DroppedPoint, ...]) -> Lost | None:
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


def _measured(response: TransferFunctions) -> Booleans:
    """Frequencies with a number at any point: one that is nan throughout is a gap, not a bad point."""
    return np.asarray(np.isfinite(response.values).any(axis=(1, 2)))


def _pace(session: Session, speed: Floats, kept: Integers, late_s: Floats | float) -> Pace | None:
    """How responses are brought to one air; transfer functions cannot be."""
    if not isinstance(session.response, ImpulseResponses):
        return None
    return Pace.of(speed[kept], emission_s(session, session.response, speed, kept, late_s))


def _pace_told(speed: Floats) -> str:
    return (
        f"the sound speed varied from {speed.min():.2f} to {speed.max():.2f} m/s over the points: all responses were "
        f"brought to {speed.mean():.2f} m/s"
    )


def _frequencies(response: ImpulseResponses | TransferFunctions, settings: SpectraSettings) -> Floats:
    """Those of the settings; transfer functions keep their own."""
    if isinstance(response, TransferFunctions):
        return response.frequency_hz
    return log_frequency_grid(settings.lowest_hz, settings.per_octave, settings.count)


def _recorded_spectra(
    response: ImpulseResponses | TransferFunctions, frequency_hz: Floats, kept: Integers, pace: Pace | None
) -> tuple[Complexes, Booleans, Floats]:
    """Spectra (frequency, channel, point) in the unit of the file, which are usable, and the share of noise in them.

    Responses count until they have died away into their noise.
    """
    if isinstance(response, TransferFunctions):
        recorded = response.values[:, :, kept].astype(np.complex128)
        return recorded, _measured(response), np.ones(len(frequency_hz))
    assert pace is not None
    rate, samples = response.sampling_rate_hz, response.values.shape[2]
    usable, used = frequency_hz < rate / 2, np.ones(len(frequency_hz))
    recorded = np.empty((len(frequency_hz), len(response.values), len(kept)), dtype=np.complex128)
    counts = endings(response.values, kept, rate, frequency_hz)
    for count in np.unique(counts):
        rows = np.flatnonzero(counts == count)
        weights = np.ones(samples) if count == samples else fade_out(int(count))
        used[rows] = np.sum(weights**2) / samples
        for channel, values in enumerate(response.values):
            recorded[rows, channel] = pace.spectra(
                values[kept, :count], rate, response.start_s, frequency_hz[rows], weights
            )
    return recorded, usable, used


def _drive_gain(unit: str, drive: Drive) -> float:
    """What the recorded response is multiplied by to hold at the drive level."""
    if unit == "Pa/FS":
        assert drive.level_dbfs is not None
        return float(10.0 ** (drive.level_dbfs / 20.0))
    return drive.voltage_v


def _microphone_response(unit: str, microphone: Microphone, frequency_hz: Floats) -> Complexes:
    """Recorded unit per pascal, shape (frequency,): sensitivity times the stated response.

    The response is interpolated over log frequency, magnitude in dB and phase unwrapped, and held at
    its ends.
    """
    sensitivity = microphone.sensitivity_v_per_pa if unit == "V/V" else 1.0
    assert sensitivity is not None
    if microphone.frequency_hz is None or microphone.response is None:
        return np.full(len(frequency_hz), sensitivity, dtype=np.complex128)
    # 0 Hz has no place on a log scale
    listed = microphone.frequency_hz > 0
    at, known, response = np.log(frequency_hz), np.log(microphone.frequency_hz[listed]), microphone.response[listed]
    magnitude = np.interp(at, known, np.log(np.abs(response)))
    phase = np.interp(at, known, np.unwrap(np.angle(response)))
    return np.asarray(sensitivity * np.exp(magnitude + 1j * phase))


def _noise(
    session: Session, kept: Integers, chain: _Chain, used: Floats, aligned: Complexes, group: Integers
) -> tuple[Floats | None, list[str]]:
    """Rms noise in Pa at every point, (frequency, channel, group), and how it was found."""
    response, usable, frequency_hz = session.response, chain.usable, chain.frequency_hz
    sampled = response if isinstance(response, ImpulseResponses) else None
    found = noise_power(
        sampled, kept, chain.loudness, aligned[usable], group, session.noise, frequency_hz[usable], used[usable]
    )
    if found is None:
        return None, []
    noise_pa = np.full((len(frequency_hz), *found.power.shape[1:]), np.nan)
    noise_pa[usable] = np.sqrt(found.power) * np.abs(chain.gain[usable])[:, None, None]
    return noise_pa, [found.told]


def _gated(
    session: Session,
    times: GateTimes | str | None,
    kept: Integers,
    chain: _Chain,
    pace: Pace | None,
    group: Integers,
) -> tuple[Gated | None, list[str]]:
    """Gated pressures, (frequency, channel, group), and what to tell."""
    response = session.response
    if times is None or pace is None or not isinstance(response, ImpulseResponses):
        return None, []
    if isinstance(times, str):
        return None, [f"not gated: {times}"]
    recorded = gated_spectra(response, kept, times, chain.frequency_hz, pace)
    pressure_pa = mean_of_groups(chain.in_pascal(chain.aligned(recorded)), group)
    shorter = gated_spectra(response, kept, times.shortened(), chain.frequency_hz, pace)
    with np.errstate(divide="ignore", invalid="ignore"):
        cut = np.linalg.norm(recorded - shorter, axis=2) / np.linalg.norm(recorded, axis=2)
    return Gated(pressure_pa, mean_of_groups(times.length_s, group), amplitude_db(cut)), [f"gated: {times.told}"]


def _late(response: ImpulseResponses | TransferFunctions, kept: Integers, frequency_hz: Floats) -> Floats | None:
    if not isinstance(response, ImpulseResponses):
        return None
    return late_level_db(response.values, response.sampling_rate_hz, frequency_hz, kept)
