"""The data choose the orders: one factorisation for all selections, the smoothest path, the best far field."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of, matrix_of, spiral
from scanned import relative_error_db

from fieldproc.condition import condition
from fieldproc.expand import expand
from fieldproc.expand.blocks import Block, explained_energy
from fieldproc.expand.choice import MOVE, smooth_path
from fieldproc.expand.dense import Seen, both_sets, dense_block
from fieldproc.expand.gram import irregular_grid, mirror
from fieldproc.expand.wave_pairs import real_columns
from fieldproc.extrapolate import far_field_pressure
from fieldproc.settings import OrderSettings, Settings
from fieldproc.simulate import NAMED_SCENES, Scene, simulate, truth
from fieldproc.waves.indexing import column_degrees, column_orders


def test_one_factorisation_serves_every_selection() -> None:
    generator = np.random.default_rng(1)
    level = generator.integers(0, 4, 14)
    blocks = []
    for columns in (np.arange(8), np.arange(8, 14)):
        data = complex_normal(generator, 1, 1, 30, 2)
        blocks.append(Block(complex_normal(generator, 1, 30, len(columns)), data, columns[None]))
    explained, distance = explained_energy(blocks, level, 4)
    energy = np.cumsum(explained[::-1], axis=0)[::-1]
    for block in blocks:
        places = block.columns[0]
        for at, place in enumerate(places):
            # what stands before a column: higher levels, and of its own level what comes after it in the list
            before = (level[places] > level[place]) | ((level[places] == level[place]) & (places > place))
            span, column = block.matrix[0][:, before], block.matrix[0][:, at]
            off = column - span @ np.linalg.lstsq(span, column, rcond=None)[0]
            np.testing.assert_allclose(distance[place], np.linalg.norm(off), rtol=1e-12)
    for lowest in range(4):
        expected = np.zeros(2)
        for block in blocks:
            chosen = block.matrix[0][:, level[block.columns[0]] >= lowest]
            solution = np.linalg.lstsq(chosen, block.data[0, 0], rcond=None)[0]
            expected += np.sum(np.abs(chosen @ solution) ** 2, axis=0)
        # a sum of squares of order 100, so rounding is far below
        np.testing.assert_allclose(energy[lowest], expected, rtol=1e-12)


@pytest.mark.parametrize("orders", [(5, 7), (6, 6), (4, 9)])
def test_real_columns_stand_for_the_complex_ones(orders: tuple[int, int]) -> None:
    """y_n and j_n over real harmonics against h_n and j_n over complex ones: energies and volumes of every level."""
    generator = np.random.default_rng(5)
    points_m = 0.3 * spiral(260) * generator.uniform(1.0, 1.4, (260, 1))
    radius_m, pressure = np.linalg.norm(points_m, axis=1), complex_normal(generator, 2, 260)
    argument = 11.0 * radius_m
    grid = irregular_grid(points_m, radius_m, max(orders), (10.0, 12.0))
    assert grid is not None
    degrees = np.concatenate([column_degrees(top) for top in orders])
    # three nested selections, regular waves as high as outgoing ones in each
    tops = [(orders[0] - cut, orders[1] - cut) for cut in (0, 1, 3)]
    split = (orders[0] + 1) ** 2
    first = np.arange(len(degrees)) < split
    level = sum((degrees <= np.where(first, one, other)).astype(int) for one, other in tops) - 1
    block, _ = dense_block(both_sets(orders, Seen(harmonics_of(max(orders), points_m), argument)), pressure)
    expected, distance = explained_energy([block], level, 3)
    matrix, stretch = real_columns(grid, argument, orders)
    data = np.ascontiguousarray(pressure.T).view(np.float64)[None, None]
    explained, own = explained_energy([Block(matrix[None], data, np.arange(len(stretch))[None])], level, 3)
    np.testing.assert_allclose(explained.reshape(3, 2, 2).sum(axis=2), expected, rtol=1e-9)
    # harmonics m and -m mix, so single distances differ: the volume that a level adds is the same
    waves = matrix_of(points_m, 11.0, orders)
    mirrored = np.concatenate([mirror(orders[0]), split + mirror(orders[1])])
    sign = np.where(np.concatenate([column_orders(top) for top in orders]) < 0, -1.0, 1.0)
    # |f (Y_m +- Y_-m)|^2 / 2 is the square of a real column, whatever the phase convention
    other = waves[:, mirrored] * (-1.0) ** np.abs(np.concatenate([column_orders(top) for top in orders]))
    real = np.where(mirrored == np.arange(len(mirrored)), waves, (waves + sign * other) / np.sqrt(2))
    for which in range(3):
        for of_set in (first, ~first):
            chosen = (level == which) & of_set
            found = np.log(own * stretch * np.linalg.norm(real, axis=0))[chosen].sum()
            volume = np.log(distance * np.linalg.norm(waves, axis=0))[chosen].sum()
            np.testing.assert_allclose(found, volume, rtol=0, atol=1e-8)


def test_path_is_the_cheapest_of_all() -> None:
    scores = np.random.default_rng(2).normal(scale=3 * MOVE, size=(5, 4))

    def price(path: tuple[int, ...]) -> float:
        return sum(scores[row, at] for row, at in enumerate(path)) + MOVE * np.abs(np.diff(path)).sum()

    best = min(itertools.product(range(4), repeat=5), key=price)
    assert tuple(smooth_path(scores)) == best


def cluster(frequency_hz: tuple[float, ...], noise_db: float) -> Scene:
    named = NAMED_SCENES["monopole-cluster"]().model_dump()
    changes = {
        "recording": {**named["recording"], "frequency_hz": frequency_hz},
        "noise": {"level_db": noise_db, "relative_to": "pressure"},
        "scan": {**named["scan"], "points": 1000, "azimuths": 40},
    }
    return Scene.model_validate({**named, **changes})


@pytest.mark.parametrize("noise_db", [-30.0, -50.0])
def test_choice_is_as_good_as_the_best_fixed_target(noise_db: float) -> None:
    scene = cluster((60.0, 250.0, 1000.0), noise_db)
    spectra = condition(simulate(scene, seed=3), Settings().spectra)
    directions = spiral(200)
    expected = truth(scene).far_field(spectra.frequency_hz, directions)

    def error_db(target: object) -> np.ndarray:
        settings = Settings(orders=OrderSettings(truncation_db=target))  # type: ignore[arg-type]
        found = far_field_pressure(expand(spectra, settings), spectra.axis, directions)[:, 0]
        return relative_error_db(found, expected)

    fixed = np.array([error_db(target) for target in (-70.0, -60.0, -50.0, -40.0, -30.0, -20.0)])
    # the best of six in hindsight also had luck with its one draw of noise: 2.4 dB of it at 1 kHz, more at 60 Hz,
    # where few coefficients carry the far field
    assert np.all(error_db("auto") <= fixed.min(axis=0) + np.array([6.0, 3.0, 3.0]))
    # and there is something to choose: the worst target is far off
    assert np.all(fixed.max(axis=0) > fixed.min(axis=0) + 5.0)


def test_no_curve_steps_where_the_orders_change() -> None:
    """Every level is so near the truth that no two neighbours can differ by a step, however the orders move."""
    # up to 850 Hz the points leave the choice of orders free; further up they force it, and nulls fill
    scene = cluster(tuple(100.0 * 2.0 ** (np.arange(38) / 12.0)), -90.0)
    spectra = condition(simulate(scene, seed=3), Settings().spectra)
    expansion = expand(spectra, Settings())
    directions = spiral(70)
    found = 20 * np.log10(np.abs(far_field_pressure(expansion, spectra.axis, directions)[:, 0]))
    expected = 20 * np.log10(np.abs(truth(scene).far_field(spectra.frequency_hz, directions)))
    # nulls, 20 dB down, left out
    loud = expected > expected.max(axis=1, keepdims=True) - 20.0
    good = expansion.quality.verdict[:, 0] == 0
    orders = 100 * expansion.outgoing_order + expansion.regular_order
    assert good.all()
    assert np.count_nonzero(np.diff(orders[good])) >= 6
    # half the step allowed, so that a step of 0.05 dB is impossible; measured 0.01
    assert np.abs(found - expected)[good][loud[good]].max() < 0.025
