"""Balloons: frequencies that may be used, surfaces of any directions, colour and place of the loudest side."""

from __future__ import annotations

import numpy as np
import pytest
from report.drawn import all_words, svg_bytes

from fieldproc.conventions import Floats, directions_from_angles, polar_directions
from fieldproc.extrapolate import balloon_directions
from fieldproc.records import FarField, Table, Verdict
from fieldproc.report.balloon import REACH_DB, Surface, balloon_figure, usable_rows
from fieldproc.report.views import view_axes

FREQUENCY_HZ = np.array([250.0, 480.0, 530.0, 2000.0, 11_000.0])
GAUSS = balloon_directions("gauss", 12)
RNG = np.random.default_rng(3)


def random_directions(count: int) -> Floats:
    vectors = RNG.normal(size=(count, 3))
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True))


def far_field(directions: Floats, channels: int = 1) -> FarField:
    """6 dB less behind than in front, evenly with the cosine."""
    pressure_pa = 10.0 ** ((3.0 * directions[:, 0] - 3.0) / 20.0)
    shape = (len(FREQUENCY_HZ), channels, len(directions))
    return FarField(
        frequency_hz=FREQUENCY_HZ,
        directions=directions,
        pressure_pa=np.broadcast_to(pressure_pa, shape).astype(np.complex128),
        sound_power_w=np.full(shape[:2], np.nan),
        distance_m=np.inf,
        channel_names=tuple(f"way {channel}" for channel in range(channels)),
    )


def judged(verdict: list[Verdict]) -> Table:
    return Table("quality", ("frequency_hz", "verdict_code"), np.column_stack([FREQUENCY_HZ, verdict]), {})


def test_the_nearest_frequency_that_may_be_used_stands_for_another() -> None:
    field = far_field(GAUSS)
    # 530 Hz is a twelfth of an octave above 500, 480 nearer; 11 kHz a seventh above 10; 5 kHz has none near
    assert usable_rows(field, None, (500.0, 2000.0, 5000.0, 10_000.0)) == [1, 3, 4]
    bad, good = Verdict.DO_NOT_USE, Verdict.CAUTION
    assert usable_rows(field, judged([good, bad, good, bad, good]), (500.0, 2000.0, 10_000.0)) == [2, 4]
    assert usable_rows(field, None, (470.0, 485.0)) == [1]
    assert usable_rows(field, judged([bad] * 5), (500.0,)) == []
    assert balloon_figure(field, judged([bad] * 5), title="") is None


@pytest.mark.parametrize(
    "directions", [balloon_directions("aes56", 1), GAUSS, random_directions(2500)], ids=["aes56", "gauss", "random"]
)
def test_triangles_close_the_sphere_and_face_outwards(directions: Floats) -> None:
    surface = Surface.of(directions, np.ones(len(directions), dtype=np.complex128))
    assert surface is not None
    # Euler: a closed surface of triangles has two less than twice the corners
    assert len(surface.triangles) == 2 * len(directions) - 4
    assert np.all(np.sum(surface.normals() * surface.directions, axis=1) > 0.7)
    finer = surface.finer()
    assert len(finer.triangles) == 4 * len(surface.triangles)
    assert len(finer.directions) == len(directions) + 3 * len(surface.triangles) // 2
    np.testing.assert_allclose(np.linalg.norm(finer.directions, axis=1), 1.0, rtol=1e-12)


def test_places_are_as_far_out_as_the_level_is_high() -> None:
    pressure_pa = np.ones(len(GAUSS), dtype=np.complex128)
    pressure_pa[[3, 4, 5]] = 10.0 ** (-15.0 / 20.0), 10.0 ** (-REACH_DB / 20.0), 0.0
    surface = Surface.of(GAUSS, 7.0 * pressure_pa)
    assert surface is not None
    out = np.linalg.norm(surface.places, axis=1)
    np.testing.assert_allclose(out[[0, 3, 4, 5]], [1.0, 0.5, 0.0, 0.0], rtol=0, atol=1e-12)
    assert np.isfinite(surface.finer().level_db).all()


def test_where_there_are_no_directions_there_is_no_surface() -> None:
    upper = GAUSS[GAUSS[:, 2] > 0.0]
    half = Surface.of(upper, np.ones(len(upper), dtype=np.complex128))
    assert half is None or half.directions[half.triangles].mean(axis=1)[:, 2].min() > 0.0
    dense = balloon_directions("aes56 half", 1)
    left = Surface.of(dense, np.ones(len(dense), dtype=np.complex128))
    assert left is not None
    # no triangle spans the open side: all middles lie to the left (rounding at the edge aside)
    assert left.directions[left.triangles].mean(axis=1)[:, 1].min() > -1e-9
    for too_few in (GAUSS[:150], polar_directions(), np.repeat(GAUSS[:4], 100, axis=0)):
        assert Surface.of(too_few, np.ones(len(too_few), dtype=np.complex128)) is None
    silent = Surface.of(GAUSS, np.full(len(GAUSS), complex(np.nan, np.nan)))
    assert silent is None


def test_very_many_directions_are_thinned() -> None:
    directions = random_directions(30_000)
    surface = Surface.of(directions, np.ones(len(directions), dtype=np.complex128))
    assert surface is not None
    assert 4000 < len(surface.directions) < 12_000


def test_front_left_and_up_lie_where_they_are_seen() -> None:
    view = view_axes(40.0, 22.0)
    np.testing.assert_allclose(view @ view.T, np.eye(3), rtol=0, atol=1e-15)
    front, left, up = view.T
    # from the front left, front is at the left hand and left at the right hand, all three towards the onlooker
    assert front[0] < 0.0 < left[0]
    assert min(front[2], left[2], up[2]) > 0.0
    assert up[1] > 0.9
    onlooker = directions_from_angles(np.array(40.0), np.array(22.0))
    np.testing.assert_allclose(view @ onlooker, [0.0, 0.0, 1.0], rtol=0, atol=1e-15)
    # from above: front at the top, left at the left
    above = view_axes(180.0, 90.0)
    np.testing.assert_allclose(above @ np.eye(3), [[0, -1, 0], [1, 0, 0], [0, 0, 1]], rtol=0, atol=1e-15)


def test_a_figure_says_what_it_shows_and_is_the_same_again() -> None:
    field = far_field(GAUSS, channels=2)
    figures = [balloon_figure(field, channel=1, frequencies_hz=(500.0, 2000.0), title="box") for _ in range(2)]
    assert figures[0] is not None
    assert figures[1] is not None
    words = all_words(figures[0])
    for told in ("480 Hz", "2 kHz", "front", "left", "up", "level in dB re the largest", "box"):
        assert told in words
    assert svg_bytes(figures[0]) == svg_bytes(figures[1])


def test_the_level_on_the_axis_is_told() -> None:
    # the nearest of these directions is 7 degrees off the axis
    without = balloon_directions("gauss", 11)
    front = without[:, 0] > 0.9
    pressure_pa = np.where(front, 10.0 ** (-12.34 / 20.0), 1.0).astype(np.complex128)
    surface = Surface.of(without, pressure_pa)
    assert surface is not None
    assert surface.axis_words == ""
    directions = np.concatenate([[[1.0, 0.0, 0.0]], without])
    on_axis = Surface.of(directions, np.concatenate([pressure_pa[front][:1], pressure_pa]))
    assert on_axis is not None
    assert on_axis.axis_words == "on axis \N{MINUS SIGN}12.3 dB"
