"""Scans in pieces: what is joined, what is corrected, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from fieldproc.errors import SessionError, UsageError
from fieldproc.pack import MergeSettings, merge_sessions
from fieldproc.pack.surfaces import number_surfaces
from fieldproc.pack.ties import band_spectra, tie
from fieldproc.pack.timebase import delayed
from fieldproc.records import (
    Air,
    Cabinet,
    Drive,
    ImpulseResponses,
    Microphone,
    Noise,
    ReferenceAxis,
    Room,
    Session,
    Sigma,
    TransferFunctions,
)
from fieldproc.simulate import Scene, simulate
from fieldproc.simulate.scans import cylinder_scan, sphere_scan

PLAIN = MergeSettings()
CORRECTING = MergeSettings(correct_gain=True)
FREQUENCY_HZ = tuple(100.0 * 2 ** (i / 3) for i in range(14))


def scan(points: int = 64, **recording: Any) -> Session:
    """A point source in a room, on two spheres, as impulse responses or at a few frequencies."""
    scene = {
        "title": "Box",
        "source": {"kind": "monopoles", "monopoles": [{"position_m": [0.02, 0.01, 0.0]}]},
        "room": {"kind": "shoebox", "order": 1},
        "scan": {"kind": "sphere", "points": points, "radius_m": 0.3, "grid": "spiral"},
        "recording": recording or {"kind": "impulse response", "samples": 2048},
    }
    return replace(simulate(Scene.model_validate(scene), 1), sha256="ab" * 32)


@pytest.fixture(scope="module")
def whole() -> Session:
    return scan()


@pytest.fixture(scope="module")
def whole_transfer() -> Session:
    return scan(kind="transfer function", frequency_hz=FREQUENCY_HZ)


def piece(session: Session, chosen: np.ndarray | slice, name: str, **other: Any) -> Session:
    """Some points of a session as a piece of its own."""
    response = session.response
    if isinstance(response, ImpulseResponses):
        cut: Any = replace(response, values=response.values[:, chosen])
    else:
        cut = replace(response, values=response.values[:, :, chosen])
    assert session.air.temperature_c is not None
    return replace(
        session,
        **{
            "name": name,
            "response": cut,
            "positions_m": session.positions_m[chosen],
            "valid": session.valid[chosen],
            "surface": session.surface[chosen],
            "air": Air(temperature_c=session.air.temperature_c[chosen]),
            **other,
        },
    )


def values(session: Session) -> np.ndarray:
    return np.asarray(session.response.values)


def refusal(pieces: list[Session], settings: MergeSettings = PLAIN) -> list[str]:
    with pytest.raises(SessionError) as refused:
        merge_sessions(pieces, settings)
    return str(refused.value).splitlines()


def test_pieces_make_the_whole(whole: Session, whole_transfer: Session) -> None:
    for session in (whole, whole_transfer):
        pieces = [
            piece(session, slice(0, 20), "a"),
            piece(session, slice(20, 50), "b"),
            piece(session, slice(50, 64), "c"),
        ]
        merged = merge_sessions(pieces, PLAIN)
        np.testing.assert_array_equal(values(merged), values(session))
        np.testing.assert_array_equal(merged.positions_m, session.positions_m)
        np.testing.assert_array_equal(merged.surface, session.surface)
        assert merged.air.temperature_c is not None
        assert merged.air.temperature_c.tolist() == [20.0] * 64
        assert merged.name == "a + b + c"
        np.testing.assert_array_equal(merged.room.reflector_distances_m, session.room.reflector_distances_m)
        assert merged.attributes["comment"].count("SHA-256 " + "ab" * 32) == 3
        assert [told for told in merged.notices if "shares no place" in told] == [
            f"{name}: shares no place with the pieces before it, so its gain cannot be checked from the points; "
            "a run compares surfaces by their waves"
            for name in "bc"
        ]


@pytest.mark.parametrize(
    ("other", "told"),
    [
        ({"unit": "Pa/FS"}, "b, units: found Pa/FS; required Pa/V, as in a"),
        ({"device": "another"}, "b, device: found another; required simulated, as in a"),
        ({"channel_names": ("woofer",)}, "b, channel names: found"),
        ({"drive": Drive(voltage_v=2.0)}, "b, drive voltage: found 2; required 2.83, as in a"),
        ({"microphone": Microphone(0.01)}, "b, microphone sensitivity: found 0.01; required none, as in a"),
        (
            {"axis": ReferenceAxis(np.array([0.1, 0, 0]))},
            "b, axis origin: found 0.1, 0, 0; required 0, 0, 0, as in a",
        ),
        ({"air": Air()}, "b, /air/temperature_c: found no value; required one in every piece"),
        ({"calibrated": False}, "b, calibrated: found False"),
    ],
)
def test_what_must_agree(whole: Session, other: dict[str, Any], told: str) -> None:
    (line,) = refusal([piece(whole, slice(0, 20), "a"), piece(whole, slice(20, 64), "b", **other)])
    assert line.startswith(f"a + b: {told}")


def test_every_clash_is_told_at_once(whole: Session, whole_transfer: Session) -> None:
    box = Cabinet(np.array([0.2, 0.2, 0.3]), np.zeros(3))
    first = piece(whole, slice(0, 20), "a")
    second = piece(whole, slice(20, 40), "b", cabinet=box, rated_impedance_ohm=8.0)
    third = piece(whole_transfer, slice(40, 64), "c", cabinet=replace(box, size_m=np.array([0.2, 0.2, 0.31])))
    told = refusal([first, second, third])
    assert [line.partition(": found")[0] for line in told] == [
        "a + b + c: c, kind of response",
        "a + b + c: c, frequencies",
        "a + b + c: c, sampling rate",
        "a + b + c: c, cabinet size",
    ]
    # what only one piece says holds for all
    merged = merge_sessions([first, second], PLAIN)
    assert (merged.cabinet, merged.rated_impedance_ohm) == (box, 8.0)


def test_one_rate_but_not_one_piece(whole: Session) -> None:
    assert isinstance(whole.response, ImpulseResponses)
    slow = replace(whole.response, values=whole.response.values[:, 20:], sampling_rate_hz=44100.0)
    (line,) = refusal([piece(whole, slice(0, 20), "a"), replace(piece(whole, slice(20, 64), "b"), response=slow)])
    assert "sampling rate: found 44100; required 48000" in line
    with pytest.raises(UsageError, match="two scans or more"):
        merge_sessions([whole], PLAIN)


# --- shared places -----------------------------------------------------------------------------------


def with_gain(session: Session, gain_db: float, delay_samples: float) -> Session:
    response = session.response
    assert isinstance(response, ImpulseResponses)
    later = delayed(response.values.astype(np.float64), delay_samples) * 10 ** (gain_db / 20)
    return replace(session, response=replace(response, values=later))


@pytest.mark.parametrize(("gain_db", "delay"), [(0.3, 0.0), (-0.25, 3.4), (0.0, 400.25)])
def test_gain_and_delay_at_shared_places(whole: Session, gain_db: float, delay: float) -> None:
    first = piece(whole, slice(0, 40), "a")
    second = with_gain(piece(whole, slice(30, 64), "b"), gain_db, delay)
    (line,) = refusal([first, second])
    assert line.startswith(
        f"a + b: b against a: found {gain_db:+.3f} +- 0.000 dB and {delay / 0.048:+.2f} +- 0.00 us"
    )
    assert "10 shared places" in line
    assert "--correct-gain" in line
    merged = merge_sessions([first, second], CORRECTING)
    assert "b: gain and delay were corrected to those of a" in merged.notices
    # single precision of the simulated responses, and what a shift of phase loses at the ends of the record
    np.testing.assert_allclose(
        values(merged)[:, 40:50], values(whole)[:, 30:40], atol=2e-4 * np.abs(values(whole)).max()
    )


def test_transfer_functions_are_corrected_too(whole_transfer: Session) -> None:
    turn = 1.05 * np.exp(-2j * np.pi * np.array(FREQUENCY_HZ) * 50e-6)[:, None, None]
    second = piece(whole_transfer, slice(30, 64), "b")
    assert isinstance(second.response, TransferFunctions)
    second = replace(second, response=replace(second.response, values=second.response.values * turn))
    merged = merge_sessions([piece(whole_transfer, slice(0, 40), "a"), second], CORRECTING)
    np.testing.assert_allclose(values(merged)[:, :, 40:], values(whole_transfer)[:, :, 30:], rtol=1e-9)


def test_standard_errors_hold(whole: Session) -> None:
    # 10 shared places with noise in both pieces: the differences found, over many draws, spread as stated
    generator = np.random.default_rng(7)
    frequency_hz, clean = band_spectra(whole, np.arange(10), 100.0, 2000.0)
    level = 0.03 * np.sqrt(np.mean(np.abs(clean) ** 2))
    found = []
    for _ in range(100):
        left, right = (
            clean + level * generator.normal(size=(*clean.shape, 2)).view(np.complex128)[..., 0] for _ in range(2)
        )
        found.append(tie(left, right, frequency_hz))
    for value, error in (("gain_db", "gain_error_db"), ("delay_s", "delay_error_s")):
        score = np.array([getattr(one, value) / getattr(one, error) for one in found])
        # of 100 draws of Student's t with 9 degrees of freedom: rms 1.13 +- 0.10
        assert 0.8 < np.sqrt(np.mean(score**2)) < 1.4
    assert np.isnan(tie(clean[..., :1], clean[..., :1], frequency_hz).gain_error_db)


def test_opposite_polarity_is_refused_even_when_correcting(whole: Session) -> None:
    second = piece(whole, slice(30, 64), "b")
    second = replace(second, response=replace(second.response, values=-second.response.values))
    for settings in (PLAIN, CORRECTING):
        (line,) = refusal([piece(whole, slice(0, 40), "a"), second], settings)
        assert "of opposite polarity" in line


def test_near_places_count_as_far_as_the_settings_say(whole: Session) -> None:
    second = piece(whole, slice(30, 64), "b", positions_m=whole.positions_m[30:] + np.array([0.001, 0, 0]))
    pieces = [piece(whole, slice(0, 40), "a"), second]
    assert any("10 shared places" in told for told in merge_sessions(pieces, PLAIN).notices)
    strict = MergeSettings(shared_within_m=0.0005)
    assert any("shares no place" in told for told in merge_sessions(pieces, strict).notices)


def test_bad_points_are_no_measure(whole: Session) -> None:
    second = with_gain(piece(whole, slice(30, 64), "b"), 6.0, 0.0)
    second = replace(second, valid=np.arange(34) >= 10)
    assert any(
        "shares no place" in told for told in merge_sessions([piece(whole, slice(0, 40), "a"), second], PLAIN).notices
    )


def test_what_the_reference_explains_is_no_difference(whole: Session) -> None:
    pulse = np.zeros((64, 128))
    pulse[:, 20] = 1.0
    first = piece(whole, slice(0, 40), "a", drive=Drive(reference=pulse[:40], reference_sampling_rate_hz=48000.0))
    late = 2.0 * np.roll(pulse[30:, :100], 7, axis=1)
    second = with_gain(piece(whole, slice(30, 64), "b"), 20 * np.log10(2.0), 7.0)
    second = replace(second, drive=Drive(reference=late, reference_sampling_rate_hz=48000.0))
    merged = merge_sessions([first, second], PLAIN)
    assert any("+0.000 +- 0.000 dB" in told for told in merged.notices)
    assert merged.drive.reference is not None
    assert merged.drive.reference.shape == (74, 128)
    np.testing.assert_array_equal(merged.drive.reference[:40], pulse[:40])
    np.testing.assert_array_equal(np.argmax(merged.drive.reference[40:], axis=1), 27)
    without = merge_sessions([first, piece(whole, slice(40, 64), "b")], PLAIN)
    assert without.drive.reference is None
    assert any("/drive/reference left out" in told for told in without.notices)


# --- time axes ---------------------------------------------------------------------------------------


def test_other_starts_and_lengths(whole: Session) -> None:
    response = whole.response
    assert isinstance(response, ImpulseResponses)
    first, second = piece(whole, slice(0, 40), "a"), piece(whole, slice(40, 64), "b")
    shorter = replace(
        response, values=response.values[:, 40:, 100:1900], start_s=response.start_s + 100 / response.sampling_rate_hz
    )
    merged = merge_sessions([first, replace(second, response=shorter)], PLAIN)
    assert isinstance(merged.response, ImpulseResponses)
    assert merged.response.start_s == response.start_s
    np.testing.assert_array_equal(merged.response.values[:, 40:, 100:1900], response.values[:, 40:, 100:1900])
    assert not merged.response.values[:, 40:, :100].any()
    assert not merged.response.values[:, 40:, 1900:].any()
    assert "responses of unequal length; the shorter ones end in zeros" in merged.notices
    # half a sample later on the clock, as it was recorded: the sound itself stays where it was
    between = replace(
        response,
        values=delayed(response.values[:, 40:].astype(np.float64), -0.5),
        start_s=response.start_s + 0.5 / response.sampling_rate_hz,
    )
    merged = merge_sessions([first, replace(second, response=between)], PLAIN)
    np.testing.assert_allclose(
        values(merged)[:, 40:, :2048], values(whole)[:, 40:], atol=1e-5 * np.abs(values(whole)).max()
    )
    assert any("shifted by phase" in told for told in merged.notices)


def test_a_shift_of_phase_against_the_slow_sum() -> None:
    generator = np.random.default_rng(3)
    spectrum = generator.normal(size=20) + 1j * generator.normal(size=20)
    frequency = np.linspace(0.02, 0.3, 20)
    window = np.exp(-(((np.arange(512) - 256) / 60.0) ** 2))
    window_late = np.exp(-(((np.arange(512) - 256 - 3.3) / 60.0) ** 2))

    def wave(late: float) -> np.ndarray:
        time = np.arange(512) - late
        return sum((a * np.exp(2j * np.pi * f * time)).real for a, f in zip(spectrum, frequency, strict=True))

    # the window is 1e-8 at the ends of the record
    found = delayed((window * wave(0.0))[None], 3.3)[0]
    np.testing.assert_allclose(found, window_late * wave(3.3), atol=1e-6)


# --- surfaces, motion, time --------------------------------------------------------------------------


def test_surfaces_of_a_stopped_and_resumed_scan_stay() -> None:
    for surface in (0, -1):
        numbers = np.full(64, surface)
        sphere, _ = sphere_scan(64, 0.3, surfaces=1, grid="spiral")
        given = [numbers[:32], numbers[32:]]
        for found in number_surfaces([sphere[:32], sphere[32:]], given, np.zeros(3), "auto"):
            np.testing.assert_array_equal(found, surface)


@pytest.mark.parametrize("surface", [0, -1])
def test_scans_that_each_call_themselves_0_are_told_apart(surface: int) -> None:
    outer, _ = cylinder_scan(200, 0.34, 0.34, surfaces=1)
    inner, _ = cylinder_scan(200, 0.28, 0.28, surfaces=1)
    resumed = inner[100:]
    given = [np.full(200, surface), np.full(100, surface), np.full(100, surface)]
    numbers = number_surfaces([outer, inner[:100], resumed], given, np.zeros(3), "auto")
    assert [np.unique(one).tolist() for one in numbers] == [[1], [0], [0]]


def test_numbers_that_differ_already_are_kept_and_rules_can_be_stated() -> None:
    outer, _ = cylinder_scan(100, 0.34, 0.34, surfaces=1)
    inner, _ = cylinder_scan(100, 0.28, 0.28, surfaces=1)
    given = [np.full(100, 5), np.full(100, 2)]
    for rule, wanted in (("auto", [5, 2]), ("as named", [5, 2]), ("one per piece", [1, 0])):
        numbers = number_surfaces([outer, inner], given, np.zeros(3), rule)  # type: ignore[arg-type]
        assert [int(one[0]) for one in numbers] == wanted


def test_a_cabinet_turned_over(whole_transfer: Session) -> None:
    first = piece(whole_transfer, slice(0, 40), "a")
    turned = whole_transfer.positions_m[40:] * [1, -1, -1] + [0, 0, 0.5]
    second = piece(whole_transfer, slice(40, 64), "b", positions_m=turned)
    settings = MergeSettings.model_validate(
        {"motions": [{"piece": "b", "axis": [2, 0, 0], "angle_deg": 180, "translation_m": [0, 0, 0.5]}]}
    )
    merged = merge_sessions([first, second], settings)
    np.testing.assert_allclose(merged.positions_m, whole_transfer.positions_m, atol=1e-15)
    assert any("their room stood otherwise around the loudspeaker" in told for told in merged.notices)
    # by the right-hand rule x goes to y
    quarter = MergeSettings.model_validate({"motions": [{"piece": "b", "angle_deg": 90}]})
    found = merge_sessions([first, replace(second, positions_m=np.tile([0.3, 0, 0], (24, 1)))], quarter)
    np.testing.assert_allclose(found.positions_m[40], [0, 0.3, 0], atol=1e-15)
    with pytest.raises(UsageError, match="no piece c; pieces are a, b"):
        merge_sessions([first, second], MergeSettings.model_validate({"motions": [{"piece": "c"}]}))
    with pytest.raises(ValueError, match="zero vector"):
        MergeSettings.model_validate({"motions": [{"piece": "b", "axis": [0, 0, 0]}]})


def test_times_keep_rising(whole_transfer: Session) -> None:
    first = piece(whole_transfer, slice(0, 40), "a", measured_at_s=np.arange(40.0))
    second = piece(whole_transfer, slice(40, 64), "b", measured_at_s=5 + np.arange(24.0))
    merged = merge_sessions([first, second], PLAIN)
    assert merged.measured_at_s is not None
    np.testing.assert_array_equal(merged.measured_at_s[[0, 39, 40, 63]], [0, 39, 39, 62])
    clocks = [
        replace(one, attributes={"started": started})
        for one, started in ((first, "2024-03-01T10:00:00"), (second, "2024-03-02T09:00:00"))
    ]
    merged = merge_sessions(clocks[::-1], PLAIN)
    assert merged.measured_at_s is not None
    np.testing.assert_array_equal(merged.measured_at_s[[0, 24]], [23 * 3600 + 5, 0])
    assert merged.attributes["started"] == "2024-03-01T10:00:00"
    merged = merge_sessions([first, replace(second, measured_at_s=None)], PLAIN)
    assert merged.measured_at_s is None
    assert "/measured_at_s left out: not every piece has it" in merged.notices


def test_facts_of_the_room_and_the_air(whole: Session) -> None:
    noise = Noise(np.ones((1, 2, 50)), 48000.0)
    first = piece(
        whole,
        slice(0, 40),
        "a",
        noise=noise,
        room=Room(first_reflection_s=np.full(40, 0.004)),
        sigma=Sigma(position_m=1e-4),
        notices=("something",),
    )
    first = replace(first, air=replace(first.air, relative_humidity_percent=40.0, pressure_pa=1e5))
    second = piece(whole, slice(40, 64), "b", noise=noise, sigma=Sigma(position_m=3e-4, latency_s=1e-6))
    second = replace(second, air=Air(np.full(24, 344.0), np.full(24, 22.0), 50.0, None))
    first = replace(first, air=replace(first.air, sound_speed_m_per_s=np.full(40, 343.0)))
    merged = merge_sessions([first, second], PLAIN)
    assert merged.noise is not None
    assert merged.noise.values.shape == (1, 4, 50)
    assert (merged.air.relative_humidity_percent, merged.air.pressure_pa) == (45.0, 1e5)
    assert merged.air.sound_speed_m_per_s is not None
    np.testing.assert_array_equal(np.unique(merged.air.sound_speed_m_per_s), [343, 344])
    assert merged.sigma == Sigma(position_m=3e-4, latency_s=1e-6)
    assert merged.room == Room()
    for told in (
        "a: something",
        "/room/first_reflection_s left out: not every piece has it",
        "/room/reflector_distances_m left out: the pieces do not state the same",
        "relative humidity: 45 % for all, the mean of what the pieces state",
        "air pressure: 100000 Pa for all, the mean of what the pieces state",
    ):
        assert told in merged.notices
    longer = replace(second, noise=Noise(np.ones((1, 3, 60)), 48000.0))
    merged = merge_sessions([first, longer], PLAIN)
    assert merged.noise is not None
    assert merged.noise.values.shape == (1, 2, 50)
