"""From a scene to the session that a robot would have recorded, and the truth behind it.

An impulse response is the inverse FFT of the exact pressure spectrum at all bins, times a band limit (1 up
to 0.9 of half the sampling rate, then a Gaussian-smoothed step to 0) and a lead-in of 256 samples that
``start_s`` takes out again. The band limit is zero-phase and rings for less than the lead-in, to below 1e-10
of its peak. So the Fourier transform of the samples is the true spectrum at *any* frequency of the pass
band, as long as the sound has died away within the record, which is checked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import fft, special

from fieldproc.conventions import Complexes, Floats, Integers, power_db, wavenumber
from fieldproc.errors import NumericalError
from fieldproc.records import (
    Air,
    Cabinet,
    Drive,
    ImpulseResponses,
    KnownSource,
    ReferenceAxis,
    Session,
    Sigma,
    TransferFunctions,
)
from fieldproc.records import Room as RoomRecord
from fieldproc.simulate.medium import Medium, medium_at
from fieldproc.simulate.rooms import FreeField, Room, images, room_pressure
from fieldproc.simulate.scans import require_outside
from fieldproc.simulate.scattered_room import ScatteredRoom
from fieldproc.simulate.scene import (
    ImpulseResponseModel,
    NoiseModel,
    Scene,
    ShoeboxModel,
    TransferFunctionModel,
    build_room,
    build_scan,
    build_source,
)
from fieldproc.simulate.sources import MonopoleCluster, Source
from fieldproc.simulate.sphere_caps import SphereCaps

LEAD_IN_SAMPLES = 256
# Of half the sampling rate: up to here the spectra are exact.
PASS_BAND = 0.9
# What may be left at the end of a record, re its peak: the error that wrapping round would cause.
QUIET_END = 1e-6
# Number of samples at the end that must be quiet.
_END_SAMPLES = 64
_POINTS_AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Truth:
    """What a perfect measurement of the scene's loudspeaker would find, without its room."""

    source: Source
    air: Medium
    axis_origin_m: Floats
    drive_voltage_v: float

    def far_field(self, frequency_hz: Floats, directions: Floats) -> Complexes:
        """Far-field pressure in Pa scaled to 1 m about the axis origin, propagation removed, at the drive voltage.

        Frequencies (F,), unit vectors (D, 3) in scan axes, result (F, D).
        """
        return self.drive_voltage_v * self.source.far_field(
            np.asarray(frequency_hz), np.asarray(directions), self.axis_origin_m, self.air
        )

    def pressure(self, frequency_hz: Floats, positions_m: Floats) -> Complexes:
        """Free-field pressure in Pa at the drive voltage: frequencies (F,), positions (P, 3), result (F, P)."""
        return self.drive_voltage_v * self.source.pressure(
            np.asarray(frequency_hz), np.asarray(positions_m), self.air
        )

    def sound_power_w(self, frequency_hz: Floats) -> Floats:
        """Radiated power in watt, shape (F,): Gauss-Legendre rings of the far field, exact to rounding."""
        center, radius = self.source.enclosing_sphere()
        top_k = float(np.max(wavenumber(np.asarray(frequency_hz), self.air.sound_speed_m_per_s)))
        # The far field has degrees up to about k radius; its square needs as many rings to integrate.
        rings = int(np.ceil(top_k * radius)) + 24
        height, weight = np.polynomial.legendre.leggauss(rings)
        azimuth = np.arange(2 * rings) * np.pi / rings
        across = np.sqrt(1.0 - height**2)[:, None]
        directions = np.stack(
            [across * np.cos(azimuth), across * np.sin(azimuth), np.tile(height[:, None], 2 * rings)], axis=-1
        )
        field = self.source.far_field(np.asarray(frequency_hz), directions.reshape(-1, 3), center, self.air)
        squared = np.square(np.abs(self.drive_voltage_v * field)).reshape(-1, rings, 2 * rings).sum(axis=2)
        impedance = self.air.density_kg_per_m3 * self.air.sound_speed_m_per_s
        return np.asarray(squared @ weight * (np.pi / rings) / impedance)


@dataclass(frozen=True, slots=True)
class _Stage:
    """A scene, built: where everything truly is."""

    source: Source
    room: Room
    air: Medium
    stated_m: Floats
    true_m: Floats
    surface: Integers
    scattering: bool
    noise_generator: np.random.Generator


