"""A time gate that closes before the first reflection reaches the microphone.

What arrives before any wall can answer is the loudspeaker's alone: no room, and nothing the cabinet made of the room.
The gate opens ahead of the direct sound and closes, smoothly, where the first reflection may begin. That place comes
from the session (a delay, or distances of the walls, from which the shortest way by any wall to any part of the
cabinet follows), or else from the responses themselves, where energy rises again after the direct sound.

A gate of length L knows nothing below about 1/L; how far above it starts to be right, only a comparison with
ungated spectra tells (``expand/seam.py``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.condition.pace import Pace
from fieldproc.conventions import Complexes, Floats, Integers, mirrored, output_axes
from fieldproc.records import ImpulseResponses, Session

# The direct sound begins where a response first exceeds this share of its largest sample, and so many times its
# noise: the rms of its quietest part, one of so many.
_ONSET, _OVER_NOISE, _PARTS = 0.05, 6.0, 16
# Share of the points whose direct sound may come before the latency that is assumed: they are outliers.
_EARLY = 0.05
# The gate is open this long before the earliest direct sound, and opens over half of that.
AHEAD_S = 1e-3
# What the onset is found late by, and half the width of a reflection's own rise.
_MARGIN_S = 1e-4
# Share of the open time over which the gate closes: a longer end leaves less of the tail's spectrum beyond its own,
# a shorter one keeps more of the tail.
_CLOSING = 0.6
# Length of the gate that the gate is compared with.
_SHORTER = 0.7
# Gates shorter than this hold no octave that a scan can use.
SHORTEST_S = 5e-4
# Search in the data: how long after the direct sound, smoothing of the energy, the rise that counts as a reflection,
# and how far below the direct sound it may be.
_SEARCH_S, _SMOOTH_S, _RISE, _FAINTEST = 20e-3, 5e-4, 6.0, 1e-4
# Share of the points that must show a rise, and the share of the rises that may be earlier than the gate's end.
_FOUND, _EARLIEST = 0.2, 0.02
# Where noise hides reflections this strong re the direct sound, it may hide the first one; and at how many points.
_STRONG, _HIDDEN = 1e-3, 0.1


@dataclass(frozen=True, slots=True)
class GateTimes:
    """When the gate of every point opens, is open, and has closed, (point,) in seconds; and where that comes from."""

    direct_s: Floats
    end_s: Floats
    told: str

    def shortened(self, share: float = _SHORTER) -> GateTimes:
        """A gate that ends earlier: what it changes tells how much of the sound outlasts a gate."""
        return GateTimes(self.direct_s, self.direct_s + share * self.length_s, self.told)

    @property
    def length_s(self) -> Floats:
        """From the direct sound to the end."""
        return self.end_s - self.direct_s


def gate_times(
    session: Session, sound_speed_m_per_s: Floats, kept: Integers, late_s: Floats | float = 0.0
) -> GateTimes | str:
    """Times of the points ``kept`` (indices), or why there are none; ``late_s`` (kept,) is what records come late by.

    ``sound_speed_m_per_s`` (point of the file,).
    """
    response, speed = session.response, sound_speed_m_per_s[kept]
    if not isinstance(response, ImpulseResponses):
        return "transfer functions cannot be gated"
    positions_m = session.positions_m[kept]
    onset_s = _onsets(response, kept)
    if np.mean(np.isfinite(onset_s)) < _FOUND:
        return "the direct sound does not stand out of the noise"
    least_way_s = _distance_to_source(session, positions_m) / speed
    latency_s = float(np.quantile(onset_s - least_way_s - late_s, _EARLY)) - _MARGIN_S + late_s
    direct_s = latency_s + least_way_s
    room = session.room
    if room.first_reflection_s is not None:
        after_s = np.broadcast_to(room.first_reflection_s, (len(session.positions_m),))[kept]
        if not np.isfinite(after_s).any():
            return "the session states that there are no reflections"
        end_s, told = direct_s + after_s, "as the session states it"
    elif room.reflector_distances_m is not None:
        if not np.isfinite(room.reflector_distances_m).any():
            return "the session states that there are no walls"
        axis = session.axis
        axes = output_axes(axis.direction, axis.up)
        mirrored_m = mirrored(positions_m, axis.origin_m, axes, room.reflector_distances_m)
        end_s = latency_s + np.min([_distance_to_source(session, one) for one in mirrored_m], axis=0) / speed
        told = "by the stated distances of the walls"
    else:
        found = _found_in_data(response, kept, direct_s)
        if isinstance(found, str):
            return found
        end_s, told = direct_s + found[0], found[1]
    # a reflection after the record's end, or none at some point: the gate ends with the record
    end_s = np.minimum(end_s, response.start_s + response.values.shape[2] / response.sampling_rate_hz)
    shortest_s = float(np.min(end_s - direct_s))
    if shortest_s < SHORTEST_S:
        return f"the first reflection comes {1e3 * shortest_s:.2f} ms after the direct sound, too soon for a gate"
    longest_s = float(np.max(end_s - direct_s))
    told = f"first reflection {1e3 * shortest_s:.2f} to {1e3 * longest_s:.2f} ms after the direct sound, {told}"
    return GateTimes(direct_s, end_s, told)


def emission_s(
    session: Session,
    response: ImpulseResponses,
    sound_speed_m_per_s: Floats,
    kept: Integers,
    late_s: Floats | float = 0.0,
) -> Floats:
    """When the loudspeaker as a whole sounds, on the clock of every record (kept,), within a few tenths of a ms.

    ``late_s`` as for :func:`gate_times`. By the peaks, not the onsets: what filters and cables delay keeps its pace
    too.
    """
    middle_m = session.axis.origin_m if session.cabinet is None else session.cabinet.center_m
    way_s = np.linalg.norm(session.positions_m[kept] - middle_m, axis=1) / sound_speed_m_per_s[kept]
    peak_s = response.start_s + np.array([_peaks(one[kept]) for one in response.values]) / response.sampling_rate_hz
    return np.asarray(np.full(len(kept), np.median(peak_s - way_s - late_s)) + late_s)


def _peaks(values: NDArray[np.floating[Any]]) -> Floats:
    """Places of the largest samples of records (record, sample), between samples by a parabola, (record,)."""
    size = np.abs(values).astype(np.float64)
    at = np.clip(size.argmax(axis=1), 1, size.shape[1] - 2)
    before, top, after = (np.take_along_axis(size, at[:, None] + step, axis=1)[:, 0] for step in (-1, 0, 1))
    bend = before - 2.0 * top + after
    return np.asarray(at + 0.5 * (before - after) / np.where(bend < 0.0, bend, -np.inf))


def gate_window(times: GateTimes, time_s: Floats) -> Floats:
    """Weights of samples at times (sample,), (point, sample): 0 before and after, 1 from the direct sound on."""
    opening = (time_s - (times.direct_s[:, None] - AHEAD_S)) / (0.5 * AHEAD_S)
    closing = (times.end_s[:, None] - time_s) / (_CLOSING * times.length_s[:, None])
    return np.asarray(_raised(opening) * _raised(closing))


def gated_spectra(
    response: ImpulseResponses, kept: Integers, times: GateTimes, frequency_hz: Floats, pace: Pace
) -> Complexes:
    """Spectra of the gated responses, (frequency, channel, point), in the unit of the file."""
    rate = response.sampling_rate_hz
    first = max(0, int(np.floor((times.direct_s.min() - AHEAD_S - response.start_s) * rate)))
    last = min(response.values.shape[2], int(np.ceil((times.end_s.max() - response.start_s) * rate)) + 1)
    start_s = response.start_s + first / rate
    window = gate_window(times, start_s + np.arange(last - first) / rate)
    spectra = [pace.spectra(one[kept, first:last] * window, rate, start_s, frequency_hz) for one in response.values]
    return np.stack(spectra, axis=1)


def _raised(ramp: Floats) -> Floats:
    """A smooth step from 0 to 1 while ``ramp`` does so."""
    return np.asarray(np.sin(0.5 * np.pi * np.clip(ramp, 0.0, 1.0)) ** 2)


def _onsets(response: ImpulseResponses, kept: Integers) -> Floats:
    """When the direct sound begins at every point, the earliest of the channels; inf where noise hides it."""
    first = np.full(len(kept), np.inf)
    for one in response.values:
        # squared below, which single precision might not hold
        size = np.abs(one[kept]).astype(np.float64)
        least = np.maximum(_ONSET * size.max(axis=1), _OVER_NOISE * np.sqrt(_quietest(size**2)))[:, None]
        begun = (size >= least) & (size > 0)
        first = np.minimum(first, np.where(begun.any(axis=1), np.argmax(begun, axis=1), np.inf))
    return np.asarray(response.start_s + first / response.sampling_rate_hz)


def _quietest(energy: Floats) -> Floats:
    """Mean of the quietest part of each row, energies (..., sample)."""
    edges = np.linspace(0, energy.shape[-1], min(_PARTS, energy.shape[-1]) + 1).astype(np.int64)
    return np.asarray(np.min(np.add.reduceat(energy, edges[:-1], axis=-1) / np.diff(edges), axis=-1))


def _distance_to_source(session: Session, positions_m: Floats) -> Floats:
    """From positions (point, 3) to the nearest part of the cabinet; to the axis origin, where none is stated."""
    if session.cabinet is None:
        return np.asarray(np.linalg.norm(positions_m - session.axis.origin_m, axis=1))
    beside_m = np.abs(positions_m - session.cabinet.center_m) - 0.5 * session.cabinet.size_m
    return np.asarray(np.linalg.norm(np.maximum(beside_m, 0.0), axis=1))


def _found_in_data(response: ImpulseResponses, kept: Integers, direct_s: Floats) -> tuple[float, str] | str:
    """Delay of the first reflection after the direct sound, the same for all points, and the evidence for it."""
    rate = response.sampling_rate_hz
    begin = np.round((direct_s - response.start_s) * rate).astype(np.int64)
    span, smooth = int(_SEARCH_S * rate), max(1, int(_SMOOTH_S * rate))
    rises, hidden = [], 0
    for one in response.values:
        for point, at in zip(kept, begin, strict=True):
            # the second difference favours what is sharp in time over slow tails
            whole = np.diff(one[point].astype(np.float64), 2) ** 2
            energy = whole[max(at, 0) : max(at + span + smooth, 0)]
            smoothed = np.convolve(energy, np.full(smooth, 1.0 / smooth), mode="valid")
            if len(smoothed) < 2:
                continue
            peak = int(np.argmax(smoothed[: max(1, len(smoothed) // 4)]))
            after = smoothed[peak:]
            noise = float(_quietest(whole))
            hidden += _RISE * noise > _STRONG * after[0]
            risen = (after > _RISE * np.maximum(np.minimum.accumulate(after), noise)) & (after > _FAINTEST * after[0])
            if risen.any():
                # the boxcar sees a reflection as soon as it touches its end
                rises.append((peak + int(np.argmax(risen)) + smooth / 2) / rate)
    count = len(kept) * len(response.values)
    if hidden > _HIDDEN * count:
        return "noise may hide the first reflection in the responses"
    if len(rises) < _FOUND * count:
        return "no reflection was found in the responses"
    delay_s = max(float(np.quantile(rises, _EARLIEST)) - _SMOOTH_S - _MARGIN_S, 0.0)
    return delay_s, f"found in the responses: at {100 * len(rises) / count:.0f} % of the points energy rises again"
