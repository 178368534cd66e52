"""From recordings to calibrated pressures: drive, microphone, air, dropped points, repeats, noise, truncation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.condition.air import absorption, density, sound_speed
from fieldproc.condition.drifts import Drifts, drifts
from fieldproc.condition.ending import endings, fade_out
from fieldproc.condition.gate import GateTimes, emission_s, gate_times, gated_spectra
from fieldproc.condition.gate_ending import end_with_the_sound
from fieldproc.condition.good_points import good_points, lost_places, measured
from fieldproc.condition.late import late_level_db, late_notice
from fieldproc.condition.noise import noise_power
from fieldproc.condition.pace import Pace
from fieldproc.condition.repeats import groups, mean_of_groups
from fieldproc.condition.returns import TOP_HZ, Repeats
from fieldproc.condition.spectra import log_frequency_grid
from fieldproc.condition.waterfall import waterfall
from fieldproc.conventions import Booleans, Complexes, Floats, Integers, amplitude_db
from fieldproc.errors import NumericalError
from fieldproc.records import (
    Drive,
    Gated,
    ImpulseResponses,
    Microphone,
    Session,
    Spectra,
    TransferFunctions,
)
from fieldproc.settings import GateSettings, SpectraSettings

# Of the sampling rate: what converters pass (common practice: 20.0 kHz at 44.1 kHz). Above is their filter.
_PASSED = 0.4535
# Fewer hold no response of anything.
_LEAST_SAMPLES = 16


def condition(
    session: Session, settings: SpectraSettings, gate: GateSettings | None = None, *, drift: bool = False
) -> Spectra:
    """Rms pressure phasors at the drive voltage, one row per distinct position that takes part.

    Impulse responses go to the frequency grid of the settings; transfer functions keep their
    frequencies. Delay and gain of every record are set right first, where drive signals were recorded, and with
    ``drift`` what repeats tell of slow changes (impulse responses only). With ``gate``, also the spectra of the
    responses gated before the first reflection.
    Raises ``NumericalError`` when too few good points remain, or no frequency that the records hold.
    """
    kept, dropped, alignment = good_points(session, settings)
    frequency_hz = _frequencies(session.response, settings)
    _require_band(session.response, frequency_hz)
    speed, told = sound_speed(session.air, len(session.positions_m))
    group, first = groups(session.positions_m[kept])
    late_s, loudness = np.zeros(len(kept)), np.ones(len(kept))
    if alignment is not None:
        late_s, loudness = alignment.delay_s[kept], alignment.gain[kept]
    counts = _counts(session.response, kept, np.append(frequency_hz, TOP_HZ))
    pace = _pace(session, speed, kept, late_s)
    speed_notices = [] if pace is None or len(pace.groups) == 1 else [_pace_told(speed[kept])]
    known = (speed[kept], late_s, loudness)
    drifted = _drifts(session, kept, group, int(counts[-1]), pace, known) if drift else None
    if drifted is not None:
        speed[kept] *= drifted.faster
        late_s, loudness = late_s + drifted.late_s, loudness * drifted.gain
        pace = _pace(session, speed, kept, late_s)
    recorded, usable, used = _recorded_spectra(session.response, frequency_hz, kept, pace, counts[:-1])
    chain = _Chain.of(session, frequency_hz, usable, late_s, loudness)
    recorded = chain.aligned(recorded)
    noise_pa, noise_told = _noise(session, kept, chain, used, recorded, group)
    late_db = _late(session.response, kept, frequency_hz)
    times = None if gate is None or gate.enabled is False else gate_times(session, speed, kept, late_s)
    sample_noise = None
    if noise_pa is not None and isinstance(session.response, ImpulseResponses):
        sample_noise = noise_pa**2 / (session.response.values.shape[2] * used[:, None, None])
    gated, gate_told = _gated(session, times, kept, chain, pace, group, sample_noise)
    absorption_db_per_m, absorption_air = absorption(session.air, frequency_hz)
    notices = (
        *session.notices,
        told,
        *speed_notices,
        *([] if alignment is None else [alignment.told]),
        *([] if drifted is None else drifted.told),
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
        sigma=session.sigma,
        lost=lost_places(session, kept, dropped),
        waterfall=waterfall(session, kept, times),
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
    def of(cls, session: Session, frequency_hz: Floats, usable: Booleans, late_s: Floats, loudness: Floats) -> _Chain:
        gain = _drive_gain(session.unit, session.drive) / _microphone_response(
            session.unit, session.microphone, frequency_hz
        )
        if not late_s.any() and np.all(loudness == 1.0):
            return cls(frequency_hz, gain, usable, None, loudness)
        turn = np.exp(2j * np.pi * np.outer(frequency_hz, late_s))
        return cls(frequency_hz, gain, usable, turn / loudness, loudness)

    def aligned(self, recorded: Complexes) -> Complexes:
        """Records as they would be without differences of delay and gain between them."""
        return recorded if self.correction is None else recorded * self.correction[:, None]

    def in_pascal(self, aligned: Complexes) -> Complexes:
        """Pressures; nan where a frequency is not usable."""
        pressure_pa = aligned * self.gain[:, None, None]
        pressure_pa[~self.usable] = np.nan
        return pressure_pa


def _counts(response: ImpulseResponses | TransferFunctions, kept: Integers, frequency_hz: Floats) -> Integers:
    """How many samples hold sound at each frequency; 0 of transfer functions."""
    if not isinstance(response, ImpulseResponses):
        return np.zeros(len(frequency_hz), dtype=np.int64)
    return endings(response.values, kept, response.sampling_rate_hz, frequency_hz)


def _pace(session: Session, speed: Floats, kept: Integers, late_s: Floats) -> Pace | None:
    """How responses are brought to one air; transfer functions cannot be."""
    if not isinstance(session.response, ImpulseResponses):
        return None
    return Pace.of(speed[kept], emission_s(session, session.response, speed, kept, late_s))


def _drifts(
    session: Session,
    kept: Integers,
    group: Integers,
    count: int,
    pace: Pace | None,
    known: tuple[Floats, Floats, Floats],
) -> Drifts | None:
    """What repeats tell of slow changes beyond the ``known`` speeds, delays and gains of the records."""
    if pace is None or not isinstance(session.response, ImpulseResponses):
        return None
    repeats = Repeats.of(session.response, kept, group, count, (known[0], pace.emission_s, *known[1:]))
    if repeats is None:
        return None
    at_s = session.measured_at_s
    time_s = kept.astype(np.float64) if at_s is None else at_s[kept]
    return drifts(repeats, time_s, kept, timed=at_s is not None)


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


def _require_band(response: ImpulseResponses | TransferFunctions, frequency_hz: Floats) -> None:
    """Do the records hold any of the frequencies?"""
    if isinstance(response, TransferFunctions):
        return
    samples, top_hz = response.values.shape[2], _PASSED * response.sampling_rate_hz
    if samples < _LEAST_SAMPLES:
        raise NumericalError(
            "condition", "length of the records", f"{samples} samples", f"{_LEAST_SAMPLES}", "record longer"
        )
    if frequency_hz.min() > top_hz:
        raise NumericalError(
            "condition",
            "lowest frequency asked for",
            f"{frequency_hz.min():g} Hz",
            f"{top_hz:g} Hz, the top of records at {response.sampling_rate_hz:g} Hz",
            "check sampling_rate_hz, or lower spectra.lowest_hz",
        )


def _recorded_spectra(
    response: ImpulseResponses | TransferFunctions,
    frequency_hz: Floats,
    kept: Integers,
    pace: Pace | None,
    counts: Integers,
) -> tuple[Complexes, Booleans, Floats]:
    """Spectra (frequency, channel, point) in the unit of the file, which are usable, and the share of noise in them.

    Responses count until they have died away into their noise, ``counts`` (frequency,) samples.
    """
    if isinstance(response, TransferFunctions):
        recorded = response.values[:, :, kept].astype(np.complex128)
        return recorded, measured(response), np.ones(len(frequency_hz))
    assert pace is not None
    rate, samples = response.sampling_rate_hz, response.values.shape[2]
    usable, used = frequency_hz <= _PASSED * rate, np.ones(len(frequency_hz))
    recorded = np.empty((len(frequency_hz), len(response.values), len(kept)), dtype=np.complex128)
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
    sample_noise: Floats | None,
) -> tuple[Gated | None, list[str]]:
    """Gated pressures, (frequency, channel, group), and what to tell.

    ``sample_noise`` (frequency, channel, group) is the noise power in Pa^2 that one sample brings to a spectrum.
    """
    response = session.response
    if times is None or pace is None or not isinstance(response, ImpulseResponses):
        return None, []
    if isinstance(times, str):
        return None, [f"not gated: {times}"]

    def heard(gate: GateTimes) -> Complexes:
        recorded = gated_spectra(response, kept, gate, chain.frequency_hz, pace)
        return mean_of_groups(chain.in_pascal(chain.aligned(recorded)), group)

    pressure_pa, shorter = heard(times), heard(times.shortened())
    with np.errstate(divide="ignore", invalid="ignore"):
        cut = np.linalg.norm(pressure_pa - shorter, axis=2) / np.linalg.norm(pressure_pa, axis=2)
    told, noise_pa = [f"gated: {times.told}"], None
    if sample_noise is not None:
        sooner = end_with_the_sound(times, heard, sample_noise, response.sampling_rate_hz, chain.frequency_hz, group)
        pressure_pa, noise_pa, told = sooner.pressure_pa, sooner.noise_pa, [*told, *sooner.told]
    return Gated(pressure_pa, mean_of_groups(times.length_s, group), amplitude_db(cut), noise_pa), told


def _late(response: ImpulseResponses | TransferFunctions, kept: Integers, frequency_hz: Floats) -> Floats | None:
    if not isinstance(response, ImpulseResponses):
        return None
    return late_level_db(response.values, response.sampling_rate_hz, frequency_hz, kept)
