"""The data choose the orders: one factorisation for all selections, the smoothest path, the best far field."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from expand.plain_waves import complex_normal

from fieldproc.condition import condition
from fieldproc.expand import expand
from fieldproc.expand.blocks import Block, explained_energy
from fieldproc.expand.choice import MOVE, smooth_path
from fieldproc.extrapolate import far_field_pressure
from fieldproc.settings import OrderSettings, Settings
from fieldproc.simulate import NAMED_SCENES, Scene, simulate, truth


def test_one_factorisation_serves_every_selection() -> None:
    generator = np.random.default_rng(1)
    level = generator.integers(0, 4, 14)
    blocks = []
    for columns in (np.arange(8), np.arange(8, 14)):
        data = complex_normal(generator, 1, 1, 30, 2)
        blocks.append(Block(complex_normal(generator, 1, 30, len(columns)), data, columns[None]))
    explained, independence = explained_energy(blocks, level, 4)
    energy = np.cumsum(explained[::-1], axis=0)[::-1]
    assert np.all(
        (independence > 0) & (independence < np.max([np.linalg.norm(b.matrix, axis=1).max() for b in blocks]))
    )
    for lowest in range(4):
        expected = np.zeros(2)
        for block in blocks:
            chosen = block.matrix[0][:, level[block.columns[0]] >= lowest]
            solution = np.linalg.lstsq(chosen, block.data[0, 0], rcond=None)[0]
            expected += np.sum(np.abs(chosen @ solution) ** 2, axis=0)
        # a sum of squares of order 100, so rounding is far below
        np.testing.assert_allclose(energy[lowest], expected, rtol=1e-12)


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


def spiral(count: int) -> np.ndarray:
    height, azimuth = np.linspace(-1, 1, count + 2)[1:-1], np.pi * (1 + np.sqrt(5)) * np.arange(count)
    across = np.sqrt(1 - height**2)
    return np.stack([across * np.cos(azimuth), across * np.sin(azimuth), height], axis=1)


@pytest.mark.parametrize("noise_db", [-30.0, -50.0])
def test_choice_is_as_good_as_the_best_fixed_target(noise_db: float) -> None:
    scene = cluster((60.0, 250.0, 1000.0), noise_db)
    spectra = condition(simulate(scene, seed=3), Settings().spectra)
    directions = spiral(200)
    expected = truth(scene).far_field(spectra.frequency_hz, directions)

    def error_db(target: object) -> np.ndarray:
        settings = Settings(orders=OrderSettings(truncation_db=target))  # type: ignore[arg-type]
        found = far_field_pressure(expand(spectra, settings), spectra.axis, directions)[:, 0]
        return 20 * np.log10(np.linalg.norm(found - expected, axis=1) / np.linalg.norm(expected, axis=1))

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
