"""The peaking filter of simulated drives, by the worked numbers of its definition."""

from __future__ import annotations

import numpy as np
import pytest

from fieldproc.conventions import level_db
from fieldproc.simulate import Scene, truth
from fieldproc.simulate.filters import peaking


@pytest.mark.parametrize("gain_db", [6.0, -6.0])
def test_peaking_is_the_cookbooks(gain_db: float) -> None:
    """W3C Audio EQ Cookbook (2021): 1/Q = 2 sinh(ln 2 / 2 BW), BW in octaves between half-gain frequencies."""
    ratio = 2.0 ** (2.0 / np.log(2.0) * np.arcsinh(1.0 / 4.0) / 2.0)
    response = peaking(1000.0, 2.0, gain_db)(np.array([1e-3, 1000.0 / ratio, 1000.0, 1000.0 * ratio, 1e9]))
    np.testing.assert_allclose(20.0 * np.log10(np.abs(response)), gain_db * np.array([0, 0.5, 1, 0.5, 0]), atol=1e-9)
    # minimum phase: a boost leads below its centre and lags above, by the table of any textbook
    assert np.sign(np.angle(response[1])) == np.sign(gain_db) == -np.sign(np.angle(response[3]))


def test_boost_and_cut_undo_each_other() -> None:
    frequency_hz = np.geomspace(20.0, 20000.0, 50)
    both = peaking(800.0, 3.0, 4.0) + peaking(800.0, 3.0, -4.0)
    np.testing.assert_allclose(both(frequency_hz), 1.0, atol=1e-14)


def test_resonances_of_a_scene_are_alike_in_all_directions() -> None:
    monopoles = [{"position_m": (0.0, 0.0, 0.02)}, {"position_m": (0.01, 0.0, -0.03), "gain": 0.5}]
    filters = [
        {"center_hz": 900.0, "quality": 4.0, "gain_db": 3.0},
        {"center_hz": 3000.0, "quality": 8.0, "gain_db": -2.0},
    ]
    plain, filtered = (
        truth(
            Scene.model_validate(
                {"title": "t", "source": {"kind": "monopoles", "monopoles": monopoles, "resonances": resonances}}
            )
        )
        for resonances in ([], filters)
    )
    frequency_hz, directions = np.array([300.0, 900.0, 3000.0]), np.eye(3)
    apart_db = level_db(filtered.far_field(frequency_hz, directions)) - level_db(
        plain.far_field(frequency_hz, directions)
    )
    by_hand = peaking(900.0, 4.0, 3.0)(frequency_hz) * peaking(3000.0, 8.0, -2.0)(frequency_hz)
    np.testing.assert_allclose(apart_db, np.tile(20.0 * np.log10(np.abs(by_hand))[:, None], 3), atol=1e-9)
