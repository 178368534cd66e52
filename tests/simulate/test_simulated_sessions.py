"""Sessions: the samples carry the true spectrum at any frequency, noise and jitter are as stated."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fieldproc.errors import NumericalError, UsageError
from fieldproc.records import ImpulseResponses, TransferFunctions
from fieldproc.simulate import NAMED_SCENES, Scene, load_scene, room_to_direct_db, simulate, true_positions, truth
from fieldproc.simulate.rooms import room_pressure
from fieldproc.simulate.scene import (
    CapModel,
    CylinderModel,
    FreeFieldModel,
    ImpulseResponseModel,
    NoiseModel,
    ShellModel,
    ShoeboxModel,
    SphereCapsModel,
    TransferFunctionModel,
    build_room,
    build_source,
)


def named(name: str, **changes: object) -> Scene:
    """A named scene with changes, validated afresh."""
    return Scene.model_validate({**NAMED_SCENES[name]().model_dump(), **changes})


def true_pressure(scene: Scene, seed: int, frequency_hz: np.ndarray) -> np.ndarray:
    """Direct and room sound in Pa/V at the true positions, (F, P)."""
    known, positions = truth(scene), true_positions(scene, seed)
    direct = known.pressure(frequency_hz, positions) / scene.drive_voltage_v
    return np.asarray(
        direct + room_pressure(build_source(scene), build_room(scene), frequency_hz, positions, known.air)
    )


SMALL = CylinderModel(points=12)
SCENES_IN_TIME = {
    "point source": named("point-source", noise=None, scan=SMALL),
    "cluster": named(
        "monopole-cluster", noise=None, scan=SMALL, recording=ImpulseResponseModel(), position_jitter_m=0.002
    ),
    "two-way": named("two-way", noise=None, scan=SMALL, room=ShoeboxModel(order=1)),
}


@pytest.mark.parametrize("name", SCENES_IN_TIME)
def test_samples_carry_the_true_spectrum_between_the_bins(name: str) -> None:
    scene = SCENES_IN_TIME[name]
    response = simulate(scene, seed=3).response
    assert isinstance(response, ImpulseResponses)
    rate = response.sampling_rate_hz
    # 40 frequencies that avoid the bins, from 20 Hz to the end of the pass band.
    frequency = np.geomspace(20.3, 0.45 * rate, 40)
    samples = response.values[0].astype(np.float64)
    time_s = response.start_s + np.arange(samples.shape[1]) / rate
    spectrum = np.exp(-2j * np.pi * frequency[:, None] * time_s) @ samples.T
    expected = true_pressure(scene, 3, frequency)
    error = np.sqrt(np.mean(np.abs(spectrum - expected) ** 2) / np.mean(np.abs(expected) ** 2))
    # The promise is 1e-6; float32 samples alone leave about 3e-8.
    assert error < 1e-6


def test_noise_is_as_far_below_the_pressure_as_stated() -> None:
    clean, noisy = (
        simulate(named("monopole-cluster", noise=noise, scan=CylinderModel(points=400)), 5).response.values
        for noise in (None, NoiseModel(level_db=-60.0))
    )
    signal = np.sqrt(np.mean(np.abs(clean) ** 2, axis=(1, 2)))
    noise = np.sqrt(np.mean(np.abs(noisy - clean) ** 2, axis=(1, 2)))
    # The rms of 400 complex draws scatters by 1 / (2 sqrt(400)) = 0.22 dB; 4 sigma over 31 frequencies.
    np.testing.assert_allclose(20 * np.log10(noise / signal), -60.0, rtol=0, atol=0.9)


@pytest.mark.parametrize(("relative_to", "level_db"), [("peak", -80.0), ("pressure", -40.0)])
def test_noise_of_impulse_responses(relative_to: str, level_db: float) -> None:
    noise_model = {"level_db": level_db, "relative_to": relative_to}
    clean, noisy = (
        simulate(named("point-source", noise=noise, scan=CylinderModel(points=40)), 5).response
        for noise in (None, noise_model)
    )
    signal, noise = clean.values.astype(np.float64), noisy.values.astype(np.float64) - clean.values
    if relative_to == "peak":
        ratio = noise.std() / np.abs(signal).max()
    else:
        # Same shape at every frequency, hence the same ratio of rms samples.
        ratio = noise.std() / signal.std()
    # 80 000 samples scatter by 0.25 %, and fewer independent ones for shaped noise.
    assert 20 * np.log10(ratio) == pytest.approx(level_db, abs=0.15)


def test_jitter_moves_the_microphone_and_not_the_file() -> None:
    still, moved = named("monopole-cluster"), named("monopole-cluster", position_jitter_m=0.003)
    session = simulate(moved, 8)
    stated = simulate(still, 8).positions_m
    np.testing.assert_array_equal(session.positions_m, stated)
    # 6048 coordinates: 1 % standard error of their deviation.
    assert (true_positions(moved, 8) - stated).std() == pytest.approx(0.003, rel=0.05)
    assert session.sigma.position_m == 0.003
    np.testing.assert_array_equal(true_positions(still, 8), stated)


def test_equal_seeds_give_equal_sessions() -> None:
    scene = named("point-source", scan=CylinderModel(points=20), position_jitter_m=0.001)
    first, again, other = (simulate(scene, seed).response.values for seed in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    assert np.any(first != other)


def test_reference_scene_is_what_accuracy_is_stated_for() -> None:
    scene = NAMED_SCENES["monopole-cluster"]()
    session = simulate(scene, 1)
    assert isinstance(session.response, TransferFunctions)
    assert len(session.positions_m) == 2016
    assert set(session.surface) == {0, 1}
    level = room_to_direct_db(scene, 1, np.geomspace(30, 1000, 61))
    # A reflective room: about 3 to 13 dB below the direct sound at the surfaces, never much less or more.
    assert -2.5 < level.max() < -2.0
    assert -14.0 < level.min() < -13.0


def test_session_states_what_is_known() -> None:
    session = simulate(named("point-source", scan=SMALL), 1)
    assert session.known_source is not None
    np.testing.assert_allclose(session.known_source.position_m, [0.032, -0.021, 0.043])
    assert session.known_source.volume_velocity_m3_per_s_per_v == 2e-4
    assert session.cabinet is None
    assert session.drive.voltage_v == 2.83
    assert session.unit == "Pa/V"
    flat = simulate(
        named("point-source", scan=SMALL, source={"kind": "monopoles", "monopoles": [{"position_m": (0, 0, 0)}]}), 1
    )
    assert flat.known_source is not None
    assert flat.known_source.volume_velocity_m3_per_s_per_v is None
    loudspeaker = simulate(SCENES_IN_TIME["two-way"], 1)
    assert loudspeaker.cabinet is not None
    np.testing.assert_allclose(loudspeaker.cabinet.size_m, 0.3)
    np.testing.assert_allclose(loudspeaker.axis.origin_m, [0.15, 0, 0])
    assert loudspeaker.known_source is None
    assert loudspeaker.room.reflector_distances_m is not None
    # Front wall at x = 5.09 - 3.5 m, seen from the axis origin.
    assert loudspeaker.room.reflector_distances_m[0] == pytest.approx(1.59 - 0.15, rel=1e-12)


def test_power_of_the_truth_is_that_of_its_far_field() -> None:
    scene = Scene(title="caps", source=SphereCapsModel(caps=(CapModel(half_angle_deg=30.0),)), drive_voltage_v=2.0)
    known, frequency = truth(scene), np.array([200.0, 3000.0])
    # Axisymmetric about x: an integral over one angle, by a rule of its own.
    angle = np.linspace(0, np.pi, 4001)
    field = known.far_field(frequency, np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1))
    power = 2 * np.pi * np.trapezoid(np.abs(field) ** 2 * np.sin(angle), angle, axis=1) / (1.204 * 343.2)
    # The trapezoid's error at 4000 steps is of order 1e-7.
    np.testing.assert_allclose(known.sound_power_w(frequency), power, rtol=1e-6)


def test_sound_that_outlasts_the_record_is_refused() -> None:
    short = ImpulseResponseModel(sampling_rate_hz=48000.0, samples=1024)
    with pytest.raises(NumericalError, match=r"latest reflection is .* ms, limit 16\.0 ms of record"):
        simulate(named("point-source", scan=SMALL, recording=short), 1)
    with pytest.raises(NumericalError, match="sound left at the end of the record"):
        simulate(named("two-way", scan=SMALL, recording=short, room=FreeFieldModel()), 1)


def test_impossible_scenes_are_refused() -> None:
    with pytest.raises(ValueError, match="inside the source"):
        simulate(named("two-way", scan=ShellModel(points=10, inner_radius_m=0.1, outer_radius_m=0.12)), 1)
    with pytest.raises(ValueError, match="through a wall"):
        simulate(named("two-way", scan=CylinderModel(points=10, half_height_m=1.5)), 1)
    frequencies = TransferFunctionModel(frequency_hz=(100.0,))
    with pytest.raises(ValueError, match="no peak"):
        simulate(named("two-way", scan=SMALL, recording=frequencies), 1)


SCENE_TOML = """
title = "Two caps"
position_jitter_m = 0.001

