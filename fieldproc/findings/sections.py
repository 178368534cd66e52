"""Second-order sections of an equaliser, as the Audio EQ Cookbook defines them.

Source: W3C, Audio EQ Cookbook, Working Group Note, 8 June 2021. A section is an analogue prototype H(s), s in units
of its own frequency, and the bilinear transform with that frequency kept in place: on the unit circle its response is
the prototype's at s = i tan(pi f / fs) / tan(pi f0 / fs). That is where responses are taken from: the polynomials in
z lose digits where f is far below fs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from fieldproc.conventions import Complexes, Floats
from fieldproc.errors import UsageError

Kind = Literal["peaking", "low shelf", "high shelf"]
KINDS: tuple[Kind, ...] = ("peaking", "low shelf", "high shelf")
# The steepest shelf without overshoot, the cookbook's slope S = 1 at any gain.
SHELF_Q = float(np.sqrt(0.5))

# Numbers, or arrays that broadcast.
Number = float | Floats


@dataclass(frozen=True, slots=True)
class Section:
    """One peaking or shelving section.

    ``q`` is the cookbook's: the poles of a peaking section have the classic quality factor A Q, A = 10^(gain/40), and
    its zeros Q / A, so that boost and cut of equal Q undo each other. A shelf has half its gain, in dB, at
    ``frequency_hz``.
    """

    kind: Kind
    frequency_hz: float
    gain_db: float
    q: float

    def coefficients(self, sampling_rate_hz: float) -> tuple[float, float, float, float, float]:
        """b0, b1, b2, a1, a2 of (b0 + b1/z + b2/z^2) / (1 + a1/z + a2/z^2); ``UsageError`` for too low a rate."""
        # s = (1 - 1/z) / (1 + 1/z) / tan(pi f0 / fs)
        per_unit = 1.0 / float(_stretched(self.frequency_hz, sampling_rate_hz))
        (b0, b1, b2), (a0, a1, a2) = (
            (
                square * per_unit**2 + linear * per_unit + constant,
                2.0 * (constant - square * per_unit**2),
                square * per_unit**2 - linear * per_unit + constant,
            )
            for square, linear, constant in _prototype(self.kind, self.gain_db, self.q)
        )
        return float(b0 / a0), float(b1 / a0), float(b2 / a0), float(a1 / a0), float(a2 / a0)


def response(sections: Sequence[Section], frequency_hz: Floats, sampling_rate_hz: float | None = None) -> Complexes:
    """Of all sections, one after the other, at frequencies (any shape); without a rate, that of the prototypes.

    ``UsageError`` for frequencies that the sampling rate cannot carry.
    """
    product = np.ones(np.shape(frequency_hz), dtype=np.complex128)
    for one in sections:
        product *= section_response(one.kind, one.frequency_hz, one.gain_db, one.q, frequency_hz, sampling_rate_hz)
    return product


def section_response(
    kind: Kind, corner_hz: Number, gain_db: Number, q: Number, frequency_hz: Floats, sampling_rate_hz: float | None
) -> Complexes:
    """:func:`response` of one section, or of many: whatever broadcasts."""
    ratio = _stretched(frequency_hz, sampling_rate_hz) / _stretched(corner_hz, sampling_rate_hz)
    s = 1j * ratio
    over, under = ((square * s + linear) * s + constant for square, linear, constant in _prototype(kind, gain_db, q))
    return np.asarray(over / under)


def q_of_bandwidth(octaves: Number) -> Floats:
    """Q of a peaking section whose half-gain (in dB) frequencies, of the prototype, lie so far apart."""
    return np.asarray(0.5 / np.sinh(0.5 * np.log(2.0) * np.asarray(octaves)))


def bandwidth_octaves(q: Number) -> Floats:
    """The inverse of :func:`q_of_bandwidth`."""
    return np.asarray(2.0 / np.log(2.0) * np.arcsinh(0.5 / np.asarray(q)))


def _prototype(kind: Kind, gain_db: Number, q: Number) -> tuple[tuple[NDArray[Any] | float, ...], ...]:
    """Numerator and denominator of H(s), highest power first."""
    a = 10.0 ** (np.asarray(gain_db) / 40.0)
    if kind == "peaking":
        return (1.0, a / q, 1.0), (1.0, 1.0 / (a * q), 1.0)
    linear = np.sqrt(a) / q
    steep, plain = (a, linear, 1.0), (1.0, linear, a)
    over, under = (plain, steep) if kind == "low shelf" else (steep, plain)
    return tuple(a * power for power in over), under


def _stretched(frequency_hz: Number, sampling_rate_hz: float | None) -> Floats:
    """Frequencies as the bilinear transform stretches them, up to a factor."""
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if sampling_rate_hz is None:
        return frequency
    highest_hz = float(frequency.max())
    if highest_hz >= sampling_rate_hz / 2.0:
        raise UsageError(
            f"equaliser: found a sampling rate of {sampling_rate_hz:g} Hz for frequencies up to {highest_hz:g} Hz; "
            f"needed more than {2.0 * highest_hz:g} Hz; fix: state a higher rate, or results that end lower"
        )
    return np.asarray(np.tan(np.pi * frequency / sampling_rate_hz))
