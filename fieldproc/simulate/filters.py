"""Analog filters evaluated at real frequencies: the drive of simulated loudspeakers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Complexes, Floats

# Numerator and denominator in s / omega_0, highest power first, and the frequency that omega_0 stands for.
Section = tuple[tuple[float, ...], tuple[float, ...], float]


@dataclass(frozen=True, slots=True)
class AnalogFilter:
    """A cascade of rational sections; without sections, the response 1."""

    sections: tuple[Section, ...] = ()

    def __call__(self, frequency_hz: Floats) -> Complexes:
        """Response at frequencies of shape (F,), time sense exp(+i omega t)."""
        response = np.ones(np.shape(frequency_hz), dtype=np.complex128)
        for numerator, denominator, corner_hz in self.sections:
            s = 1j * np.asarray(frequency_hz) / corner_hz
            response *= np.polyval(numerator, s) / np.polyval(denominator, s)
        return response

    def __add__(self, other: AnalogFilter) -> AnalogFilter:
        """Both filters, one after the other."""
        return AnalogFilter(self.sections + other.sections)


def high_pass(corner_hz: float, quality: float) -> AnalogFilter:
    """Second-order high-pass."""
    return AnalogFilter((((1.0, 0.0, 0.0), (1.0, 1.0 / quality, 1.0), corner_hz),))


def low_pass(corner_hz: float, quality: float) -> AnalogFilter:
    """Second-order low-pass."""
    return AnalogFilter((((1.0,), (1.0, 1.0 / quality, 1.0), corner_hz),))


def resonance(center_hz: float, quality: float, gain_db: float) -> AnalogFilter:
    """Second-order peak of ``gain_db`` at the centre and 0 dB far from it; ``quality`` is that of the poles."""
    peak = 10.0 ** (gain_db / 20.0)
    return AnalogFilter((((1.0, peak / quality, 1.0), (1.0, 1.0 / quality, 1.0), center_hz),))


def peaking(center_hz: float, quality: float, gain_db: float) -> AnalogFilter:
    """Second-order peak of ``gain_db`` as the Audio EQ Cookbook (W3C, 2021) defines it: minimum phase, 0 dB far away.

    ``quality`` is the cookbook's: that of the poles is A times it, A = 10^(gain/40), so that boost and cut cancel.
    """
    root = 10.0 ** (gain_db / 40.0)
    return AnalogFilter((((1.0, root / quality, 1.0), (1.0, 1.0 / (root * quality), 1.0), center_hz),))