[source]
kind = "sphere caps"
radius_m = 0.12
caps = [{half_angle_deg = 20.0}, {half_angle_deg = 10.0, elevation_deg = 50.0, motion = "axial"}]

[room]
kind = "shoebox"
order = 1

[scan]
kind = "sphere"
points = 64
radius_m = 0.3

[noise]
level_db = -70.0
"""


def test_scene_from_toml(tmp_path: Path) -> None:
    path = tmp_path / "scene.toml"
    path.write_text(SCENE_TOML, encoding="utf-8")
    session = simulate(load_scene(path), 1)
    assert session.title == "Two caps"
    assert session.cabinet is not None
    np.testing.assert_allclose(session.cabinet.size_m, 0.24)


@pytest.mark.parametrize(
    ("before", "after", "message"),
    [
        ("order = 1", "ordre = 1", r"unknown setting room\.shoebox\.ordre"),
        ('kind = "sphere"', 'kind = "cone"', "scan: Input tag 'cone'"),
        ("title =", "title", "not valid TOML"),
    ],
)
def test_bad_scene_files_are_refused(tmp_path: Path, before: str, after: str, message: str) -> None:
    path = tmp_path / "scene.toml"
    path.write_text(SCENE_TOML.replace(before, after), encoding="utf-8")
    with pytest.raises(UsageError, match=message):
        load_scene(path)


def test_missing_scene_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        load_scene(tmp_path / "absent.toml")
