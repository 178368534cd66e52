"""What the WAV files of a scan cannot say: one closed model, a TOML file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from fieldproc.conventions import DEFAULT_DRIVE_VOLTAGE_V
from fieldproc.settings import ClosedModel, Vector, load_model

Positive = Annotated[float, Field(gt=0)]
# Channels of a WAV file count from 0.
WavChannel = Annotated[int, Field(ge=0, le=255, strict=True)]
Samples = Annotated[int, Field(ge=16, le=2_000_000, strict=True)]


class ImpulseResponsesModel(ClosedModel):
    """Every WAV file holds one impulse response per channel."""

    kind: Literal["impulse responses"]
    microphone_channels: Annotated[tuple[WavChannel, ...], Field(min_length=1)] = (0,)
    # What a sample at full scale (1.0) is worth, in the unit of the session.
    per_full_scale: Positive
    # Time of the first sample after the excitation.
    start_s: float = 0.0
    # Keep so many; by default all, and then all files must be equally long.
    samples: Samples | None = None


class SweepParameters(ClosedModel):
    """An exponential sweep, where it is not to be recognised from the stimulus file."""

    start_hz: Positive
    end_hz: Positive
    duration_s: Positive

    @model_validator(mode="after")
    def _rising(self) -> SweepParameters:
        if self.end_hz <= self.start_hz:
            raise ValueError("end_hz must be above start_hz")
        return self


class SweepsModel(ClosedModel):
    """Every WAV file is the record of one playing of the stimulus."""

    kind: Literal["sweeps"]
    # Relative to the folder of the records, channel 0.
    stimulus: str
    microphone_channels: Annotated[tuple[WavChannel, ...], Field(min_length=1)] = (0,)
    # A channel that recorded the drive signal itself.
    reference_channel: WavChannel | None = None
    # Pascal (with units "V/V" volt at the microphone's output) that a recorded sample at full scale stands for.
    recorded_per_full_scale: Positive
    # Volt at the loudspeaker that a stimulus sample at full scale stands for; with "Pa/FS" leave it at 1.
    played_per_full_scale: Positive
    # Kept from time zero on, and before it: the lower edge of the stimulus band rings before the sound arrives.
    samples: Samples = 8192
    lead_samples: Annotated[int, Field(ge=0, le=100_000, strict=True)] = 4096
    # Delay of the chain in samples. By default each record's own, from its reference channel; 0 without one.
    latency_samples: Annotated[int, Field(ge=0, le=1_000_000, strict=True)] | None = None
    sweep: Literal["recognise"] | SweepParameters = "recognise"
    # Highest harmonic to keep; 1 keeps none. Each must die away before the next lower one begins.
    harmonics: Annotated[int, Field(ge=1, le=20, strict=True)] = 1
    # Of each harmonic; the first quarter, or lead_samples if that is shorter, is before its time zero.
    harmonic_samples: Samples = 4096

    @model_validator(mode="after")
    def _consistent(self) -> SweepsModel:
        if self.reference_channel in self.microphone_channels:
            raise ValueError(f"channel {self.reference_channel} is both reference_channel and microphone channel")
        return self


class DriveModel(ClosedModel):
    """The level that tables will be stated for."""

    voltage_v: Positive = DEFAULT_DRIVE_VOLTAGE_V
    level_dbfs: float | None = None


class AirModel(ClosedModel):
    """Air during the scan; a column temperature_c of the positions file wins over the one temperature here."""

    temperature_c: Annotated[float, Field(ge=-50, le=70)] | None = None
    relative_humidity_percent: Annotated[float, Field(ge=0, le=100)] | None = None
    pressure_pa: Annotated[float, Field(ge=30e3, le=120e3)] | None = None


class LoudspeakerModel(ClosedModel):
    """Where the loudspeaker is, and how large, in the axes of the positions."""

    axis_origin_m: Vector = (0.0, 0.0, 0.0)
    axis_direction: Vector = (1.0, 0.0, 0.0)
    up_direction: Vector = (0.0, 0.0, 1.0)
    # Depth, width, height.
    cabinet_size_m: tuple[Positive, Positive, Positive] | None = None
    cabinet_center_m: Vector | None = None
    rated_impedance_ohm: Positive | None = None

    @model_validator(mode="after")
    def _whole_cabinet(self) -> LoudspeakerModel:
        if (self.cabinet_size_m is None) != (self.cabinet_center_m is None):
            raise ValueError("cabinet_size_m and cabinet_center_m go together; give both or neither")
        return self


class PackSettings(ClosedModel):
    """Everything a packed session depends on besides its WAV files and positions."""

    title: str
    device: str
    units: Literal["Pa/V", "V/V", "Pa/FS"]
    recording: Annotated[ImpulseResponsesModel | SweepsModel, Field(discriminator="kind")]
    # Names of the microphone channels; by default "full range" for one.
    channels: Annotated[tuple[str, ...], Field(min_length=1)] = ("full range",)
    microphone_sensitivity_v_per_pa: Positive | None = None
    comment: str = ""
    drive: DriveModel = DriveModel()
    air: AirModel = AirModel()
    loudspeaker: LoudspeakerModel = LoudspeakerModel()

    @model_validator(mode="after")
    def _consistent(self) -> PackSettings:
        names, channels = len(self.channels), len(self.recording.microphone_channels)
        if names != channels:
            raise ValueError(f"channels names {names}, recording.microphone_channels has {channels}")
        if self.units == "V/V" and self.microphone_sensitivity_v_per_pa is None:
            raise ValueError('units "V/V" need microphone_sensitivity_v_per_pa')
        if self.units == "Pa/FS" and self.drive.level_dbfs is None:
            raise ValueError('units "Pa/FS" need drive.level_dbfs')
        return self


def load_pack_settings(path: Path) -> PackSettings:
    """Settings of a packed session from a TOML file. ``UsageError`` names every bad key at once."""
    return load_model(path, PackSettings)
