"""The air that a simulated scene is filled with."""

from __future__ import annotations

from dataclasses import dataclass

ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True, slots=True)
class Medium:
    """Still, lossless air: sound speed in m/s and density in kg/m3 (defaults: 20 degrees Celsius)."""

    sound_speed_m_per_s: float = 343.2
    density_kg_per_m3: float = 1.204


def medium_at(temperature_c: float) -> Medium:
    """Air at a temperature and 101 325 Pa.

    Sound speed 343.2 sqrt(T / 293.15) m/s (ISO 9613-1:1993, A.5); density 1.204 kg/m3 at 20 degrees
    Celsius (common practice), inversely proportional to absolute temperature.
    """
    warmth = (temperature_c + ZERO_CELSIUS_K) / 293.15
    return Medium(343.2 * warmth**0.5, 1.204 / warmth)
