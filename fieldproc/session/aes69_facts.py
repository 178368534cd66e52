"""What an AES69 file may say of its far field beyond the standard: global attributes, numbers as text.

``SoundSpeed``, ``AirDensity``, ``ReferenceDistance``, ``FieldDistance`` (inf: far-field pressure scaled to the
reference distance), ``DriveVoltage`` or ``DriveLevel``, ``Calibrated`` and ``PhaseKnown`` (1 or 0); and the variables
``SoundPower`` in watt and ``VerdictCode`` (measurement, frequency). Files of this package have them. In others the
same name may mean something else, so what is no such number is left alone and said in a notice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.records import Verdict
from fieldproc.session.aes69_items import Items
from fieldproc.session.schema import ANY


@dataclass
class StatedFacts:
    """Reads by name; ``notices`` gathers what was left alone."""

    items: Items
    notices: list[str] = field(default_factory=list)

    def length(self, name: str, default: float) -> float:
        """A positive number, which may be inf only where the default is."""
        return self._number(name, default, lambda value: value > 0 and (np.isfinite(value) or np.isinf(default)))

    def positive(self, name: str) -> float:
        """A positive finite number, nan if there is none."""
        return self._number(name, np.nan, lambda value: 0 < value < np.inf)

    def finite(self, name: str) -> float:
        """A finite number, nan if there is none."""
        return self._number(name, np.nan, lambda value: bool(np.isfinite(value)))

    def yes(self, name: str, default: bool) -> bool:
        """1 or 0."""
        return bool(self._number(name, float(default), lambda value: value in (0.0, 1.0)))

    def sound_power_w(self, frequencies: int, channels: int) -> Floats:
        """(frequency, channel); nan if there is none."""
        power = self.items.numbers("/SoundPower", (2,), ANY, optional=True)
        if power.shape == (channels, frequencies) and not np.any(power < 0) and not np.any(np.isinf(power)):
            return np.ascontiguousarray(power.T)
        if power.size:
            self.notices.append(f"SoundPower is not ({channels}, {frequencies}) numbers of watt: left alone")
        return np.full((frequencies, channels), np.nan)

    def verdict(self, frequencies: int, channels: int) -> Integers | None:
        """(frequency, channel); ``None`` if there is none."""
        codes = self.items.numbers("/VerdictCode", (2,), ANY, optional=True)
        if codes.shape == (channels, frequencies) and np.isin(codes, list(Verdict)).all():
            return np.ascontiguousarray(codes.T).astype(np.int64)
        if codes.size:
            self.notices.append(f"VerdictCode is not ({channels}, {frequencies}) codes of 0, 1, 2: left alone")
        return None

    def _number(self, name: str, default: float, allowed: Callable[[float], bool]) -> float:
        text = self.items.text("/", name)
        if not text:
            return default
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        if allowed(value):
            return value
        self.notices.append(f"{name} is no number of the kind that this package writes: left alone")
        return default
