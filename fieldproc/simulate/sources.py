"""Known sources: what a simulated source must offer, and point sources.

Pressures are rms phasors per volt of drive; time sense exp(+i omega t), outgoing waves exp(-ikr)/r.
Closed forms only, and none of the package's wave functions, so that they can judge them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np

from fieldproc.conventions import Complexes, Floats, wavenumber
from fieldproc.simulate.arrivals import sum_of_arrivals
from fieldproc.simulate.filters import AnalogFilter
from fieldproc.simulate.medium import Medium

# A source of constant volume acceleration has its stated volume velocity at this frequency.
REFERENCE_FREQUENCY_HZ = 1000.0
# A point source is a driver too small to matter; no microphone comes nearer than this.
DRIVER_RADIUS_M = 0.03

VolumeSpectrum = Literal["constant volume acceleration", "constant volume velocity"]


class Source(Protocol):
    """A source whose field is known everywhere outside it."""

    def pressure(self, frequency_hz: Floats, positions_m: Floats, air: Medium) -> Complexes:
        """Free-field pressure in Pa/V: frequencies (F,), true positions (P, 3), result (F, P)."""
        ...

    def far_field(self, frequency_hz: Floats, directions: Floats, origin_m: Floats, air: Medium) -> Complexes:
        """Limit of r exp(ikr) p in Pa m/V about ``origin_m``: unit vectors (D, 3), result (F, D)."""
        ...

    def enclosing_sphere(self) -> tuple[Floats, float]:
        """Centre (3,) and radius in metres of a sphere that holds the source."""
        ...

    def bodies(self) -> list[tuple[Floats, float]]:
        """Spheres, centre (3,) and radius in metres, that no microphone can enter."""
        ...


@dataclass(frozen=True, slots=True)
class Monopole:
    """One point source of a cluster: place, real gain and delay of its drive."""

    position_m: tuple[float, float, float]
    gain: float = 1.0
    delay_s: float = 0.0


@dataclass(frozen=True, slots=True)
class MonopoleCluster:
    """Point sources on a common drive; a single point source is a cluster of one.

    ``volume_velocity_m3_per_s_per_v`` is the rms volume velocity Q of a monopole of gain 1, per volt. With
    "constant volume velocity" it holds at every frequency: p = i rho f Q exp(-ikr) / (2 r). With "constant
    volume acceleration" it holds at 1 kHz and falls as 1/f, which makes the pressure flat and real. ``response``
    filters the common drive.
    """

    monopoles: tuple[Monopole, ...]
    volume_velocity_m3_per_s_per_v: float
    spectrum: VolumeSpectrum = "constant volume acceleration"
    response: AnalogFilter = field(default_factory=AnalogFilter)

    def drive(self, frequency_hz: Floats, air: Medium) -> Complexes:
        """Pressure times distance of a monopole of gain 1 without delay, Pa m/V, shape (F,)."""
        at_reference = 0.5 * air.density_kg_per_m3 * self.volume_velocity_m3_per_s_per_v * REFERENCE_FREQUENCY_HZ
        if self.spectrum == "constant volume velocity":
            plain = 1j * at_reference * np.asarray(frequency_hz) / REFERENCE_FREQUENCY_HZ
        else:
            plain = np.full(np.shape(frequency_hz), at_reference, dtype=np.complex128)
        return np.asarray(plain * self.response(frequency_hz))

    def arrivals(self, positions_m: Floats, air: Medium) -> tuple[Floats, Floats]:
        """Delays in seconds and amplitudes gain / r in 1/m at positions (P, 3), each (P, monopole).

        Raises ``ValueError`` where a position coincides with a monopole.
        """
        distance = np.linalg.norm(positions_m[:, None, :] - self._places(), axis=-1)
        if not np.all(distance > 0):
            raise ValueError("a position coincides with a point source, where the pressure is infinite")
        return distance / air.sound_speed_m_per_s + self._delays(), self._gains() / distance

    def pressure(self, frequency_hz: Floats, positions_m: Floats, air: Medium) -> Complexes:
        """See :class:`Source`."""
        arrivals = sum_of_arrivals(frequency_hz, *self.arrivals(positions_m, air))
        return self.drive(frequency_hz, air)[:, None] * arrivals

    def far_field(self, frequency_hz: Floats, directions: Floats, origin_m: Floats, air: Medium) -> Complexes:
        """See :class:`Source`."""
        lead = (self._places() - origin_m) @ directions.T
        angular_delay = 2.0 * np.pi * frequency_hz[:, None] * self._delays()
        phase = wavenumber(frequency_hz, air.sound_speed_m_per_s)[:, None, None] * lead - angular_delay[..., None]
        rays = np.einsum("m,fmd->fd", self._gains(), np.exp(1j * phase))
        return np.asarray(self.drive(frequency_hz, air)[:, None] * rays)

    def enclosing_sphere(self) -> tuple[Floats, float]:
        """See :class:`Source`."""
        places = self._places()
        center = 0.5 * (places.min(axis=0) + places.max(axis=0))
        return center, float(np.linalg.norm(places - center, axis=1).max())

    def bodies(self) -> list[tuple[Floats, float]]:
        """See :class:`Source`: a small driver around every point."""
        return [(place, DRIVER_RADIUS_M) for place in self._places()]

    def _places(self) -> Floats:
        return np.array([monopole.position_m for monopole in self.monopoles])

    def _gains(self) -> Floats:
        return np.array([monopole.gain for monopole in self.monopoles])

    def _delays(self) -> Floats:
        return np.array([monopole.delay_s for monopole in self.monopoles])
