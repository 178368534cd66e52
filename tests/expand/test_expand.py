"""What is fitted, about which origin, and what is refused: a monopole and one image of it, exact pressures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.plain_waves import spiral
from scanned import AIR, make_spectra, noisy

from fieldproc.errors import NumericalError
from fieldproc.expand import expand
from fieldproc.records import Cabinet, Expansion, KnownSource, ReferenceAxis, Spectra
from fieldproc.settings import ExpansionSettings, OrderSettings, SeparationSettings, Settings
from fieldproc.simulate.scans import cylinder_scan

SOUND_SPEED_M_PER_S = AIR.sound_speed_m_per_s
FREQUENCY_HZ = np.array([50.0, 200.0, 800.0])
PLACE_M = np.array([0.02, -0.01, 0.03])
# The source's mirror image in a wall at 1.2 m behind it, and how much of it the wall returns.
IMAGE_M = np.array([-2.42, -0.01, 0.03])
REFLECTION = 0.7


def monopole(frequency_hz: np.ndarray, place_m: np.ndarray, positions_m: np.ndarray) -> np.ndarray:
    """exp(-ikR)/R in Pa, (frequency, point)."""
    distance_m = np.linalg.norm(positions_m - place_m, axis=1)
    return np.exp(-2j * np.pi * frequency_hz[:, None] * distance_m / SOUND_SPEED_M_PER_S) / distance_m


def two_spheres(each: int) -> np.ndarray:
    return np.concatenate([0.3 * spiral(each), 0.37 * spiral(each)])


def spectra_of(positions_m: np.ndarray, room: float = REFLECTION, **stated: object) -> Spectra:
    """One channel about a known source; ``room`` = 0 for free field."""
    pressure = monopole(FREQUENCY_HZ, PLACE_M, positions_m) + room * monopole(FREQUENCY_HZ, IMAGE_M, positions_m)
    return make_spectra(positions_m, FREQUENCY_HZ, pressure, known_source=KnownSource(PLACE_M), **stated)


SHELL = spectra_of(two_spheres(120))
SURFACE = spectra_of(0.3 * spiral(200))


def settings_of(**sections: object) -> Settings:
    return Settings(**sections)  # type: ignore[arg-type]


def strength_error(expansion: Expansion) -> np.ndarray:
    """Degree 0 about the source itself, where exp(-ikR)/R = -ik h_0 = -ik sqrt(4 pi) h_0 Y_00."""
    k = 2 * np.pi * FREQUENCY_HZ / SOUND_SPEED_M_PER_S
    return np.abs(expansion.outgoing[:, 0, 0] / (-1j * k * np.sqrt(4 * np.pi)) - 1.0)


def test_a_shell_is_separated() -> None:
    expansion = expand(SHELL, Settings())
    assert (expansion.regular_order >= 0).all()
    # what there is to say of it: what no verdict sees, and what it cost
    unseen, cost = expansion.notices
    assert unseen.startswith("errors that all points have in common were not looked at")
    assert cost.startswith("solved ")
    assert f"on {len(SHELL.positions_m)} points" in cost
    # truncation aims at 1e-3 at the points; the far field of degree 0 is closer
    assert (strength_error(expansion) < 1e-3).all()
    # the image is 2.4 m away and the points 0.33 m: rms ratio 0.7 * 0.33 / 2.4 = -20 dB
    np.testing.assert_allclose(expansion.quality.room_to_direct_db, -20.3, rtol=0, atol=0.5)
    assert expansion.quality.verdict.tolist() == [[0], [0], [0]]


def test_a_single_surface_is_never_separated_by_itself() -> None:
    expansion = expand(SURFACE, Settings())
    assert expansion.regular_order.tolist() == [-1, -1, -1]
    assert expansion.regular.shape == (3, 1, 0)
    assert any("no separation" in notice for notice in expansion.notices)
    assert (expansion.quality.verdict >= 1).all()
    assert np.isneginf(expansion.quality.room_to_direct_db).all()
    # and the room is then taken for the source, by about its share
    assert (strength_error(expansion) > 0.01).any()


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize(("points", "half_height_m"), [(200, 0.28), (200, 0.8), (400, 0.8), (1000, 0.8)])
def test_a_coarse_cylinder_is_not_separated(points: int, half_height_m: float, named: bool) -> None:
    """With few points the edges of a cylinder look like a shell, whether the file names its surface or not."""
    positions_m, surface = cylinder_scan(points, 0.28, half_height_m, surfaces=1)
    expansion = expand(spectra_of(positions_m, surface=surface if named else np.full(points, -1)), Settings())
    assert expansion.regular_order.tolist() == [-1, -1, -1]


def test_separation_can_be_switched_off() -> None:
    expansion = expand(SHELL, settings_of(separation=SeparationSettings(enabled=False)))
    assert expansion.regular_order.tolist() == [-1, -1, -1]
    assert (expansion.quality.verdict >= 1).all()


def test_separation_of_one_surface_is_refused_when_insisted_on() -> None:
    # 1.2 * 4 pi / 200 points: what the edges of one surface can look like
    with pytest.raises(NumericalError, match=r"thickness of the scanned shell .* limit at least 0\.0754"):
        expand(SURFACE, settings_of(separation=SeparationSettings(enabled=True)))


def test_orders_beyond_the_points_are_refused() -> None:
    spectra = spectra_of(two_spheres(20), surface=np.repeat([0, 1], 20))
    with pytest.raises(NumericalError, match=r"unknowns at 50 Hz \(orders 5 and 4\) is 61, limit the 40 points"):
        expand(spectra, settings_of(orders=OrderSettings(outgoing=5, regular=4)))


def test_a_fit_through_every_point_predicts_nothing() -> None:
    spectra = spectra_of(0.3 * spiral(16), room=0.0)
    expansion = expand(spectra, settings_of(orders=OrderSettings(outgoing=3)))
    assert (expansion.quality.verdict == 2).all()


def test_origin_on_a_point_is_refused() -> None:
    at = tuple(SHELL.positions_m[3].tolist())
    with pytest.raises(NumericalError, match="distance of a point from the expansion origin is 0 m"):
        expand(SHELL, settings_of(expansion=ExpansionSettings(origin_m=at)))


def test_no_usable_frequency_is_refused() -> None:
    silent = replace(SHELL, usable=np.zeros(3, dtype=np.bool_))
    with pytest.raises(NumericalError, match="number of usable frequencies is 0"):
        expand(silent, Settings())


def test_an_unusable_frequency_is_left_alone() -> None:
    pressure = SHELL.pressure_pa.copy()
    pressure[0] = np.nan
    pressure[2] = 0.0
    spectra = replace(SHELL, pressure_pa=pressure, usable=np.array([False, True, True]))
    # orders that the other frequencies have no say in
    settings = settings_of(orders=OrderSettings(truncation_db=-60.0))
    expansion = expand(spectra, settings)
    for row in (0, 2):
        assert not expansion.outgoing[row].any()
        assert np.isnan(expansion.quality.condition[row])
        assert expansion.quality.verdict[row, 0] == 2
    np.testing.assert_array_equal(expansion.outgoing[1], expand(SHELL, settings).outgoing[1])
    # points are judged over what could be solved
    assert np.isfinite(expansion.quality.point_residual_db).all()


@pytest.mark.parametrize(
    ("changes", "setting", "expected"),
    [
        ({}, (0.0, 0.01, 0.0), (0.0, 0.01, 0.0)),
        ({"cabinet": Cabinet(np.full(3, 0.1), np.array([0.01, 0.0, 0.0]))}, "auto", (0.01, 0.0, 0.0)),
        ({}, "auto", tuple(PLACE_M)),
        (
            {"known_source": None, "axis": ReferenceAxis(origin_m=np.array([0.0, 0.0, 0.05]))},
            "auto",
            (0.0, 0.0, 0.05),
        ),
    ],
)
def test_origin_is_the_setting_else_cabinet_else_source_else_axis(
    changes: dict[str, object], setting: object, expected: tuple[float, ...]
) -> None:
    expansion = expand(replace(SHELL, **changes), settings_of(expansion={"origin_m": setting}))
    np.testing.assert_array_equal(expansion.origin_m, np.tile(expected, (3, 1)))


def test_source_radius_holds_the_cabinet() -> None:
    spectra = replace(SHELL, cabinet=Cabinet(np.array([0.2, 0.1, 0.2]), np.zeros(3)))
    # half the diagonal of 0.2 by 0.1 by 0.2 m
    np.testing.assert_allclose(expand(spectra, Settings()).source_radius_m, 0.15, rtol=1e-12)


def test_a_table_of_orders_is_followed() -> None:
    orders = OrderSettings(outgoing=((0.0, 1), (100.0, 3)), regular=2)
    expansion = expand(SHELL, settings_of(orders=orders))
    assert expansion.outgoing_order.tolist() == [1, 3, 3]
    assert expansion.regular_order.tolist() == [2, 2, 2]
    # columns beyond the order of a frequency hold zeros
    assert not expansion.outgoing[0, :, 4:].any()
    assert expansion.outgoing[1, 0, 4:].all()


def test_a_fixed_outgoing_order_does_not_hide_that_the_room_was_left_in() -> None:
    """Where the points cannot carry the regular set, nothing is to be believed, whoever chose the outgoing one."""
    frequency_hz = np.array([200.0, 2000.0])
    pressure = monopole(frequency_hz, PLACE_M, SHELL.positions_m) + 0.5 * monopole(
        frequency_hz, IMAGE_M, SHELL.positions_m
    )
    spectra = replace(
        SHELL, frequency_hz=frequency_hz, pressure_pa=pressure[:, None], usable=np.ones(2, dtype=np.bool_)
    )
    expansion = expand(spectra, settings_of(orders=OrderSettings(outgoing=2)))
    assert (expansion.regular_order >= 0).tolist() == [True, False]
    assert expansion.quality.verdict.tolist() == [[0], [2]]
    assert any("cannot carry the orders" in notice for notice in expansion.notices)


def test_progress_counts_every_frequency() -> None:
    heard: list[tuple[int, int]] = []
    expand(SHELL, Settings(), lambda done, total: heard.append((done, total)))
    assert heard == [(1, 3), (2, 3), (3, 3)]


def test_channels_are_solved_each_on_its_own() -> None:
    pressure = np.concatenate([SHELL.pressure_pa, 2j * SHELL.pressure_pa], axis=1)
    expansion = expand(replace(SHELL, pressure_pa=pressure, channel_names=("one", "other")), Settings())
    # one factorisation serves both
    np.testing.assert_allclose(expansion.outgoing[:, 1], 2j * expansion.outgoing[:, 0], rtol=1e-12)


def test_quality_measures_of_known_noise() -> None:
    """Noise 40 dB below the pressure: the left-out error shows it, and the claimed far-field error is met."""
    pressure = noisy(SHELL.pressure_pa, -40.0, np.random.default_rng(4))
    settings = settings_of(orders=OrderSettings(truncation_db=-60.0))
    expansion = expand(replace(SHELL, pressure_pa=pressure), settings)
    quality = expansion.quality
    count = (expansion.outgoing_order + 1) ** 2 + (expansion.regular_order + 1) ** 2
    # residual and left-out error of K unknowns and M points: sqrt(1 - K/M) below, and above, the noise; the rms of
    # 240 draws scatters by 0.3 dB
    spread = 10 * np.log10(1 - count / 240)[:, None]
    np.testing.assert_allclose(quality.residual_db, -40.0 + spread, rtol=0, atol=1.0)
    # as long as all points weigh about alike; with many unknowns some weigh more, and the mean of 1/(1-h) rises
    np.testing.assert_allclose(quality.leave_one_out_db[:2], (-40.0 - spread)[:2], rtol=0, atol=1.0)
    assert quality.leave_one_out_db[2, 0] > -40.0 - spread[2, 0] - 1.0
    clean = expand(SHELL, settings)
    error = np.linalg.norm(expansion.outgoing - clean.outgoing, axis=2) / np.linalg.norm(clean.outgoing, axis=2)
    error_db = 20 * np.log10(error)
    # the claim is met within the scatter of one draw of 16 to 25 coefficients
    np.testing.assert_allclose(error_db, quality.random_error_db, rtol=0, atol=4.0)
