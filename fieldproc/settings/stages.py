"""Settings of the stages from the scan to the far field."""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import Field, StrictBool, field_validator, model_validator

from fieldproc.settings.closed import ClosedModel, Vector

Order = Annotated[int, Field(ge=0, le=100, strict=True)]
# An order that changes with frequency: pairs (from this frequency in Hz, order), rising.
OrderTable = tuple[tuple[Annotated[float, Field(ge=0)], Order], ...]
OrderSetting = Literal["auto"] | Order | OrderTable


class SpectraSettings(ClosedModel):
    """From impulse responses to pressures on a log frequency grid: lowest * 2^(i/per_octave)."""

    lowest_hz: Annotated[float, Field(gt=0)] = 20.0
    per_octave: Annotated[int, Field(ge=1, le=96)] = 24
    # 240 steps of 1/24 octave: 20 Hz to 19.9 kHz.
    count: Annotated[int, Field(ge=1, le=4000)] = 240
    # Take out delay and gain that the drive signal recorded with each point shows? false where the responses were
    # computed against that very recording.
    reference: Literal["auto", False] = "auto"

    @model_validator(mode="after")
    def _below_1_mhz(self) -> SpectraSettings:
        if (self.count - 1) / self.per_octave + math.log2(self.lowest_hz) > math.log2(1e6):
            raise ValueError("the highest frequency, lowest_hz * 2^((count - 1) / per_octave), is above 1 MHz")
        return self


class AxisSettings(ClosedModel):
    """Reference axis; "session" takes what the file states."""

    origin_m: Literal["session"] | Vector = "session"
    direction: Literal["session"] | Vector = "session"
    up: Literal["session"] | Vector = "session"


class SeparationSettings(ClosedModel):
    """Fit what arrives from the room beside what the loudspeaker radiates?

    "auto" separates wherever the positions can carry it, true insists (and refuses where they can't),
    false never does.
    """

    enabled: Literal["auto"] | StrictBool = "auto"


class GateSettings(ClosedModel):
    """Spectra of responses cut off before the first reflection, for the upper band.

    "auto" gates wherever the session or the responses tell when the first reflection comes; false never does.
    """

    enabled: Literal["auto", False] = "auto"
    # Where gated spectra take over from separated ones. "auto": where the two agree best.
    crossover_hz: Literal["auto"] | Annotated[float, Field(gt=0)] = "auto"


class ScatteringSettings(ClosedModel):
    """What the cabinet scatters of the room's sound stands in the outgoing set; take it out?

    "auto" takes the body that brings separated and gated spectra nearest to each other, if any brings them nearer;
    "box" and "sphere" insist on the rigid box of the cabinet's size, or on a rigid sphere.
    """

    body: Literal["auto", "none", "box", "sphere"] = "auto"
    # By default the sphere has the volume of the cabinet.
    sphere_radius_m: Literal["auto"] | Annotated[float, Field(gt=0)] = "auto"


class MendingSettings(ClosedModel):
    """What the scan itself tells of errors of the apparatus, put right where it is clear; false leaves it alone.

    ``bad_points``: points that contradict all others are left out. ``surfaces``: gain, offset and delay of a surface
    against the innermost. ``drift``: gain and sound speed over the time of the scan.
    """

    bad_points: Literal["auto", False] = "auto"
    surfaces: Literal["auto", False] = "auto"
    drift: Literal["auto", False] = "auto"


class UncertaintySettings(ClosedModel):
    """Errors that results may have. The standard uncertainties here are for what the session states nothing of.

    Each counts before the scan itself is asked, which usually knows better.
    """

    enabled: bool = True
    # Vectors drawn from the covariance of the coefficients; a standard uncertainty is known to 1 / sqrt(2 draws).
    draws: Annotated[int, Field(ge=8, le=512)] = 32
    # Of one surface against another.
    surface_gain_db: Annotated[float, Field(ge=0)] = 0.05
    surface_radius_m: Annotated[float, Field(ge=0)] = 3e-4
    latency_s: Annotated[float, Field(ge=0)] = 1e-6
    sound_speed_m_per_s: Annotated[float, Field(ge=0)] = 0.5
    # Over the whole scan.
    gain_drift_db: Annotated[float, Field(ge=0)] = 0.03
    sound_speed_drift_m_per_s: Annotated[float, Field(ge=0)] = 0.15


class OrderSettings(ClosedModel):
    """Top degrees of the two sets. "auto" follows the truncation rule in ``expand/order.py``."""

    outgoing: OrderSetting = "auto"
    regular: OrderSetting = "auto"
    # Truncation error that the rule aims at, relative to the sound of one set at the surfaces, in dB.
    # "auto": what predicts left-out points best, a smooth path over frequency between -80 and -20.
    truncation_db: Literal["auto"] | Annotated[float, Field(ge=-120, le=-20)] = "auto"
    # Unknowns per point that "auto" may use. 0.75 worked and 0.99 failed in our experiments.
    unknowns_per_point: Annotated[float, Field(gt=0, le=1)] = 0.75

    @field_validator("outgoing", "regular")
    @classmethod
    def _rising(cls, value: OrderSetting) -> OrderSetting:
        if isinstance(value, tuple):
            frequencies = [frequency for frequency, _ in value]
            if not frequencies or frequencies != sorted(set(frequencies)):
                raise ValueError("an order table needs at least one pair, frequencies rising")
        return value


class ExpansionSettings(ClosedModel):
    """Where the waves are centred, how large the source is, and how hard the fit is held back."""

    # By default the centre of the cabinet, else the known source, else the axis origin; with "acoustic center",
    # moved from there at every frequency to the origin about which the far field needs the lowest degrees.
    origin_m: Literal["auto", "acoustic center"] | Vector = "auto"
    # "auto": what encloses the cabinet, else the known source with a margin, else part of the scan radius.
    source_radius_m: Literal["auto"] | Annotated[float, Field(gt=0)] = "auto"
    # Outgoing waves from several centres inside a tall or wide loudspeaker? By default where points lie inside its
    # smallest sphere and left-out points are predicted better that way.
    several_centers: Literal["auto"] | StrictBool = "auto"
    # Distance from the origin to the nearest image of the loudspeaker in the room.
    room_distance_m: Literal["auto"] | Annotated[float, Field(gt=0)] = "auto"
    # "auto": only where the fit is ill-conditioned.
    regularisation: Literal["auto", "always", "never"] = "auto"
    # With "repeats", a point that is the mean of n records counts n times, as if noise were its only error; with
    # "noise", by its noise power as the session shows it, band by band; with "auto", so that they count alike where
    # noise is not the limit, or where left-out points are not predicted better.
    point_weights: Literal["equal", "repeats", "noise", "auto"] = "equal"
    # By what its weight is chosen. Cross-validation leaves a part that was never scanned to itself.
    regularisation_weight: Literal["likelihood", "cross-validation"] = "likelihood"


class ExtrapolationSettings(ClosedModel):
    """What the tables state: far-field pressure scaled to 1 m, or the true pressure at a distance."""

    quantity: Literal["far field", "true pressure"] = "far field"
    reference_distance_m: Annotated[float, Field(gt=0)] = 1.0
    # A common latency to take out of every phase; 0 leaves the phase as recorded.
    latency_s: float = 0.0
    # Take off what the air absorbs on the way? Only of a true pressure: a far field scaled to 1 m has no way to go.
    air_absorption: StrictBool = False

    @model_validator(mode="after")
    def _absorbed_on_the_way(self) -> ExtrapolationSettings:
        if self.air_absorption and self.quantity != "true pressure":
            raise ValueError('air_absorption = true needs quantity = "true pressure"')
        return self
