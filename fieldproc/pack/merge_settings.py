"""How scans in pieces are joined: one closed model, a TOML file or its defaults."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from fieldproc.settings import ClosedModel, Vector, load_model


class MotionModel(ClosedModel):
    """What carries the positions of a piece into the loudspeaker's coordinates: first the turn, then the shift."""

    # Name of the piece: its file name without the suffix.
    piece: str
    # Turned about this axis through the origin, by the right-hand rule.
    axis: Vector = (0.0, 0.0, 1.0)
    angle_deg: float = 0.0
    translation_m: Vector = (0.0, 0.0, 0.0)

    @model_validator(mode="after")
    def _has_axis(self) -> MotionModel:
        if not any(self.axis):
            raise ValueError("axis is a zero vector")
        return self


class MergeSettings(ClosedModel):
    """Everything a merged session depends on besides its pieces."""

    # Points of two pieces are the same place where they are no farther apart.
    shared_within_m: Annotated[float, Field(ge=0, le=0.05)] = 0.002
    # Band in which shared places are compared.
    lowest_hz: Annotated[float, Field(gt=0)] = 100.0
    highest_hz: Annotated[float, Field(gt=0)] = 2000.0
    # Differences between pieces beyond these are refused, unless they are to be corrected.
    largest_gain_db: Annotated[float, Field(gt=0)] = 0.1
    largest_delay_s: Annotated[float, Field(gt=0)] = 10e-6
    # Bring gain and delay of every piece to those of the first, where shared places tell them.
    correct_gain: bool = False
    # "auto": equal numbers mean one surface unless the points lie at other radii; "as named"; "one per piece".
    surfaces: Literal["auto", "as named", "one per piece"] = "auto"
    motions: tuple[MotionModel, ...] = ()


def load_merge_settings(path: Path | None) -> MergeSettings:
    """Settings from a TOML file, defaults without one. ``UsageError`` names every bad key at once."""
    return MergeSettings() if path is None else load_model(path, MergeSettings)
