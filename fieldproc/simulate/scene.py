"""A scene: everything that a simulated session depends on besides its seed. One closed model, TOML or code."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, assert_never

import numpy as np
from pydantic import Field, StrictBool

from fieldproc.conventions import DEFAULT_DRIVE_VOLTAGE_V, DEFAULT_TEMPERATURE_C, Floats, Integers
from fieldproc.settings import ClosedModel, load_model
from fieldproc.simulate.filters import AnalogFilter, peaking
from fieldproc.simulate.rooms import FreeField, Room, Shoebox
from fieldproc.simulate.scans import SphereGrid, cylinder_scan, shell_scan, sphere_scan
from fieldproc.simulate.sources import Monopole, MonopoleCluster, Source, VolumeSpectrum
from fieldproc.simulate.sphere_caps import Cap, Motion, SphereCaps
from fieldproc.simulate.two_way import two_way

Vector = tuple[float, float, float]
Positive = Annotated[float, Field(gt=0)]
ReflectionFactor = Annotated[float, Field(ge=-1, le=1)]


class MonopoleModel(ClosedModel):
    """One point source."""

    position_m: Vector
    gain: float = 1.0
    delay_s: Annotated[float, Field(ge=0)] = 0.0


class PeakingModel(ClosedModel):
    """A resonance of the drive, alike in all directions; see :func:`~fieldproc.simulate.filters.peaking`."""

    center_hz: Positive
    quality: Positive
    gain_db: float


class MonopolesModel(ClosedModel):
    """Point sources on one drive; see :class:`~fieldproc.simulate.sources.MonopoleCluster`."""

    kind: Literal["monopoles"] = "monopoles"
    monopoles: Annotated[tuple[MonopoleModel, ...], Field(min_length=1)]
    volume_velocity_m3_per_s_per_v: Positive = 2e-4
    spectrum: VolumeSpectrum = "constant volume acceleration"
    resonances: tuple[PeakingModel, ...] = ()


class CapModel(ClosedModel):
    """One cap with a flat drive."""

    azimuth_deg: float = 0.0
    elevation_deg: float = 0.0
    half_angle_deg: Annotated[float, Field(ge=0, le=90)]
    motion: Motion = "radial"
    volume_acceleration_m3_per_s2_per_v: float = 1.0
    delay_s: Annotated[float, Field(ge=0)] = 0.0


class SphereCapsModel(ClosedModel):
    """Caps on a rigid sphere."""

    kind: Literal["sphere caps"] = "sphere caps"
    radius_m: Positive = 0.15
    center_m: Vector = (0.0, 0.0, 0.0)
    caps: Annotated[tuple[CapModel, ...], Field(min_length=1)]


class TwoWayModel(ClosedModel):
    """The two-way demonstration loudspeaker."""

    kind: Literal["two-way"] = "two-way"
    radius_m: Positive = 0.15
    center_m: Vector = (0.0, 0.0, 0.0)
    crossover_hz: Positive = 2200.0


class FreeFieldModel(ClosedModel):
    """No room."""

    kind: Literal["free field"] = "free field"


class ShoeboxModel(ClosedModel):
    """A rectangular room; see :class:`~fieldproc.simulate.rooms.Shoebox`."""

    kind: Literal["shoebox"] = "shoebox"
    # With the order 3: between 3 and 13 dB below the direct sound of the named scenes, 30 Hz to 1 kHz.
    size_m: tuple[Positive, Positive, Positive] = (5.09, 3.29, 2.32)
    corner_m: Vector = (-3.5, -1.51, -1.43)
    # Front, rear, left, right, up, down.
    reflection: Annotated[tuple[ReflectionFactor, ...], Field(min_length=6, max_length=6)] = (
        0.83, 0.82, 0.83, 0.67, 0.94, 0.64,
    )  # fmt: skip
    order: Annotated[int, Field(ge=0, le=12)] = 2
    # Let the sphere of a caps loudspeaker scatter what the room sends back, below 8 kHz.
    scattering: StrictBool = False


class CylinderModel(ClosedModel):
    """Cylinders with end caps; see :func:`~fieldproc.simulate.scans.cylinder_scan`."""

    kind: Literal["cylinder"] = "cylinder"
    points: Annotated[int, Field(ge=1)] = 2232
    radius_m: Positive = 0.28
    half_height_m: Positive = 0.28
    surfaces: Annotated[int, Field(ge=1)] = 2
    gap_m: Positive = 0.06
    azimuths: Annotated[int, Field(ge=1)] | None = None
    axis_points: bool = False


class SphereModel(ClosedModel):
    """Spheres; see :func:`~fieldproc.simulate.scans.sphere_scan`."""

    kind: Literal["sphere"] = "sphere"
    points: Annotated[int, Field(ge=1)] = 2232
    radius_m: Positive = 0.35
    surfaces: Annotated[int, Field(ge=1)] = 2
    gap_m: Positive = 0.06
    grid: SphereGrid = "gauss"


class ShellModel(ClosedModel):
    """A filled shell; see :func:`~fieldproc.simulate.scans.shell_scan`."""

    kind: Literal["shell"] = "shell"
    points: Annotated[int, Field(ge=1)] = 2232
    inner_radius_m: Positive = 0.35
    outer_radius_m: Positive = 0.45


class ImpulseResponseModel(ClosedModel):
    """Record impulse responses."""

    kind: Literal["impulse response"] = "impulse response"
    sampling_rate_hz: Positive = 48000.0
    samples: Annotated[int, Field(ge=512)] = 4096


class TransferFunctionModel(ClosedModel):
    """Record transfer functions at these frequencies, rising."""

    kind: Literal["transfer function"] = "transfer function"
    frequency_hz: Annotated[tuple[Positive, ...], Field(min_length=1)]


class NoiseModel(ClosedModel):
    """Additive noise of the recording.

    "pressure": at each frequency ``level_db`` re the rms over the points of the pressure there. "peak": white,
    ``level_db`` re the largest sample of all impulse responses.
    """

    level_db: float
    relative_to: Literal["pressure", "peak"] = "pressure"


class Scene(ClosedModel):
    """Source, room, scan and recording of one session."""

    title: str
    source: Annotated[MonopolesModel | SphereCapsModel | TwoWayModel, Field(discriminator="kind")]
    room: Annotated[FreeFieldModel | ShoeboxModel, Field(discriminator="kind")] = FreeFieldModel()
    scan: Annotated[CylinderModel | SphereModel | ShellModel, Field(discriminator="kind")] = CylinderModel()
    recording: Annotated[ImpulseResponseModel | TransferFunctionModel, Field(discriminator="kind")] = (
        ImpulseResponseModel()
    )
    noise: NoiseModel | None = None
    # Standard deviation, per coordinate, of where the microphone was about where the file says it was.
    position_jitter_m: Annotated[float, Field(ge=0)] = 0.0
    axis_origin_m: Vector = (0.0, 0.0, 0.0)
    drive_voltage_v: Positive = DEFAULT_DRIVE_VOLTAGE_V
    temperature_c: Annotated[float, Field(gt=-100, lt=100)] = DEFAULT_TEMPERATURE_C


def load_scene(path: Path) -> Scene:
    """A scene from a TOML file. ``UsageError`` names every bad key at once."""
    return load_model(path, Scene)


def build_source(scene: Scene) -> Source:
    """The source of a scene, with its closed-form field."""
    model = scene.source
    match model:
        case MonopolesModel():
            monopoles = tuple(Monopole(one.position_m, one.gain, one.delay_s) for one in model.monopoles)
            filters = [peaking(one.center_hz, one.quality, one.gain_db) for one in model.resonances]
            response = sum(filters, AnalogFilter())
            return MonopoleCluster(monopoles, model.volume_velocity_m3_per_s_per_v, model.spectrum, response)
        case SphereCapsModel():
            return SphereCaps(model.radius_m, tuple(_build_cap(cap) for cap in model.caps), model.center_m)
        case TwoWayModel():
            return two_way(model.radius_m, model.crossover_hz, model.center_m)
        case _:
            assert_never(model)


def build_room(scene: Scene) -> Room:
    """The room of a scene."""
    model = scene.room
    if isinstance(model, FreeFieldModel):
        return FreeField()
    front, rear, left, right, up, down = model.reflection
    return Shoebox(model.size_m, model.corner_m, (front, rear, left, right, up, down), model.order)


def build_scan(scene: Scene, generator: np.random.Generator) -> tuple[Floats, Integers]:
    """Stated positions (P, 3) in metres and surface indices (P,) of a scene."""
    model = scene.scan
    match model:
        case CylinderModel():
            return cylinder_scan(
                model.points,
                model.radius_m,
                model.half_height_m,
                surfaces=model.surfaces,
                gap_m=model.gap_m,
                azimuths=model.azimuths,
                axis_points=model.axis_points,
            )
        case SphereModel():
            return sphere_scan(
                model.points, model.radius_m, surfaces=model.surfaces, gap_m=model.gap_m, grid=model.grid
            )
        case ShellModel():
            return shell_scan(model.points, model.inner_radius_m, model.outer_radius_m, generator)
        case _:
            assert_never(model)


def _build_cap(model: CapModel) -> Cap:
    azimuth, elevation = np.radians(model.azimuth_deg), np.radians(model.elevation_deg)
    level = np.cos(elevation)
    axis = (float(level * np.cos(azimuth)), float(level * np.sin(azimuth)), float(np.sin(elevation)))
    return Cap(
        axis,
        float(np.radians(model.half_angle_deg)),
        model.volume_acceleration_m3_per_s2_per_v,
        model.motion,
        delay_s=model.delay_s,
    )
