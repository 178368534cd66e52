"""Settings of the findings: what counts as a departure, and what a loudspeaker is to be used with."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StrictBool, field_validator

from fieldproc.settings.closed import Band, ClosedModel, rising

Metres = Annotated[float, Field(gt=0)]
# Pairs (frequency in Hz, modulus in ohm), frequencies rising.
ImpedanceCurve = Annotated[
    tuple[tuple[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0)]], ...], Field(min_length=2)
]


class FindingsSettings(ClosedModel):
    """Trend and departures."""

    enabled: StrictBool = True
    # Trends are straight lines over log frequency in this band.
    trend_band_hz: Band = (100.0, 10000.0)
    # Departures are looked for here, but not below the low-frequency limit.
    departure_band_hz: Band = (100.0, 16000.0)
    # Smaller ones are not told, however sure they are.
    least_departure_db: Annotated[float, Field(gt=0)] = 0.7

    @field_validator("trend_band_hz", "departure_band_hz")
    @classmethod
    def _rising(cls, value: Band) -> Band:
        return rising(value)


class EqualizerSettings(ClosedModel):
    """What an equaliser may do; the defaults are common practice."""

    # "trend": each curve towards its own line; "flat": the listening window level, the in-room estimate keeping the
    # slope it then has; or the slope of the in-room estimate in dB per octave.
    target: Literal["trend", "flat"] | float = "trend"
    sampling_rate_hz: Annotated[float, Field(gt=0)] = 48000.0
    band_hz: Band = (40.0, 16000.0)
    most_sections: Annotated[int, Field(ge=1, le=20)] = 8
    most_boost_db: Annotated[float, Field(ge=0, le=12)] = 3.0
    most_cut_db: Annotated[float, Field(ge=0, le=24)] = 10.0
    # Below and above 500 Hz, where the ear is more particular.
    largest_q_below: Annotated[float, Field(gt=0, le=40)] = 10.0
    largest_q_above: Annotated[float, Field(gt=0, le=40)] = 6.0

    @field_validator("band_hz")
    @classmethod
    def _rising(cls, value: Band) -> Band:
        return rising(value)


class SeatSettings(ClosedModel):
    """Where somebody listens: straight ahead of a loudspeaker that is not turned, so far away and so high."""

    distance_m: Metres = 2.6
    # Of the ears above the axis origin.
    height_m: float = 0.0
    # How far the sound may depart from that on axis.
    tolerance_db: Annotated[float, Field(gt=0)] = 1.0
    # What a room adds to the level of the direct sound: 0 is free field, 3 common practice for a living room.
    room_allowance_db: float = 0.0
    wanted_level_db: Literal["none"] | float = "none"


class PlacementSettings(ClosedModel):
    """Boundaries near the loudspeaker, from its axis origin; and where a subwoofer takes over."""

    front_wall_m: Literal["none"] | Metres = "none"
    side_wall_m: Literal["none"] | Metres = "none"
    side: Literal["left", "right"] = "left"
    floor_m: Literal["none"] | Metres = "none"
    hand_over_hz: Annotated[float, Field(gt=0)] = 80.0


class AmplifierSettings(ClosedModel):
    """What drives the loudspeaker."""

    power_w: Literal["none"] | Annotated[float, Field(gt=0)] = "none"
    # By default that of the session.
    rated_impedance_ohm: Literal["session"] | Annotated[float, Field(gt=0)] = "session"
    impedance_curve: Literal["none"] | ImpedanceCurve = "none"
