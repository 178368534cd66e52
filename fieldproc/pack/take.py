"""What is kept of one WAV file: its responses, and with sweeps the reference and the harmonics."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fieldproc.conventions import Floats
from fieldproc.errors import SessionError, UsageError
from fieldproc.pack.settings import ImpulseResponsesModel, SweepsModel
from fieldproc.pack.sweep import Deconvolver, Sweep, clock_drift, cut, recognise_sweep, sounding, stimulus_band
from fieldproc.pack.wav import Recording, WavFault, is_clipped, read_wav

# Of the reference response: enough for a converter's filter, on both sides of its peak.
REFERENCE_SAMPLES, _REFERENCE_LEAD = 1024, 256
# A reference response stands out of its record by hundreds, deconvolved noise by five or so.
_CREST = 20.0
# Share of the lead over which a response is faded in: a step in the ringing would be heard far up in frequency.
_FADED_LEAD = 0.5
# A response that stops at the lower edge of the stimulus rings there for longer than the lead: -20 dB at the edge
# for a response that is flat, -40 an octave above.
_LOWEST_WANTED_HZ = 20.0


@dataclass(frozen=True, slots=True)
class Taken:
    """What is kept of one file: responses (channel, sample), harmonics (harmonic, channel, sample).

    ``latency_samples`` and ``drift`` (of the recorder's clock, relative) are ``None`` where nothing tells them.
    """

    responses: Floats
    reference: Floats | None = None
    harmonics: Floats | None = None
    latency_samples: int | None = None
    drift: float | None = None
    clipped: bool = False
    silent_reference: bool = False


class ImpulseTaker:
    """For files that hold impulse responses."""

    def __init__(self, model: ImpulseResponsesModel) -> None:
        self._model = model
        self._samples = model.samples
        self.start_s = model.start_s
        self.notices: tuple[str, ...] = ()

    def take(self, recording: Recording) -> Taken:
        """The responses of a file, as long as those of the first. Raises ``WavFault``."""
        found = recording.values.shape[1]
        if self._samples is None:
            self._samples = found
        if found < self._samples or (self._model.samples is None and found != self._samples):
            required = f"{self._samples} samples" + ("" if self._model.samples is None else " or more")
            raise WavFault(f"{found} samples", required, "set recording.samples to the shortest, or record anew")
        channels = [recording.channel(number)[: self._samples] for number in self._model.microphone_channels]
        return Taken(np.stack(channels) * self._model.per_full_scale)


class SweepTaker:
    """For files that hold records of a stimulus.

    With a reference channel, time zero is the peak of the reference response, each record's own, in whole samples;
    what is left of delay and gain of the chain is in the reference response, cut at the same sample.
    """

    def __init__(self, model: SweepsModel, folder: Path) -> None:
        self._model = model
        played = _stimulus(folder, model.stimulus)
        self.sampling_rate_hz = played.sampling_rate_hz
        stimulus = played.channel(0)
        first, self._end = sounding(stimulus)
        if self._end - first < 2:
            fault = WavFault("silence", "a stimulus in channel 0", "name the file that was played")
            raise SessionError(str(folder / model.stimulus), [fault.problem("the file")])
        self.sweep = _sweep_of(model, stimulus, self.sampling_rate_hz)
        band_hz = stimulus_band(stimulus, self.sampling_rate_hz)
        if self.sweep is not None:
            band_hz = (self.sweep.start_hz, min(self.sweep.end_hz, 0.5 * self.sampling_rate_hz))
        self._deconvolver = Deconvolver(stimulus, self.sampling_rate_hz, band_hz)
        self._gain = model.recorded_per_full_scale / model.played_per_full_scale
        self.start_s = -model.lead_samples / self.sampling_rate_hz
        self.notices = self._told(band_hz)
        self._require_room_for_harmonics()

    @property
    def harmonic_orders(self) -> tuple[int, ...]:
        """Orders of the harmonics that are kept."""
        return tuple(range(2, self._model.harmonics + 1))

    def harmonic_start_s(self, order: int) -> float:
        """Time of the first kept sample after the moment that a harmonic's response counts from."""
        return (self._harmonic_first(order) + self._lead_in_samples(order)) / self.sampling_rate_hz

    def take(self, recording: Recording) -> Taken:
        """Deconvolve and cut. Raises ``WavFault``."""
        model = self._model
        periods = [self._deconvolver.response(recording.channel(number)) for number in model.microphone_channels]
        reference = None
        if model.reference_channel is not None:
            reference = self._deconvolver.response(recording.channel(model.reference_channel))
        latency, silent = self._latency(reference)
        self._require_length(recording.values.shape[1], latency)
        lead, after = model.lead_samples, model.samples
        responses = np.stack([cut(period, latency - lead, lead + after) for period in periods])
        fade = int(_FADED_LEAD * lead)
        responses[:, :fade] *= _rise(fade)
        harmonics = [[self._harmonic(period, order, latency) for period in periods] for order in self.harmonic_orders]
        kept = None if reference is None else self._short_reference(reference, latency)
        return Taken(
            self._gain * responses,
            kept,
            self._gain * np.array(harmonics) if harmonics else None,
            latency if model.reference_channel is not None else None,
            clock_drift(kept, self.sampling_rate_hz, self.sweep)
            if kept is not None and self.sweep and not silent
            else None,
            any(is_clipped(recording.channel(number)) for number in model.microphone_channels),
            silent,
        )

    def _latency(self, reference: Floats | None) -> tuple[int, bool]:
        """Delay of the chain in whole samples, and whether the reference holds no stimulus at all."""
        stated = self._model.latency_samples
        if reference is None:
            return stated or 0, False
        # what comes before the stimulus stands in the second half of the period
        later = np.abs(reference[: len(reference) // 2])
        silent = not (np.isfinite(later).all() and later.max() > _CREST * np.sqrt(np.mean(np.square(later))))
        if stated is None:
            return (0 if silent else int(np.argmax(later))), silent
        return stated, silent

    def _require_length(self, recorded: int, latency: int) -> None:
        needed = latency + max(self._end, self._model.samples)
        if recorded < needed:
            raise WavFault(
                f"{recorded} samples",
                f"{needed}, to hold the whole stimulus and the response",
                "record until after the stimulus has ended, or lower recording.samples",
            )

    def _short_reference(self, reference: Floats, latency: int) -> Floats:
        """Faded at both ends as harmonics are, around its peak."""
        return _faded(cut(reference, latency - _REFERENCE_LEAD, REFERENCE_SAMPLES), _REFERENCE_LEAD)

    def _harmonic(self, period: Floats, order: int, latency: int) -> Floats:
        """One harmonic's response, faded in over its lead and out over its last quarter: neighbours never end."""
        values = cut(period, latency + self._harmonic_first(order), self._model.harmonic_samples)
        return _faded(values, self._harmonic_lead())

    def _harmonic_first(self, order: int) -> int:
        return int(np.floor(-self._lead_in_samples(order))) - self._harmonic_lead()

    def _harmonic_lead(self) -> int:
        return min(self._model.lead_samples, self._model.harmonic_samples // 4)

    def _lead_in_samples(self, order: int) -> float:
        assert self.sweep is not None
        return self.sweep.lead_s(order) * self.sampling_rate_hz

    def _require_room_for_harmonics(self) -> None:
        highest = self._model.harmonics
        if highest == 1:
            return
        if self.sweep is None:
            raise UsageError("recording.harmonics: only an exponential sweep tells harmonics apart; set it to 1")
        room = int(self._lead_in_samples(highest) - self._lead_in_samples(highest - 1))
        if room < self._model.harmonic_samples:
            raise UsageError(
                f"recording.harmonic_samples: harmonic {highest} begins {room} samples before the next lower one; "
                f"take at most {room} samples, fewer harmonics, or a longer sweep"
            )

    def _told(self, band_hz: tuple[float, float]) -> tuple[str, ...]:
        kind = "no exponential sweep" if self.sweep is None else "an exponential sweep"
        notices = [f"the stimulus is {kind}, {band_hz[0]:.4g} Hz to {band_hz[1]:.5g} Hz"]
        if band_hz[0] > 0.51 * _LOWEST_WANTED_HZ:
            notices.append(
                f"levels below {2.0 * band_hz[0]:.3g} Hz carry the lower edge of the stimulus, up to a decibel; let "
                "the stimulus begin an octave below what is wanted"
            )
        return tuple(notices)


def _stimulus(folder: Path, name: str) -> Recording:
    place = folder / name
    if Path(name).is_absolute() or not place.resolve().is_relative_to(folder.resolve()):
        raise UsageError(f"recording.stimulus: {name!r} is not within {folder}; put the stimulus there")
    if not place.is_file():
        raise UsageError(f"recording.stimulus: {place} is not there; name the file that was played")
    try:
        return read_wav(place)
    except WavFault as fault:
        raise SessionError(str(place), [fault.problem("the file")]) from fault


def _sweep_of(model: SweepsModel, stimulus: Floats, sampling_rate_hz: float) -> Sweep | None:
    if model.sweep == "recognise":
        return recognise_sweep(stimulus, sampling_rate_hz)
    stated = model.sweep
    return Sweep(stated.start_hz, stated.end_hz, stated.duration_s / float(np.log(stated.end_hz / stated.start_hz)))


def _faded(values: Floats, lead: int) -> Floats:
    """Faded in over the lead, out over the last quarter."""
    tail = len(values) // 4
    values[:lead] *= _rise(lead)
    values[-tail:] *= _rise(tail)[::-1]
    return values


def _rise(samples: int) -> Floats:
    """From 0 to 1, half a period of a cosine."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * (np.arange(samples) + 0.5) / samples))
