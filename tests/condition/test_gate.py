"""The gate: where it closes (stated delays, stated walls, found in the data), how, and what is left then."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fieldproc.condition import condition
from fieldproc.condition.gate import GateTimes, gate_times, gate_window
from fieldproc.records import Cabinet, ImpulseResponses, ReferenceAxis, Room, Session
from fieldproc.settings import GateSettings, SpectraSettings
from fieldproc.simulate import simulate, truth
from fieldproc.simulate.scene import (
    CapModel,
    CylinderModel,
    FreeFieldModel,
    ImpulseResponseModel,
    MonopoleModel,
    MonopolesModel,
    NoiseModel,
    Scene,
    ShoeboxModel,
    SphereCapsModel,
    TransferFunctionModel,
    TwoWayModel,
)

RATE_HZ, SAMPLES, POINTS = 48000.0, 3072, 60
SPEED = np.full(POINTS, 343.2)
ALL = np.arange(POINTS)
# The direct sound is told early by a margin of 0.1 ms and, where noise blurs it, late by part of its rise.
EARLY_S, LATE_S = 0.35e-3, 0.1e-3
GRID = SpectraSettings(lowest_hz=200.0, per_octave=6, count=36)

CENTER = MonopolesModel(monopoles=(MonopoleModel(position_m=(0.0, 0.0, 0.0)),))
PAIR = MonopolesModel(
    monopoles=(
        MonopoleModel(position_m=(0.05, 0.0, 0.02)),
        MonopoleModel(position_m=(-0.04, 0.03, 0.0), gain=0.5),
    )
)
CAPS = SphereCapsModel(radius_m=0.12, caps=(CapModel(half_angle_deg=25.0),))
SOURCES = {"center": CENTER, "pair": PAIR, "caps": CAPS, "two-way": TwoWayModel(radius_m=0.12)}
ROOMS = {
    "free": FreeFieldModel(),
    "small": ShoeboxModel(order=1),
    "large": ShoeboxModel(size_m=(8.0, 7.0, 5.0), corner_m=(-4.2, -3.3, -2.4), order=1),
}


def scene(source: str, room: str, noise_db: float | None = None) -> Scene:
    return Scene(
        title="gate",
        source=SOURCES[source],
        room=ROOMS[room],
        scan=CylinderModel(points=POINTS),
        recording=ImpulseResponseModel(sampling_rate_hz=RATE_HZ, samples=SAMPLES),
        noise=None if noise_db is None else NoiseModel(level_db=noise_db, relative_to="peak"),
    )


@cache
def scan(source: str, room: str, noise_db: float | None = None) -> Session:
    return simulate(scene(source, room, noise_db), 1)


def untold(session: Session) -> Session:
    """The same scan, of whose room the file says nothing."""
    return replace(session, room=Room())


def times_of(session: Session) -> GateTimes:
    times = gate_times(session, SPEED, ALL)
    assert isinstance(times, GateTimes), times
    return times


def refusal(session: Session) -> str:
    times = gate_times(session, SPEED, ALL)
    assert isinstance(times, str)
    return times


def responses(session: Session) -> ImpulseResponses:
    assert isinstance(session.response, ImpulseResponses)
    return session.response


def with_values(session: Session, values: np.ndarray) -> Session:
    names = tuple(f"way {channel}" for channel in range(len(values)))
    return replace(session, response=replace(responses(session), values=values), channel_names=names)


def way_m(session: Session) -> np.ndarray:
    return np.linalg.norm(session.positions_m, axis=1)


@pytest.mark.parametrize("after_s", [np.full(POINTS, 0.004), np.linspace(0.003, 0.006, POINTS)])
def test_a_stated_delay_counts_from_the_direct_sound(after_s: np.ndarray) -> None:
    session = replace(scan("center", "small"), room=Room(first_reflection_s=after_s))
    times = times_of(session)
    np.testing.assert_allclose(times.length_s, after_s, rtol=1e-12)
    early_s = way_m(session) / SPEED - times.direct_s
    assert early_s.min() > 0
    assert early_s.max() < EARLY_S
    assert times.told.endswith("as the session states it")


def test_a_stated_delay_goes_before_stated_walls() -> None:
    room = replace(scan("center", "small").room, first_reflection_s=np.full(POINTS, 0.002))
    np.testing.assert_allclose(
        times_of(replace(scan("center", "small"), room=room)).length_s, np.full(POINTS, 0.002), rtol=1e-12
    )


def test_a_point_without_reflection_is_open_to_the_end_of_its_record() -> None:
    after_s = np.full(POINTS, 0.004)
    after_s[[3, 5]] = np.inf, 1.0
    times = times_of(replace(scan("center", "small"), room=Room(first_reflection_s=after_s)))
    np.testing.assert_allclose(times.end_s[[3, 5]], (SAMPLES - 256) / RATE_HZ, rtol=1e-12)
    window = gate_window(times, np.arange(SAMPLES) / RATE_HZ)
    assert np.isfinite(window).all()


def test_no_reflections_and_no_walls_are_told_in_words() -> None:
    session = scan("center", "free")
    for room, words in (
        (Room(first_reflection_s=np.full(POINTS, np.inf)), "the session states that there are no reflections"),
        (Room(reflector_distances_m=np.full(6, np.inf)), "the session states that there are no walls"),
    ):
        assert refusal(replace(session, room=room)) == words


def test_a_gate_too_short_is_refused_in_words() -> None:
    session = replace(scan("center", "small"), room=Room(first_reflection_s=np.full(POINTS, 0.4e-3)))
    assert refusal(session) == "the first reflection comes 0.40 ms after the direct sound, too soon for a gate"
    # a floor right below the scan
    walls_m = np.array([np.inf, np.inf, np.inf, np.inf, np.inf, 0.4])
    assert "too soon for a gate" in refusal(replace(session, room=Room(reflector_distances_m=walls_m)))


def turned(forward: np.ndarray, up: np.ndarray, origin_m: np.ndarray) -> tuple[ReferenceAxis, np.ndarray]:
    """An axis, and the outward normals front, rear, left, right, up, down by hand."""
    forward = forward / np.linalg.norm(forward)
    level = up - (up @ forward) * forward
    level /= np.linalg.norm(level)
    left = np.cross(level, forward)
    normals = np.array([forward, -forward, left, -left, level, -level])
    return ReferenceAxis(origin_m=origin_m, direction=forward, up=up), normals


@pytest.mark.parametrize("open_sides", [(), (0, 5), (1, 2, 3, 4, 5)], ids=["room", "no front, no floor", "one wall"])
@pytest.mark.parametrize("boxed", [True, False], ids=["cabinet", "no cabinet"])
@pytest.mark.parametrize("straight", [True, False], ids=["straight", "turned"])
def test_stated_walls_by_brute_force(open_sides: tuple[int, ...], boxed: bool, straight: bool) -> None:
    """The least of all ways from a grid on the cabinet over any wall: each grid point mirrored by each wall."""
    session = scan("center", "free")
    if straight:
        axis, normals = turned(np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), np.zeros(3))
    else:
        axis, normals = turned(np.array([0.3, -0.9, 0.2]), np.array([0.1, 0.3, 1.0]), np.array([0.03, -0.02, 0.1]))
    distances_m = np.array([2.0, 1.5, 1.4, 1.7, 1.6, 1.2])
    distances_m[list(open_sides)] = np.inf
    size_m, center_m = np.array([0.2, 0.15, 0.3]), np.array([-0.01, 0.01, 0.02])
    session = replace(
        session,
        axis=axis,
        cabinet=Cabinet(size_m, center_m) if boxed else None,
        room=Room(reflector_distances_m=distances_m),
    )
    steps = np.linspace(-0.5, 0.5, 31)
    grid_m = center_m + size_m * np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    parts_m = grid_m if boxed else axis.origin_m[None]

    def least_m(sources_m: np.ndarray) -> np.ndarray:
        return np.linalg.norm(session.positions_m[:, None] - sources_m, axis=2).min(axis=1)

    over_walls_m = np.full(POINTS, np.inf)
    for normal, away in zip(normals, distances_m, strict=True):
        if np.isfinite(away):
            behind_m = 2.0 * (away - (parts_m - axis.origin_m) @ normal)
            over_walls_m = np.minimum(over_walls_m, least_m(parts_m + behind_m[:, None] * normal))
    speed = np.linspace(340.0, 346.0, POINTS)
    times = gate_times(session, speed, ALL)
    assert isinstance(times, GateTimes), times
    # half the diagonal of a grid cell is 6 mm; seen from 0.2 m away, 0.1 mm
    np.testing.assert_allclose(times.length_s * speed, over_walls_m - least_m(parts_m), rtol=0, atol=2e-4)
    assert times.told.endswith("by the stated distances of the walls")


def test_points_left_out_do_not_count() -> None:
    """The same times as those of a file without them."""
    session, kept = scan("caps", "small"), np.arange(3, POINTS, 4)
    some = gate_times(session, SPEED, kept)
    alone = replace(
        session,
        positions_m=session.positions_m[kept],
        response=replace(responses(session), values=responses(session).values[:, kept]),
        valid=session.valid[kept],
        surface=session.surface[kept],
        air=replace(session.air, temperature_c=None),
    )
    expected = gate_times(alone, SPEED[kept], np.arange(len(kept)))
    assert isinstance(some, GateTimes)
    assert isinstance(expected, GateTimes)
    np.testing.assert_array_equal(some.end_s, expected.end_s)


def test_the_window_is_open_for_the_direct_sound_and_shut_for_the_reflection() -> None:
    times = GateTimes(np.array([0.010, 0.012]), np.array([0.015, 0.018]), "")
    time_s = np.arange(0.0, 0.03, 1e-5)
    window = gate_window(times, time_s)
    assert window.min() == 0
    assert window.max() == 1
    for weights, direct_s, end_s in zip(window, times.direct_s, times.end_s, strict=True):
        assert not weights[(time_s >= end_s) | (time_s <= direct_s - 1.01e-3)].any()
        length_s = end_s - direct_s
        assert (weights[(time_s >= direct_s - 0.49e-3) & (time_s <= direct_s + 0.39 * length_s)] == 1).all()
        closing = weights[time_s >= direct_s]
        assert (np.diff(closing) <= 0).all()
        # no corner that would ring: no step above that of a raised cosine over 0.6 of the length
        assert np.abs(np.diff(closing)).max() < 0.5 * np.pi * 1e-5 / (0.6 * length_s) * 1.01


def test_latency_moves_the_gate_along() -> None:
    """10 ms more on the way through the electronics: in the records, or in the time of their first sample."""
    session = scan("caps", "small")
    values = responses(session).values
    late = np.zeros_like(values)
    late[..., 480:] = values[..., :-480]
    stated = replace(session, response=replace(responses(session), start_s=responses(session).start_s + 0.010))
    usual = times_of(session)
    for other in (with_values(session, late), stated):
        moved = times_of(other)
        np.testing.assert_allclose(moved.direct_s, usual.direct_s + 0.010, rtol=0, atol=1e-12)
        np.testing.assert_allclose(moved.length_s, usual.length_s, rtol=0, atol=1e-12)
    plain, shifted = (condition(one, GRID, GateSettings()).gated for one in (session, with_values(session, late)))
    assert plain is not None
    assert shifted is not None
    frequency_hz = condition(session, GRID).frequency_hz
    turn = np.exp(-2j * np.pi * frequency_hz * 0.010)[:, None, None]
    # single precision of the records
    np.testing.assert_allclose(
        shifted.pressure_pa, turn * plain.pressure_pa, rtol=0, atol=1e-6 * np.abs(plain.pressure_pa).max()
    )


def test_records_may_start_just_before_the_sound() -> None:
    session = scan("caps", "small")
    response = responses(session)
    start = int((times_of(session).direct_s.min() - 0.5e-3 - response.start_s) * RATE_HZ)
    short = replace(
        session,
        response=ImpulseResponses(response.values[..., start:], RATE_HZ, response.start_s + start / RATE_HZ),
    )
    np.testing.assert_allclose(times_of(short).direct_s, times_of(session).direct_s, rtol=0, atol=1e-12)
    pressures = [condition(one, GRID, GateSettings()).gated for one in (session, short)]
    whole, cut = (one.pressure_pa for one in pressures if one is not None)
    # the band limit rings ahead of the sound
    np.testing.assert_allclose(cut, whole, rtol=0, atol=1e-3 * np.abs(whole).max())


@pytest.mark.parametrize("room", ["small", "large"])
@pytest.mark.parametrize("source", ["center", "pair", "caps", "two-way"])
def test_found_in_the_data_never_late_and_not_uselessly_early(source: str, room: str) -> None:
    stated = times_of(scan(source, room))
    found = times_of(untold(scan(source, room)))
    assert np.ptp(found.length_s) < 1e-12
    # to the earliest reflection at any point; what tells it is 0.6 ms wide, and a cabinet's edge is not its driver
    assert stated.length_s.min() - 1.3e-3 < found.length_s[0] < stated.length_s.min()
    assert found.told.split(", ", 1)[1].startswith("found in the responses: at ")


@pytest.mark.parametrize("source", ["center", "pair", "caps", "two-way"])
def test_nothing_is_found_in_free_field(source: str) -> None:
    assert refusal(untold(scan(source, "free"))) == "no reflection was found in the responses"


@pytest.mark.parametrize("noise_db", [-80.0, -60.0, -45.0, -30.0])
@pytest.mark.parametrize("room", ["free", "small", "large"])
@pytest.mark.parametrize("source", ["pair", "two-way"])
def test_noise_is_no_reflection_and_hides_none_unnoticed(source: str, room: str, noise_db: float) -> None:
    """Re the largest sample of all; at the quietest points the direct sound is 10 to 20 dB below that."""
    times = gate_times(untold(scan(source, room, noise_db)), SPEED, ALL)
    if isinstance(times, str):
        assert times in (
            "no reflection was found in the responses",
            "noise may hide the first reflection in the responses",
        )
    else:
        assert room != "free"
        earliest_s = times_of(scan(source, room)).length_s.min()
        assert earliest_s - 1.3e-3 < times.length_s[0] < earliest_s
    if source == "pair" and noise_db <= -60 and room == "small":
        assert isinstance(times, GateTimes)


@pytest.mark.parametrize("noise_db", [-80.0, -60.0, -45.0])
@pytest.mark.parametrize("source", ["pair", "caps", "two-way"])
def test_noise_before_the_sound_is_not_the_sound(source: str, noise_db: float) -> None:
    clean, noisy = times_of(scan(source, "small")), times_of(scan(source, "small", noise_db))
    np.testing.assert_allclose(noisy.direct_s, clean.direct_s, rtol=0, atol=LATE_S)


def test_noise_throughout_is_told_in_words() -> None:
    values = np.random.default_rng(3).normal(size=(1, POINTS, SAMPLES))
    assert refusal(with_values(scan("caps", "small"), values)) == "the direct sound does not stand out of the noise"


def test_clicks_before_the_sound_at_a_few_points_do_not_count() -> None:
    session = scan("caps", "small")
    values = responses(session).values.copy()
    values[0, [7, 31], [20, 35]] = np.abs(values).max()
    # the latency then comes from the first of the other points, no longer from the third
    early_s = times_of(session).direct_s - times_of(with_values(session, values)).direct_s
    assert 0 <= early_s.min() <= early_s.max() < 0.2e-3


def test_the_earliest_channel_opens_the_gate() -> None:
    session = scan("caps", "small")
    one = responses(session).values[0]
    later = np.roll(one, 144, axis=1)
    times = times_of(session)
    for values in (np.stack([one, later]), np.stack([later, one]), np.stack([one, np.zeros_like(one)])):
        other = times_of(with_values(session, values))
        np.testing.assert_array_equal(other.direct_s, times.direct_s)
        np.testing.assert_array_equal(other.end_s, times.end_s)


def test_gated_channels_are_gated_each() -> None:
    session = scan("caps", "small")
    one = responses(session).values[0]
    both = condition(with_values(session, np.stack([one, -2.0 * one])), GRID, GateSettings()).gated
    alone = condition(session, GRID, GateSettings()).gated
    assert both is not None
    assert alone is not None
    np.testing.assert_allclose(both.pressure_pa[:, 0], alone.pressure_pa[:, 0], rtol=1e-12)
    np.testing.assert_allclose(both.pressure_pa[:, 1], -2.0 * alone.pressure_pa[:, 0], rtol=1e-12)


def test_gated_repeats_are_averaged_like_the_others() -> None:
    session = scan("caps", "small")
    values = responses(session).values.astype(np.float64)
    twice = replace(
        with_values(session, np.concatenate([0.9 * values, 1.1 * values], axis=1)),
        positions_m=np.tile(session.positions_m, (2, 1)),
        valid=np.ones(2 * POINTS, dtype=np.bool_),
        surface=np.tile(session.surface, 2),
        air=replace(session.air, temperature_c=None),
        channel_names=session.channel_names,
    )
    once = replace(session, air=twice.air)
    averaged, single = (condition(one, GRID, GateSettings()).gated for one in (twice, once))
    assert averaged is not None
    assert single is not None
    np.testing.assert_allclose(averaged.length_s, single.length_s, rtol=1e-12)
    # single precision of the once recorded
    np.testing.assert_allclose(
        averaged.pressure_pa, single.pressure_pa, rtol=0, atol=1e-6 * np.abs(single.pressure_pa).max()
    )


def test_gated_is_free_field_far_above_one_over_the_gate() -> None:
    """Against the closed form of the source alone, where the room's sound is 5 dB below the direct sound or less."""
    session, single = scan("two-way", "small"), scene("two-way", "small")
    spectra = condition(session, GRID, GateSettings())
    assert spectra.gated is not None
    assert spectra.notices[-1].startswith("gated: first reflection 3.")
    expected = truth(single).pressure(spectra.frequency_hz, spectra.positions_m)
    scale = np.linalg.norm(expected, axis=1)
    gated_error, error = (
        np.linalg.norm(pressure[:, 0] - expected, axis=1) / scale
        for pressure in (spectra.gated.pressure_pa, spectra.pressure_pa)
    )
    # the shortest gate is 3.1 ms: from 6 / L = 1.9 kHz on -40 dB, from 12 / L on -50 dB
    upper, top = spectra.frequency_hz > 1900.0, spectra.frequency_hz > 3900.0
    assert gated_error[upper].max() < 10 ** (-40 / 20)
    assert gated_error[top].max() < 10 ** (-50 / 20)
    assert error[upper].min() > 0.1
    # and what lies below 1 / L it cannot know
    assert gated_error[spectra.frequency_hz < 300.0].min() > 0.05


def test_other_spectra_are_not_touched_and_not_gated_where_not_wanted() -> None:
    session = scan("caps", "small")
    gated, plain = condition(session, GRID, GateSettings()), condition(session, GRID)
    np.testing.assert_array_equal(gated.pressure_pa, plain.pressure_pa)
    assert plain.gated is None
    assert condition(session, GRID, GateSettings(enabled=False)).gated is None
    refused = condition(scan("caps", "free"), GRID, GateSettings())
    assert refused.gated is None
    assert refused.notices[-1] == "not gated: no reflection was found in the responses"


def test_transfer_functions_are_not_gated() -> None:
    listed = scene("caps", "small").model_copy(
        update={"recording": TransferFunctionModel(frequency_hz=(100.0, 1000.0))}
    )
    session = simulate(listed, 1)
    assert condition(session, GRID, GateSettings()).gated is None
    assert refusal(session) == "transfer functions cannot be gated"
