"""Where gated sound is over before its gate closes: what comes later is noise alone.

A response that is over sooner is smoother over frequency; to end the gate with it is to use just that. High notes die
soonest. A shorter gate cuts off noise and, if it is too short, sound; how much sound, the change that it makes tells,
less the noise that is known to be in that change. Summed over the points, that is far below the noise of any of them.
Where the change holds clearly less than that noise, it is none that fills a gate: repeats of records also differ by
what comes and goes with the sound (gain, place), and nothing is gained by cutting that off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fieldproc.condition.gate import AHEAD_S, SHORTEST_S, GateTimes, gate_window
from fieldproc.condition.noise import third_octaves
from fieldproc.condition.repeats import mean_of_groups
from fieldproc.conventions import Complexes, Floats, Integers

# Sound that is cut off is the same in many points, noise is not: it counts as this many times its power of noise.
_SOUND_RE_NOISE = 4.0
# Share of the noise that must be found in what a shorter gate cuts off.
_LEAST_FOUND = 0.5
# Gates tried: each so many times as long as the last.
_STEP, _MOST = 0.7, 6


@dataclass(frozen=True, slots=True)
class Sooner:
    """Pressures of the best gate at every frequency, their noise, (frequency, channel, group), and what to tell."""

    pressure_pa: Complexes
    noise_pa: Floats
    told: tuple[str, ...]


def end_with_the_sound(
    times: GateTimes,
    heard: Callable[[GateTimes], Complexes],
    sample_noise: Floats,
    rate_hz: float,
    frequency_hz: Floats,
    group: Integers,
) -> Sooner:
    """The best of gates that end sooner and sooner.

    ``heard`` gives the pressures (frequency, channel, group) of a gate, ``sample_noise`` is the noise power of the
    same shape that a sample brings to them.
    """
    gates = [times]
    while len(gates) < _MOST and np.min(gates[-1].length_s) * _STEP >= SHORTEST_S:
        gates.append(gates[-1].shortened(_STEP))
    step_s = 1.0 / rate_hz
    # counted from the direct sound: records of one place may be late by different times
    at_s = np.arange(-AHEAD_S, times.length_s.max() + step_s, step_s)
    windows = [
        mean_of_groups(gate_window(GateTimes(0.0 * gate.direct_s, gate.length_s, ""), at_s).T, group).T
        for gate in gates
    ]
    spectra = [heard(gate) for gate in gates]
    best = best_gates(spectra, windows, sample_noise, frequency_hz)
    rows = np.arange(len(frequency_hz))
    power = np.array([np.sum(window**2, axis=1) for window in windows])
    noise_pa = np.sqrt(sample_noise * power[best][:, None])
    told: tuple[str, ...] = ()
    if best.any():
        first, length_s = int(np.argmax(best > 0)), np.median(gates[int(best.max())].length_s)
        told = (
            f"the gate ends sooner from {frequency_hz[first]:.0f} Hz up, {1e3 * length_s:.1f} ms after the direct "
            "sound at last: what comes later there is noise",
        )
    return Sooner(np.array(spectra)[best, rows], noise_pa, told)


def best_gates(
    spectra: Sequence[Complexes], windows: Sequence[Floats], sample_noise: Floats, frequency_hz: Floats
) -> Integers:
    """Which gate is best at every frequency, (frequency,), of some that are shorter and shorter.

    ``spectra`` (frequency, channel, point) and ``windows`` (point, sample) of each gate, the longest first;
    ``sample_noise`` (frequency, channel, point) is the noise power that a sample brings to a spectrum. Lower
    frequencies get no shorter gate than higher ones; rows of nan decide nothing.
    """
    # channels by their own power: a loud one must not decide for the others
    power = np.nan_to_num(np.sum(np.abs(spectra[0]) ** 2, axis=2))
    decides = (power > 0) & np.isfinite(np.sum(sample_noise, axis=2))

    def of_points(powers: Floats) -> Floats:
        return np.where(decides, np.sum(powers, axis=2), 0.0)

    risks, doubted = [], np.zeros(power.shape, dtype=np.bool_)
    for spectrum, window in zip(spectra, windows, strict=True):
        change = third_octaves(of_points(np.abs(spectra[0] - spectrum) ** 2), frequency_hz)
        cut_noise = of_points(sample_noise * np.sum((windows[0] - window) ** 2, axis=1))
        expected = third_octaves(cut_noise, frequency_hz)
        left = of_points(sample_noise * np.sum(window**2, axis=1))
        # shorter ones would have to find it in sound
        doubted |= change < _LEAST_FOUND * expected
        risk = np.where(doubted, np.inf, _SOUND_RE_NOISE * np.maximum(change - expected, 0.0) + left)
        risks.append(np.where(decides, risk, 0.0) / np.where(decides, power, 1.0))
    decided = decides.any(axis=1)
    best = np.where(decided, np.argmin(np.sum(risks, axis=2), axis=0), len(spectra) - 1)
    best = np.minimum.accumulate(best[::-1])[::-1]
    # above all that holds something, too
    return np.asarray(np.minimum(best, best[decided].max(initial=0)))
