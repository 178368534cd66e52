"""Responses recorded in air of different temperatures, as they would be in one air.

Between walls that stay where they are, the field of a steady sound depends on the wavenumber alone. So the spectrum
of a point whose air carried sound faster by a factor s is read at a frequency higher by s: that undoes the change on
every path, direct and by the walls, not only within the scan, and leaves rings their common wavenumber. Time counts
from when the loudspeaker began to sound, for what happens in cables keeps its pace. The loudspeaker's own response is
read at the other frequency too: of a resonance of quality Q the phase turns by up to 2 Q (s - 1), 0.02 for Q = 6 and
a kelvin. And warm air is thin, density falling with the square of the sound speed: the same motion of a membrane
makes less pressure in it, 0.03 dB a kelvin, which is made up for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc.condition.spectra import spectra_at
from fieldproc.conventions import Complexes, Floats, Integers

# Speeds this near to each other, relatively, count as one: a ten-metre path then is wrong by 0.02 mm.
_STEP = 4e-6


@dataclass(frozen=True, slots=True)
class Pace:
    """Groups of records (indices) with their sound speed re that of the scan, and when the sound began (record,).

    ``sound_speed_m_per_s`` (record,) is the same for all: that of the air they are brought to.
    """

    groups: tuple[tuple[Integers, float], ...]
    emission_s: Floats
    sound_speed_m_per_s: Floats

    @classmethod
    def of(cls, sound_speed_m_per_s: Floats, emission_s: Floats) -> Pace:
        """Of the speeds at the records; their mean is that of the scan."""
        relative = np.round((sound_speed_m_per_s / sound_speed_m_per_s.mean() - 1.0) / _STEP)
        steps = np.unique(relative)
        groups = tuple((np.flatnonzero(relative == step), 1.0 + _STEP * float(step)) for step in steps)
        alike = np.ptp(sound_speed_m_per_s) == 0
        mean = sound_speed_m_per_s[0] if alike else sound_speed_m_per_s.mean()
        return cls(groups, emission_s, np.full(len(sound_speed_m_per_s), mean))

    def spectra(
        self,
        samples: NDArray[np.floating[Any]],
        sampling_rate_hz: float,
        start_s: float,
        frequency_hz: Floats,
        weights: Floats | float = 1.0,
    ) -> Complexes:
        """As :func:`~fieldproc.condition.spectra.spectra_at`, each record at the frequencies of its air."""
        if len(self.groups) == 1:
            return spectra_at(samples, sampling_rate_hz, start_s, frequency_hz, weights)
        spectra = np.empty((len(frequency_hz), len(samples)), dtype=np.complex128)
        for records, faster in self.groups:
            turn = np.exp(2j * np.pi * (faster - 1.0) * np.outer(frequency_hz, self.emission_s[records]))
            own = spectra_at(samples[records], sampling_rate_hz, start_s, faster * frequency_hz, weights)
            spectra[:, records] = faster**2 * turn * own
        return spectra