def simulate(scene: Scene, seed: int) -> Session:
    """The session that a scan of the scene records; equal scenes and seeds give equal sessions.

    Raises ``ValueError`` for points inside the source or outside the room, ``NumericalError`` when the sound
    outlasts the record.
    """
    stage = _build(scene, seed)
    recording = scene.recording
    if isinstance(recording, ImpulseResponseModel):
        response: ImpulseResponses | TransferFunctions = _impulse_responses(stage, recording, scene.noise)
    else:
        response = _transfer_functions(stage, recording, scene.noise)
    points = len(stage.stated_m)
    return Session(
        name=scene.title,
        title=scene.title,
        device="simulated",
        attributes={"comment": f"Simulated with seed {seed}."},
        positions_m=stage.stated_m,
        response=response,
        unit="Pa/V",
        channel_names=("full range",),
        valid=np.ones(points, dtype=np.bool_),
        surface=stage.surface,
        axis=ReferenceAxis(origin_m=np.array(scene.axis_origin_m)),
        air=Air(temperature_c=np.full(points, scene.temperature_c)),
        drive=Drive(voltage_v=scene.drive_voltage_v),
        cabinet=_cabinet(stage.source),
        room=_room_record(stage.room, scene),
        known_source=_known_source(stage.source),
        sigma=Sigma(position_m=scene.position_jitter_m or None),
    )


def truth(scene: Scene) -> Truth:
    """The scene's loudspeaker in free field, in closed form."""
    return Truth(
        build_source(scene), medium_at(scene.temperature_c), np.array(scene.axis_origin_m), scene.drive_voltage_v
    )


def true_positions(scene: Scene, seed: int) -> Floats:
    """Where the microphone truly was, (P, 3) in metres; the session states where it was meant to be."""
    return _build(scene, seed).true_m


def room_to_direct_db(scene: Scene, seed: int, frequency_hz: Floats) -> Floats:
    """Level of the room's sound re the direct sound, rms over the scan points of the scene, shape (F,)."""
    stage = _build(scene, seed)
    frequency = np.asarray(frequency_hz)
    room = room_pressure(stage.source, stage.room, frequency, stage.true_m, stage.air)
    direct = stage.source.pressure(frequency, stage.true_m, stage.air)
    return power_db(_mean_square(room) / _mean_square(direct))


def band_limit(frequency_hz: Floats, sampling_rate_hz: float) -> Floats:
    """Zero-phase band limit of simulated impulse responses; within 1e-8 of 1 below 0.9 of half the rate."""
    half = 0.5 * sampling_rate_hz
    middle, width = 0.5 * (1.0 + PASS_BAND) * half, 0.5 * (1.0 - PASS_BAND) * half
    # 4 widths of the error function from 1 to the middle: 0.5 erfc(4) = 8e-9.
    return np.asarray(0.5 * special.erfc(4.0 * (np.abs(frequency_hz) - middle) / width))


def _build(scene: Scene, seed: int) -> _Stage:
    # Three independent streams: a scene without jitter keeps its noise when jitter is added.
    scan, jitter, noise = np.random.default_rng(seed).spawn(3)
    source, room = build_source(scene), build_room(scene)
    stated, surface = build_scan(scene, scan)
    true = stated + jitter.normal(0.0, scene.position_jitter_m, stated.shape)
    for body in source.bodies():
        require_outside(true, *body)
    center, radius = source.enclosing_sphere()
    if not isinstance(room, FreeField):
        sides = center + radius * np.concatenate([np.eye(3), -np.eye(3)])
        if not (room.contains(true) and room.contains(sides)):
            raise ValueError("the scan or the source reaches through a wall; choose a larger room or move it")
    scattering = isinstance(scene.room, ShoeboxModel) and scene.room.scattering
    if scattering and not isinstance(source, SphereCaps):
        raise ValueError("only a sphere with caps can scatter the room's sound; set room.scattering = false")
    return _Stage(source, room, medium_at(scene.temperature_c), stated, true, surface, scattering, noise)


def _total_pressure(stage: _Stage, frequency_hz: Floats) -> Callable[[slice], Complexes]:
    """Pressure at some points of the scan, Pa/V, (F, P): direct sound, the room's, and what scatters it."""
    source, scattered = stage.source, None
    if stage.scattering and isinstance(source, SphereCaps):
        scattered = ScatteredRoom(source, stage.room, frequency_hz, stage.air)

    def at(points: slice) -> Complexes:
        positions = stage.true_m[points]
        direct = source.pressure(frequency_hz, positions, stage.air)
        total = direct + room_pressure(source, stage.room, frequency_hz, positions, stage.air)
        return total if scattered is None else total + scattered.pressure(positions)

    return at


