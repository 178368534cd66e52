"""What a scan is planned from: one closed model, a TOML file. Everything but the cabinet's size has a default."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from fieldproc.settings import ClosedModel, Vector, load_model

Positive = Annotated[float, Field(gt=0)]
Size = Annotated[float, Field(gt=0, le=5.0)]


class LoudspeakerModel(ClosedModel):
    """The cabinet in the axes of the scan, rings being laid about the vertical through its centre."""

    # Depth, width, height.
    size_m: tuple[Size, Size, Size]
    center_m: Vector = (0.0, 0.0, 0.0)
    # The point that angles and distances will count from.
    axis_origin_m: Vector = (0.0, 0.0, 0.0)


class RoomModel(ClosedModel):
    """Distances from the axis origin to what reflects; leave out what is not known to be there.

    The nearest one, usually the floor, tells how long a gate may be.
    """

    front_m: Positive | None = None
    rear_m: Positive | None = None
    left_m: Positive | None = None
    right_m: Positive | None = None
    up_m: Positive | None = None
    down_m: Positive | None = None
    temperature_c: Annotated[float, Field(ge=-50, le=70)] = 20.0

    def distances_m(self) -> tuple[float | None, ...]:
        """Front, rear, left, right, up, down, as a scan session lists them."""
        return self.front_m, self.rear_m, self.left_m, self.right_m, self.up_m, self.down_m


class BandModel(ClosedModel):
    """The band wanted."""

    lowest_hz: Annotated[float, Field(gt=0)] = 30.0
    highest_hz: Annotated[float, Field(le=40e3)] = 16e3

    @model_validator(mode="after")
    def _rising(self) -> BandModel:
        if self.highest_hz < 2.0 * self.lowest_hz:
            raise ValueError("highest_hz must be at least an octave above lowest_hz")
        return self


class TimeModel(ClosedModel):
    """How long the robot may work, and how long it needs for a point: moving, settling and recording."""

    per_point_s: Positive = 5.0
    total_s: Positive = 3.0 * 3600.0
    # So many times the robot returns to one point, so that slow changes can be told from the sound field.
    returns: Annotated[int, Field(ge=0, le=100, strict=True)] = 10


class ScanModel(ClosedModel):
    """What the proposal need not choose."""

    shape: Literal["cylinder", "sphere"] = "cylinder"
    # Least distance between cabinet and microphone.
    clearance_m: Annotated[float, Field(gt=0, le=1.0)] = 0.08
    # Distance between the two surfaces.
    gap_m: Literal["auto"] | Annotated[float, Field(ge=0.01, le=0.3)] = "auto"
    points: Literal["auto"] | Annotated[int, Field(ge=32, le=20_000, strict=True)] = "auto"
    # Points on every ring.
    azimuths: Literal["auto"] | Annotated[int, Field(ge=6, le=400, strict=True)] = "auto"


class AssumptionsModel(ClosedModel):
    """What the prediction takes for granted of robot, electronics and room."""

    # Rms noise of a response re the rms sound at the points, at every frequency, in a response of so many seconds.
    noise_db: Annotated[float, Field(ge=-160, le=0)] = -60.0
    response_s: Positive = 0.06
    # Rms error of every coordinate of a point.
    position_error_m: Annotated[float, Field(ge=0, le=0.05)] = 0.0003
    # Pressure reflection factor of what reflects.
    reflection: Annotated[float, Field(ge=-1, le=1)] = 0.8
    # The drift of the gain over the scan that visiting orders are judged by.
    drift_db: Positive = 0.1


class PlanSettings(ClosedModel):
    """Everything a proposal depends on."""

    title: str = "planned scan"
    device: str = "loudspeaker"
    loudspeaker: LoudspeakerModel
    room: RoomModel = RoomModel()
    band: BandModel = BandModel()
    time: TimeModel = TimeModel()
    scan: ScanModel = ScanModel()
    assumptions: AssumptionsModel = AssumptionsModel()


class JudgeSettings(ClosedModel):
    """What judging an existing grid assumes; its file tells the rest."""

    band: BandModel = BandModel()
    assumptions: AssumptionsModel = AssumptionsModel()


def load_plan_settings(path: Path) -> PlanSettings:
    """Settings of a proposal from a TOML file. ``UsageError`` names every bad key at once."""
    return load_model(path, PlanSettings)


def load_judge_settings(path: Path | None) -> JudgeSettings:
    """Settings of a judgement, defaults without a file. ``UsageError`` names every bad key at once."""
    return JudgeSettings() if path is None else load_model(path, JudgeSettings)
