"""How loud one loudspeaker can be at the seat, and every assumption that the number rests on.

Sensitivity has two readings, which are kept apart as two types: a level at a voltage, and a level at a power into the
impedance. At 2.83 V they are the same for 8 ohm alone: 2.83 V into 4 ohm is 2 W.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import DEFAULT_DRIVE_VOLTAGE_V, Floats, amplitude_db, power_db
from fieldproc.errors import UsageError

# Common practice for one loudspeaker in a furnished room; 0 dB is free field.
USUAL_ROOM_ALLOWANCE_DB = 3.0
CAUTION = (
    "Caution: levels like these can damage hearing, the sooner the louder; keep to the local rules on exposure to "
    "sound, raise the level slowly, wear ear protection where people stay near, and leave work on mains-powered "
    "equipment to those who are qualified for it (common practice)."
)


@dataclass(frozen=True, slots=True)
class VoltageSensitivity:
    """Level in dB re 20 uPa on axis at 1 m in free field, at a voltage, whatever the impedance."""

    level_db: float
    voltage_v: float = DEFAULT_DRIVE_VOLTAGE_V

    def __post_init__(self) -> None:
        _require_positive("voltage of the sensitivity", self.voltage_v, "V")

    def gain_db(self, amplifier: Amplifier) -> float:
        """How much louder the amplifier is."""
        return float(amplitude_db(amplifier.voltage_v / self.voltage_v))

    @property
    def words(self) -> str:
        return f"{self.level_db:.4g} dB at {self.voltage_v:g} V"


@dataclass(frozen=True, slots=True)
class PowerSensitivity:
    """Level in dB re 20 uPa on axis at 1 m in free field, at a power into the impedance of the amplifier's rating."""

    level_db: float
    power_w: float = 1.0

    def __post_init__(self) -> None:
        _require_positive("power of the sensitivity", self.power_w, "W")

    def gain_db(self, amplifier: Amplifier) -> float:
        """How much louder the amplifier is."""
        return float(power_db(amplifier.power_w / self.power_w))

    @property
    def words(self) -> str:
        return f"{self.level_db:.4g} dB at {self.power_w:g} W"


Sensitivity = VoltageSensitivity | PowerSensitivity


@dataclass(frozen=True, slots=True)
class Load:
    """The impedance that an amplifier's power is meant for, in ohm, and where the number comes from."""

    impedance_ohm: float
    words: str

    @classmethod
    def rated(cls, impedance_ohm: float) -> Load:
        """A rated impedance."""
        return cls(impedance_ohm, f"a rated impedance of {impedance_ohm:g} ohm, no curve")

    @classmethod
    def of_curve(cls, frequency_hz: Floats, modulus_ohm: Floats) -> Load:
        """The lowest modulus of a curve (frequency,): there the amplifier runs out of current first."""
        at = int(np.nanargmin(modulus_ohm))
        lowest_ohm = float(modulus_ohm[at])
        return cls(
            lowest_ohm, f"the lowest impedance of the curve, {lowest_ohm:.3g} ohm at {frequency_hz[at]:.0f} Hz"
        )


@dataclass(frozen=True, slots=True)
class Amplifier:
    """Its power into a load, in watts."""

    power_w: float
    load: Load

    def __post_init__(self) -> None:
        _require_positive("amplifier power", self.power_w, "W")
        _require_positive("impedance", self.load.impedance_ohm, "ohm")

    @property
    def voltage_v(self) -> float:
        """Rms voltage at that power."""
        return float(np.sqrt(self.power_w * self.load.impedance_ohm))


@dataclass(frozen=True, slots=True)
class SeatLevel:
    """Level in dB re 20 uPa at the seat, with what it rests on in sentences.

    ``headroom_db`` is how far it lies above a wanted level, ``power_needed_w`` what that one takes (nan without one).
    """

    level_db: float
    voltage_v: float
    headroom_db: float
    power_needed_w: float
    assumptions: tuple[str, ...]
    caution: str = CAUTION


def power_w(voltage_v: float, impedance_ohm: float) -> float:
    """Power of an rms voltage into an impedance."""
    return voltage_v**2 / impedance_ohm


def level_at_seat(
    sensitivity: Sensitivity,
    amplifier: Amplifier,
    distance_m: float,
    room_allowance_db: float = 0.0,
    wanted_db: float | None = None,
) -> SeatLevel:
    """Of one loudspeaker at the amplifier's full power; ``UsageError`` for a distance that is none."""
    _require_positive("distance", distance_m, "m")
    level_db = (
        sensitivity.level_db + sensitivity.gain_db(amplifier) - float(amplitude_db(distance_m)) + room_allowance_db
    )
    headroom_db = float("nan") if wanted_db is None else level_db - wanted_db
    return SeatLevel(
        level_db=level_db,
        voltage_v=amplifier.voltage_v,
        headroom_db=headroom_db,
        power_needed_w=amplifier.power_w * 10.0 ** (-headroom_db / 10.0),
        assumptions=_assumptions(sensitivity, amplifier, distance_m, room_allowance_db),
    )


def _assumptions(
    sensitivity: Sensitivity, amplifier: Amplifier, distance_m: float, room_allowance_db: float
) -> tuple[str, ...]:
    if isinstance(sensitivity, VoltageSensitivity):
        into_w = power_w(sensitivity.voltage_v, amplifier.load.impedance_ohm)
        reading = f"a voltage: into this impedance it is {into_w:.3g} W"
    else:
        reading = "a power into the same impedance as the amplifier's"
    room = (
        "free field, no room"
        if room_allowance_db == 0.0
        else f"{room_allowance_db:+g} dB for the room, as stated; common practice is +{USUAL_ROOM_ALLOWANCE_DB:g} dB"
    )
    return (
        f"The sensitivity is {sensitivity.words}, 1 m, on axis, free field; it is {reading}.",
        f"The amplifier gives {amplifier.power_w:g} W into {amplifier.load.words}: {amplifier.voltage_v:.2f} V rms.",
        f"The level falls by 6.02 dB per doubling of the distance, from 1 m to {distance_m:g} m.",
        f"The room: {room}.",
        "One loudspeaker plays; two with signals that differ add 3 dB, with the same signal up to 6 dB.",
        "The level is that of a steady signal in the band of the sensitivity; peaks of music lie 10 to 20 dB above "
        "its mean (common practice), and need the amplifier's power first.",
        "The loudspeaker takes this power without loss of level or damage, which nothing here has tested.",
    )


def _require_positive(name: str, value: float, unit: str) -> None:
    if not (np.isfinite(value) and value > 0.0):
        raise UsageError(f"level: found {name} {value:g} {unit}; needed more than 0; fix: state it in {unit}")
