"""A scan as a robot makes it: every place wrong by half a millimetre, 50 dB of signal to noise, 900 points.

Five monopoles in a reflective room; the far field after separation against the closed form, orders chosen by the
data. Random errors alone set the floor: the choice of orders must reach it, random_error_db must tell where it is.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scanned import far_field_error_db, make_spectra, noisy_pressure

from fieldproc.expand import expand
from fieldproc.records import Expansion, Spectra, Verdict
from fieldproc.settings import OrderSettings, Settings
from fieldproc.simulate import NAMED_SCENES, Scene
from fieldproc.simulate.scans import sphere_scan
from fieldproc.simulate.scene import build_room, build_source

# Unequal gaps, so that no frequency below 3.4 kHz is singular for all three pairs at once; the innermost sphere
# leaves a hand's breadth to the source.
RADII_M = (0.40, 0.45, 0.55)
POINTS = 900
POSITION_ERROR_M = 0.5e-3
NOISE_DB = -50.0
# The cluster of the named scene, stretched from 0.18 to 0.22 m about the origin.
STRETCH = 1.2
# Largest far-field error at a frequency in Hz: rms of the complex difference over the sphere, relative, in dB.
LIMITS_DB = {60.0: -57.0, 250.0: -54.0, 1000.0: -45.0, 1500.0: -39.0}
# Others between them, since orders are chosen along a path over frequency.
FREQUENCY_HZ = np.concatenate(
    [60.0 * (250 / 60) ** (np.arange(4) / 4), 250.0 * 4 ** (np.arange(4) / 4), 1000.0 * 1.5 ** (np.arange(4) / 3)]
)
ROWS = np.array([np.argmin(np.abs(FREQUENCY_HZ - frequency)) for frequency in LIMITS_DB])
# Sixteen seeds gave -58.9 to -71.3, -55.0 to -61.5, -46.4 to -48.1 and -39.2 to -41.3 dB. At 60 Hz very few
# coefficients make up the error, which one seed draws well and another badly.
SEEDS = (1, 2, 3, 4)


def stretched() -> Scene:
    scene = NAMED_SCENES["monopole-cluster"]().model_dump()
    for monopole in scene["source"]["monopoles"]:
        monopole["position_m"] = tuple(STRETCH * coordinate for coordinate in monopole["position_m"])
    return Scene.model_validate(scene)


SCENE = stretched()
SOURCE, ROOM = build_source(SCENE), build_room(SCENE)
DIRECTIONS = sphere_scan(400, 1.0, surfaces=1, grid="spiral")[0]


@cache
def spectra_of(seed: int) -> Spectra:
    """Pressures where the microphone was, positions where it was meant to be."""
    each = POINTS // len(RADII_M)
    stated_m = np.concatenate([sphere_scan(each, radius_m, surfaces=1, grid="spiral")[0] for radius_m in RADII_M])
    generator = np.random.default_rng(seed)
    true_m = stated_m + generator.normal(0.0, POSITION_ERROR_M, stated_m.shape)
    pressure = noisy_pressure(SOURCE, ROOM, FREQUENCY_HZ, true_m, NOISE_DB, generator)
    return make_spectra(stated_m, FREQUENCY_HZ, pressure, np.repeat(np.arange(len(RADII_M)), each))


@cache
def expansion_of(seed: int) -> Expansion:
    return expand(spectra_of(seed), Settings())


def error_db(expansion: Expansion) -> np.ndarray:
    """Of the far field at the frequencies of LIMITS_DB."""
    return far_field_error_db(expansion, SOURCE, DIRECTIONS)[ROWS]


def test_scene_is_the_one_asked_for() -> None:
    reach_m = max(np.linalg.norm(monopole.position_m) for monopole in SCENE.source.monopoles)
    assert 0.21 < reach_m < 0.225
    np.testing.assert_allclose(FREQUENCY_HZ[ROWS], list(LIMITS_DB), rtol=1e-12)
    assert len(spectra_of(SEEDS[0]).positions_m) == 900
    # the room is neither absent nor all there is
    assert np.all(np.abs(expansion_of(SEEDS[0]).quality.room_to_direct_db + 8) < 7)


@pytest.mark.parametrize("seed", SEEDS)
def test_far_field_reaches_the_floor(seed: int) -> None:
    expansion = expansion_of(seed)
    assert np.all(error_db(expansion) <= list(LIMITS_DB.values()))
    assert np.all(expansion.quality.verdict == Verdict.GOOD)


def test_random_error_is_the_true_error() -> None:
    errors_db = np.array([error_db(expansion_of(seed)) for seed in SEEDS])
    claimed_db = np.array([expansion_of(seed).quality.random_error_db[ROWS, 0] for seed in SEEDS])
    # a claim is an rms over what chance may do. From 250 Hz on enough coefficients add up in one draw; at 60 Hz so
    # few do that a draw lies up to 8 dB off (sixteen seeds), and only the mean of several can be held against it
    assert np.all(np.abs(claimed_db - errors_db)[:, 1:] <= 6.0)
    over_seeds_db = 10 * np.log10(np.mean(10 ** (errors_db / 10), axis=0))
    assert np.all(np.abs(claimed_db.mean(axis=0) - over_seeds_db) <= 6.0)


def test_there_is_something_to_choose() -> None:
    """Both ends of the path of orders miss a limit that the choice keeps."""
    spectra = spectra_of(SEEDS[0])
    coarse, fine = (
        error_db(expand(spectra, Settings(orders=OrderSettings(truncation_db=target)))) for target in (-20.0, -80.0)
    )
    limits = np.array(list(LIMITS_DB.values()))
    # measured -35 dB at 1 kHz, where too few degrees are left, and -38.5 dB at 1.5 kHz, where too many fit the noise
    assert coarse[2] > limits[2] + 5.0
    assert fine[3] > limits[3]
