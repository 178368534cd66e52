"""Two concentric spheres half a wave apart: degree 0 of both sets is one and the same there, and no verdict is good.

j_0 and y_0 of kr are sine and cosine over kr, so that two radii 10 cm apart leave nothing to tell them apart where k
times 10 cm is pi: at 1716 Hz with c = 343.2 m/s (Weinreich & Arnold, J. Acoust. Soc. Am. 68 (1980) 404). Higher
degrees are singular a little above, one after the other, each in a band of its own that is as narrow.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from expand.plain_waves import spiral
from scanned import far_field_error_db, make_spectra, noisy_pressure

from fieldproc.expand import expand
from fieldproc.expand.quality import LIMITS
from fieldproc.records import Expansion, Spectra, Verdict
from fieldproc.settings import OrderSettings, Settings
from fieldproc.simulate import NAMED_SCENES
from fieldproc.simulate.scene import build_room, build_source

HALF_WAVE_HZ = 1716.0
TWO_M, THREE_M = (0.35, 0.45), (0.35, 0.39, 0.45)
# Points in all; three spheres share them, too.
POINTS = 2800
# Offsets from half a wave, and steps of the default grid to either side.
NEAR = np.array([0.998, 0.999, 1.0, 1.001, 1.002])
GRID = 2.0 ** (np.array([-4, -2, -1, 1, 2, 4]) / 24)
FREQUENCY_HZ = HALF_WAVE_HZ * np.sort(np.concatenate([NEAR, GRID]))
WITHIN = np.abs(FREQUENCY_HZ / HALF_WAVE_HZ - 1) <= 0.002 * (1 + 1e-9)
# The same grid where it misses half a wave.
MISSED_HZ = 1.002 * HALF_WAVE_HZ * 2.0 ** (np.arange(-1, 2) / 24)
# Orders are not the question; choosing them takes longest.
TARGET = Settings(orders=OrderSettings(truncation_db=-60.0))
SCENE = NAMED_SCENES["monopole-cluster"]()
SOURCE, ROOM = build_source(SCENE), build_room(SCENE)


def scan_of(radii_m: tuple[float, ...], frequency_hz: np.ndarray) -> Spectra:
    """Five monopoles in a reflective room, noise at -60 dB; spirals of the same directions on every sphere."""
    each = POINTS // len(radii_m)
    positions_m = np.concatenate([radius_m * spiral(each) for radius_m in radii_m])
    pressure = noisy_pressure(SOURCE, ROOM, frequency_hz, positions_m, -60.0, np.random.default_rng(1))
    return make_spectra(positions_m, frequency_hz, pressure, np.repeat(np.arange(len(radii_m)), each))


@cache
def two_spheres() -> Expansion:
    return expand(scan_of(TWO_M, FREQUENCY_HZ), TARGET)


def error_db(expansion: Expansion) -> np.ndarray:
    """Of the far field."""
    return far_field_error_db(expansion, SOURCE, spiral(300))


def assert_honest(expansion: Expansion) -> None:
    """Where it is called good: as good as claimed within 6 dB, or good enough for anybody."""
    good = expansion.quality.verdict[:, 0] == Verdict.GOOD
    error, claimed = error_db(expansion)[good], expansion.quality.random_error_db[good, 0]
    assert np.all((error <= claimed + 6.0) | (error <= -40.0))
    assert np.all(error < -30.0)


def test_condition_is_inverse_to_the_distance_from_half_a_wave() -> None:
    condition = two_spheres().quality.condition[WITHIN]
    assert condition[2] > 1e8
    # a few percent, from power iteration
    np.testing.assert_allclose(condition[[1, 3]] / condition[[0, 4]], 2.0, rtol=0.05)
    np.testing.assert_allclose(condition[[1, 0]] / condition[[3, 4]], 1.0, rtol=0.05)


def test_half_a_wave_is_not_to_be_used() -> None:
    """At 1716 Hz by itself; 0.2% to either side it is caution at best."""
    expansion = two_spheres()
    assert expansion.quality.verdict[FREQUENCY_HZ == HALF_WAVE_HZ] == Verdict.DO_NOT_USE
    assert np.all(expansion.quality.verdict[WITHIN] >= Verdict.CAUTION)
    # rightly: measured -18 dB at 1716 Hz, where neither regularisation nor any other means can know
    assert error_db(expansion)[FREQUENCY_HZ == HALF_WAVE_HZ] > -25.0
    # the claim is no better than the truth
    assert expansion.quality.random_error_db[FREQUENCY_HZ == HALF_WAVE_HZ, 0] > -20.0


@pytest.mark.parametrize("truncation_db", ["auto", -70.0])
def test_alone_it_is_not_to_be_used_at_any_order(truncation_db: str | float) -> None:
    """No neighbour to tell, no order that would help: degree 0 belongs to every set.

    With fine orders the random error alone would let it pass with caution: it believes the prior.
    """
    settings = Settings(orders=OrderSettings.model_validate({"truncation_db": truncation_db}))
    expansion = expand(scan_of(TWO_M, np.array([HALF_WAVE_HZ])), settings)
    assert expansion.quality.verdict.tolist() == [[Verdict.DO_NOT_USE]]
    if truncation_db != "auto":
        assert expansion.quality.random_error_db[0, 0] < LIMITS["random_error_db"][1]


def test_the_band_ends_before_the_neighbours_on_the_grid() -> None:
    """A step of 3% away both sets are told apart again (condition 43 and 114), and that is true."""
    expansion = two_spheres()
    assert np.all(expansion.quality.verdict[~WITHIN] == Verdict.GOOD)
    assert_honest(expansion)
    beside = (FREQUENCY_HZ > 1600.0) & (FREQUENCY_HZ < 1850.0) & ~WITHIN
    # measured -47 to -63 dB
    assert beside.sum() == 4
    assert error_db(expansion)[beside].max() < -43.0


def test_a_grid_that_misses_it_is_caution_there() -> None:
    """0.2% off, condition 650: noise of -60 dB becomes -43 dB, which is what random_error_db says."""
    expansion = expand(scan_of(TWO_M, MISSED_HZ), TARGET)
    assert expansion.quality.verdict.ravel().tolist() == [Verdict.GOOD, Verdict.CAUTION, Verdict.GOOD]
    assert expansion.quality.condition[1] > 500.0
    assert_honest(expansion)
    # not for nothing is it called a claim: 15 dB worse than its lower neighbour's
    assert expansion.quality.random_error_db[1, 0] > expansion.quality.random_error_db[0, 0] + 12.0


def test_three_spheres_at_unequal_distances_have_no_such_band() -> None:
    """4, 6 and 10 cm: where one pair is half a wave apart, the others are not."""
    frequency_hz = HALF_WAVE_HZ * 2.0 ** (np.arange(-1, 2) / 24)
    expansion = expand(scan_of(THREE_M, frequency_hz), TARGET)
    assert np.all(expansion.quality.verdict == Verdict.GOOD)
    # measured 3.3 to 3.5, and -69 dB everywhere
    assert expansion.quality.condition.max() < 5.0
    assert error_db(expansion).max() < -65.0
    np.testing.assert_allclose(expansion.quality.random_error_db[:, 0], error_db(expansion), rtol=0, atol=3.0)
