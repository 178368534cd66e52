"""What a bad point looks like: the simplest thing that could be wrong with it and explains most of its error."""

from __future__ import annotations

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, amplitude_db
from fieldproc.expand.dense import WaveFit
from fieldproc.expand.panel import Panel, field_of, seen_from

NO_NUMBER = "response is missing or not finite"
# Below this part of what the others predict, a point heard nothing.
_SILENT = 0.05
# A reason with more freedom must leave this part of the misfit that a simpler one leaves, and the best of all this
# part of the error itself.
_CLEARLY, _EXPLAINED = 0.25, 0.2
_STEPS = 8
_STEP_M = 1e-4


def reasons(panel: Panel, missing: Integers) -> dict[int, str]:
    """In words, for every left-out point of a panel (index); ``missing`` are those without a number."""
    words = dict.fromkeys(missing.tolist(), NO_NUMBER)
    others = np.setdiff1d(panel.left_out, missing)
    if not len(others):
        return words
    filled = panel.filled(panel.spectra.pressure_pa)
    fits = panel.fits(filled)
    for at in others.tolist():
        words[at] = _reason(panel, fits, at, panel.spectra.pressure_pa[:, :, at], filled[:, :, at])
    return words


def _reason(panel: Panel, fits: list[WaveFit], at: int, found: Complexes, predicted: Complexes) -> str:
    """``found`` and ``predicted`` (frequency, channel) of one point."""
    # every frequency counts alike
    level = np.linalg.norm(predicted, axis=1, keepdims=True)
    found, predicted = found / level, predicted / level
    error = _energy(found - predicted)
    if _energy(found) < _SILENT**2 * _energy(predicted):
        return "silent"
    gain = float(np.sum((predicted.conj() * found).real) / _energy(predicted))
    delay_s = _delay(panel.spectra.frequency_hz, found, predicted)
    late = np.exp(-2j * np.pi * panel.spectra.frequency_hz * delay_s)[:, None]
    shift_m, there = _shift(panel, fits, at, found, level)
    size_db = float(amplitude_db(abs(gain)))
    if gain < 0:
        level_word = (
            "polarity inverted" if abs(size_db) < 1 else f"polarity inverted and level off by {size_db:+.1f} dB"
        )
    else:
        level_word = f"level too {'high' if size_db > 0 else 'low'} by {abs(size_db):.1f} dB"
    candidates = [
        (_energy(found - gain * predicted), level_word),
        (_energy(found - late * predicted), f"{'late' if delay_s > 0 else 'early'} by {abs(delay_s) * 1e6:.1f} us"),
        (_energy(found - there), f"displaced by about {np.linalg.norm(shift_m) * 1e3:.0f} mm"),
    ]
    left, best = candidates[0]
    for misfit, word in candidates[1:]:
        if misfit < _CLEARLY * left:
            left, best = misfit, word
    if left < _EXPLAINED * error:
        return best
    return f"disturbed, distorted or clipped: {float(amplitude_db(np.sqrt(error / _energy(predicted)))):.0f} dB off"


def _energy(values: Complexes) -> float:
    return float(np.sum(np.abs(values) ** 2))


def _delay(frequency_hz: Floats, found: Complexes, predicted: Complexes) -> float:
    """Delay that turns what is predicted into what was found, by Gauss-Newton steps."""
    angular, delay_s = 2.0 * np.pi * frequency_hz[:, None], 0.0
    for _ in range(_STEPS):
        now = predicted * np.exp(-1j * angular * delay_s)
        slope = -1j * angular * now
        delay_s += float(np.sum((slope.conj() * (found - now)).real) / _energy(slope))
    return delay_s


def _shift(panel: Panel, fits: list[WaveFit], at: int, found: Complexes, level: Floats) -> tuple[Floats, Complexes]:
    """Displacement (3,) that explains what was found, by Gauss-Newton steps, and what the waves are there."""
    place_m, shift_m = panel.spectra.positions_m[at] - panel.origin_m, np.zeros(3)
    probes_m = np.concatenate([np.zeros((1, 3)), _STEP_M * np.eye(3), -_STEP_M * np.eye(3)])
    for step in range(_STEPS + 1):
        there = field_of(panel, fits, seen_from(panel, place_m + shift_m + probes_m)) / level[..., None]
        if step == _STEPS:
            break
        slope = (there[..., 1:4] - there[..., 4:]).reshape(-1, 3) / (2.0 * _STEP_M)
        missed = (found - there[..., 0]).reshape(-1)
        change_m = np.linalg.lstsq(_real(slope), _real(missed), rcond=None)[0]
        # never further at once than the waves are near to straight
        shift_m += change_m * min(1.0, 0.02 / max(float(np.linalg.norm(change_m)), 1e-12))
    return shift_m, there[..., 0]


def _real(values: Complexes) -> Floats:
    return np.concatenate([values.real, values.imag])