def _impulse_responses(stage: _Stage, recording: ImpulseResponseModel, noise: NoiseModel | None) -> ImpulseResponses:
    rate, samples = recording.sampling_rate_hz, recording.samples
    start_s = -LEAD_IN_SAMPLES / rate
    _require_arrivals_fit(stage, samples / rate + start_s)
    frequency: Floats = np.fft.rfftfreq(samples, 1.0 / rate).astype(np.float64)
    shape = band_limit(frequency, rate) * np.exp(2j * np.pi * frequency * start_s)
    values = np.empty((len(stage.true_m), samples))
    squares = np.zeros(len(frequency))
    pressure = _total_pressure(stage, frequency)
    for first in range(0, len(values), _POINTS_AT_ONCE):
        block = slice(first, first + _POINTS_AT_ONCE)
        spectra = shape[:, None] * pressure(block)
        squares += np.square(np.abs(spectra)).sum(axis=1)
        values[block] = fft.irfft(spectra, samples, axis=0).T
    _require_quiet_end(values)
    if noise is not None and noise.relative_to == "peak":
        deviation = np.abs(values).max() * 10.0 ** (noise.level_db / 20.0)
        values += stage.noise_generator.normal(0.0, deviation, values.shape)
    elif noise is not None:
        rms = np.sqrt(squares / len(values)) * 10.0 ** (noise.level_db / 20.0)
        spectra = rms * _complex_normal(stage.noise_generator, (len(values), len(frequency)))
        values += fft.irfft(spectra, samples, axis=1)
    return ImpulseResponses(values[None].astype(np.float32), rate, start_s)


def _transfer_functions(
    stage: _Stage, recording: TransferFunctionModel, noise: NoiseModel | None
) -> TransferFunctions:
    frequency = np.array(recording.frequency_hz)
    pressure = _total_pressure(stage, frequency)(slice(None))
    if noise is not None:
        if noise.relative_to == "peak":
            raise ValueError('transfer functions have no peak; state their noise relative to "pressure"')
        rms = np.sqrt(_mean_square(pressure)) * 10.0 ** (noise.level_db / 20.0)
        pressure = pressure + rms[:, None] * _complex_normal(stage.noise_generator, pressure.shape)
    return TransferFunctions(pressure[:, None, :], frequency)


def _require_arrivals_fit(stage: _Stage, available_s: float) -> None:
    """A late reflection would wrap round to the beginning of the record, where nothing would show it."""
    center, radius = stage.source.enclosing_sphere()
    mirror = images(stage.room)
    farthest = max(
        [float(np.linalg.norm(stage.true_m - center, axis=1).max())]
        + [
            float(np.linalg.norm((stage.true_m - shift) * sign - center, axis=1).max())
            for sign, shift in zip(mirror.signs, mirror.shifts_m, strict=True)
        ]
    )
    latest_s = (farthest + radius) / stage.air.sound_speed_m_per_s
    if latest_s > available_s:
        raise NumericalError(
            "simulate",
            "latest reflection",
            f"{latest_s * 1e3:.1f} ms",
            f"{available_s * 1e3:.1f} ms of record",
            "take more samples or a lower reflection order",
        )


def _require_quiet_end(values: Floats) -> None:
    left = float(np.abs(values[:, -_END_SAMPLES:]).max() / np.abs(values).max())
    if left > QUIET_END:
        raise NumericalError(
            "simulate",
            "sound left at the end of the record",
            f"{left:.1e} of the peak",
            f"{QUIET_END:.0e}",
            "take more samples or a lower reflection order",
        )


def _mean_square(pressure: Complexes) -> Floats:
    return np.asarray(np.square(np.abs(pressure)).mean(axis=1))


def _complex_normal(generator: np.random.Generator, shape: tuple[int, ...]) -> Complexes:
    """Complex numbers of mean square 1."""
    return np.asarray(generator.normal(0.0, np.sqrt(0.5), (*shape, 2)).view(np.complex128)[..., 0])


def _cabinet(source: Source) -> Cabinet | None:
    if not isinstance(source, SphereCaps):
        return None
    return Cabinet(np.full(3, 2.0 * source.radius_m), np.array(source.center_m))


def _known_source(source: Source) -> KnownSource | None:
    if not isinstance(source, MonopoleCluster) or len(source.monopoles) != 1:
        return None
    (only,) = source.monopoles
    constant = source.spectrum == "constant volume velocity"
    return KnownSource(
        np.array(only.position_m), only.gain * source.volume_velocity_m3_per_s_per_v if constant else None
    )


def _room_record(room: Room, scene: Scene) -> RoomRecord:
    if isinstance(room, FreeField):
        return RoomRecord()
    return RoomRecord(reflector_distances_m=room.distances_m(np.array(scene.axis_origin_m)))
