"""What the choice is made of, one by one: rows, the estimated error, lots of points, the best row of pairs."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of, matrix_of, spiral
from scanned import AIR, make_spectra

from fieldproc.conventions import amplitude_db, wavenumber
from fieldproc.expand.dense import fit_waves
from fieldproc.settings import OrderSettings
from fieldproc.simulate.scans import cylinder_scan, sphere_scan
from fieldproc.tuning.choose import _path, order_table
from fieldproc.tuning.holdout import held_out_db, parts
from fieldproc.tuning.rows import judged_rows, octave_numbers
from fieldproc.tuning.sweep import _finest, estimated_error_db


def test_three_rows_of_every_octave_and_the_highest_of_all() -> None:
    frequency_hz = 20.0 * 2.0 ** (np.arange(240) / 24.0)
    allowed = frequency_hz < 2500.0
    rows = judged_rows(frequency_hz, allowed)
    assert rows[-1] == np.flatnonzero(allowed)[-1]
    _, counts = np.unique(octave_numbers(frequency_hz[rows]), return_counts=True)
    # 20 to 22 Hz belong to the octave of 31.5 Hz
    assert counts.tolist() == [3] * 7
    np.testing.assert_array_equal(judged_rows(frequency_hz[:2], np.array([True, True])), [0, 1])


def test_the_best_row_of_pairs_is_the_best_of_all_rows() -> None:
    generator = np.random.default_rng(2)
    costs, moves = generator.uniform(size=(4, 5)), generator.uniform(size=(3, 5, 5))

    def price(states: tuple[int, ...]) -> float:
        steps = sum(move[one, other] for move, (one, other) in zip(moves, itertools.pairwise(states), strict=True))
        return float(steps + sum(costs[row, state] for row, state in enumerate(states)))

    best = min(itertools.product(range(5), repeat=4), key=price)
    assert tuple(_path(costs, list(moves)).tolist()) == best


def test_a_table_holds_every_degree_from_its_row_on() -> None:
    frequency_hz, degrees = np.array([31.49999, 62.7, 125.123, 250.0]), np.array([3, 3, 4, 7])
    table = order_table(frequency_hz, degrees)
    assert table == ((0.0, 3), (125.12, 4), (250.0, 7))
    assert OrderSettings(outgoing=table).outgoing == table


def test_the_estimated_error_is_that_of_the_far_field() -> None:
    """Bias of a degree too few and noise of many, on average over noise, from the data alone."""
    generator = np.random.default_rng(3)
    points_m = np.concatenate([0.30 * spiral(90), 0.36 * spiral(90)])
    k = 6.0
    # degree 3 is weak and not nothing
    true = complex_normal(generator, 16) * np.repeat([1.0, 0.5, 0.2, 0.03], [1, 3, 5, 7])
    clean = matrix_of(points_m, k, (3, 2)) @ np.concatenate([true, 0.3 * complex_normal(generator, 9)])
    harmonics, argument = harmonics_of(5, points_m), k * np.linalg.norm(points_m, axis=1)
    noise = 0.01 * np.sqrt(np.mean(np.abs(clean) ** 2))
    pairs = [(2, 2), (3, 2), (5, 4)]
    told, came = np.zeros((40, 3)), np.zeros((40, 3))
    for draw in range(40):
        pressure = (clean + noise * complex_normal(generator, 180))[None]
        fits = [fit_waves(harmonics, argument, pair, pressure) for pair in pairs]
        for at, fit in enumerate(fits):
            missed = np.zeros(36, dtype=np.complex128)
            missed[:16] = true
            missed[: fit.outgoing.shape[1]] -= fit.outgoing[0]
            came[draw, at] = np.linalg.norm(missed) / np.linalg.norm(true)
            told[draw, at] = 10 ** (estimated_error_db(fit, fits[-1]) / 20)
    came_db, told_db = (amplitude_db(np.sqrt(np.mean(one**2, axis=0))) for one in (came, told))
    # 40 draws of a dozen coefficients or more tell an rms to 0.3 dB; a bias clipped at zero adds to small ones
    np.testing.assert_allclose(told_db, came_db, atol=1.0)
    # the coarse one is biased by more than that
    assert came_db[0] > came_db[1] + 3.0


def test_what_is_compared_with_is_fine_in_both_sets() -> None:
    """A pair with many outgoing degrees and few regular ones leaves the room's sound to the loudspeaker."""
    tried = list(itertools.product((3, 5, 7, 10), (3, 5, 6, 8)))
    assert _finest([(10, 3), (7, 6), (5, 8)], tried) == (7, 6)
    assert _finest([(10, 3), (7, 3)], tried) == (10, 3)
    # one set alone
    assert _finest([(3, -1), (7, -1)], [(3, -1), (5, -1), (7, -1)]) == (7, -1)


@pytest.mark.parametrize(("surfaces", "lots"), [(1, 0), (2, 4), (3, 3)])
def test_lots_are_surfaces_or_every_other_ring(surfaces: int, lots: int) -> None:
    positions_m, surface = sphere_scan(72 * surfaces, 0.3, surfaces=surfaces)
    spectra = make_spectra(positions_m, np.array([100.0]), np.ones((1, len(positions_m)), complex), surface)
    found = parts(spectra, positions_m)
    assert len(found) == lots
    for lot in found:
        assert len(np.unique(surface[lot])) == 1
    if surfaces == 2:
        # six rings of twelve: three to a lot, whole
        heights = [np.unique(np.round(positions_m[lot, 2], 9), return_counts=True)[1] for lot in found]
        assert [counts.tolist() for counts in heights] == [[12, 12, 12]] * 4
    unnamed = make_spectra(positions_m, np.array([100.0]), np.ones((1, len(positions_m)), complex))
    assert parts(unnamed, positions_m) == []


def test_points_held_out_are_predicted_by_the_fit_without_them() -> None:
    """Against plain least squares on the points that stay."""
    generator = np.random.default_rng(4)
    positions_m, surface = cylinder_scan(240, 0.28, 0.28, azimuths=12)
    k = float(wavenumber(300.0, AIR.sound_speed_m_per_s))
    matrix = matrix_of(positions_m, k, (3, 3))
    pressure = matrix_of(positions_m, k, (4, 4)) @ complex_normal(generator, 50) + complex_normal(generator, 240)
    spectra = make_spectra(positions_m, np.array([300.0]), pressure[None], surface)
    missed = heard = 0.0
    for lot in parts(spectra, positions_m):
        kept = np.setdiff1d(np.arange(240), lot)
        scale = np.linalg.norm(matrix, axis=0)
        found = np.linalg.lstsq(matrix[kept] / scale, pressure[kept], rcond=None)[0] / scale
        missed += np.sum(np.abs(pressure[lot] - matrix[lot] @ found) ** 2)
        heard += np.sum(np.abs(pressure[lot]) ** 2)
    expected_db = 10 * np.log10(missed / heard)
    np.testing.assert_allclose(held_out_db(spectra, np.zeros(3), [(3, 3)]), expected_db, atol=1e-6)
    # what the points that stay cannot carry is not told
    assert np.isnan(held_out_db(spectra, np.zeros(3), [(9, 10)])).all()
