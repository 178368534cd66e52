"""Points that are not equally noisy: weights, band by band, and what they bring.

Weighted least squares with the true variances is the best linear unbiased estimate (Gauss and Markov), and its
covariance is known in closed form.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from condition.test_noise import (
    LOUD_DB,
    QUIET_DB,
    levels_db,
    noisy_session,
    quiet_session,
    ventilated_session,
    ventilation,
)
from expand.plain_waves import complex_normal, spiral
from scanned import AIR, far_field_error_db, make_spectra, relative_error_db

from fieldproc.condition import condition
from fieldproc.conventions import polar_directions
from fieldproc.errors import NumericalError
from fieldproc.expand import expand
from fieldproc.expand.cells import Cells
from fieldproc.expand.divided import CellSolver
from fieldproc.expand.mend import only
from fieldproc.expand.noise_weights import noise_weights
from fieldproc.expand.solver import Solver, most_bands
from fieldproc.extrapolate import far_field_pressure
from fieldproc.records import Expansion, Gated, KnownSource, ReferenceAxis, Session, Spectra
from fieldproc.settings import Settings, SpectraSettings
from fieldproc.simulate.scans import cylinder_scan
from fieldproc.simulate.sources import Monopole, MonopoleCluster

FREQUENCY_HZ = np.array([100.0, 200.0, 400.0])


def spectra_of(noise_pa: np.ndarray | None, **stated: object) -> Spectra:
    """Eight points of one channel."""
    positions_m = np.random.default_rng(1).normal(size=(8, 3))
    return make_spectra(positions_m, FREQUENCY_HZ, np.ones((3, 8), dtype=np.complex128), noise_pa=noise_pa, **stated)


def test_a_point_counts_by_one_over_its_noise() -> None:
    relative = np.array([1.0, 1.0, 2.0, 2.0, 4.0, 4.0, 8.0, 8.0])
    # a spectrum of noise that all points share makes no difference
    noise_pa = np.array([1e-3, 1e-2, 1e-5])[:, None, None] * relative
    weights = noise_weights(spectra_of(noise_pa))
    assert weights is not None
    np.testing.assert_allclose(weights[:, :1] / weights, np.tile(relative, (3, 1)), rtol=1e-12)
    np.testing.assert_allclose(np.mean(weights**2, axis=1), 1.0, rtol=1e-12)


def test_a_dead_quiet_point_does_not_rule_and_a_deafening_one_is_not_lost() -> None:
    noise_pa = np.tile(np.array([1e-9, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1e9]), (3, 1, 1))
    weights = noise_weights(spectra_of(noise_pa))
    assert weights is not None
    # 30 dB either way
    np.testing.assert_allclose(20 * np.log10(weights[0, [0, -1]] / weights[0, 1]), [30.0, -30.0], rtol=1e-9)


def test_points_that_are_nearly_alike_count_alike() -> None:
    """Weights that bring less than 1 dB are not worth a fit that is no longer one on rings."""
    alike = np.random.default_rng(2).lognormal(0.0, 0.1, (1, 1, 8)) * np.ones((3, 1, 1))
    assert noise_weights(spectra_of(alike)) is None


def test_frequencies_without_data_do_not_count() -> None:
    noise_pa = np.tile(np.array([1.0] * 4 + [5.0] * 4), (3, 1, 1))
    noise_pa[1] = np.nan
    weights = noise_weights(spectra_of(noise_pa, usable=np.array([True, False, True])))
    assert weights is not None
    np.testing.assert_allclose(weights[:, 0] / weights[:, -1], 5.0, rtol=1e-12)


def test_unknown_noise_is_refused() -> None:
    with pytest.raises(NumericalError, match=r'noise of the points is not known, .*point_weights = "equal"'):
        noise_weights(spectra_of(None))


GRID = SpectraSettings(lowest_hz=150.0, per_octave=6, count=18)


def expanded(session: Session | Spectra, point_weights: str, grid: SpectraSettings = GRID) -> Expansion:
    """Orders stated, so that the waves are the same whatever the weights."""
    document = {"orders": {"outgoing": 4, "regular": 2}, "expansion": {"point_weights": point_weights}}
    spectra = condition(session, grid) if isinstance(session, Session) else session
    return expand(spectra, Settings.model_validate(document))


def far_field(expansion: Expansion) -> np.ndarray:
    return far_field_pressure(expansion, ReferenceAxis(), polar_directions())[:, 0]


def test_half_of_the_points_20_db_noisier() -> None:
    """Against a scan without noise: noise power of a mean falls by (1 + 100) / 2 times (1 + 1 / 100) / 2, 14 dB."""
    clean, noisy = far_field(expanded(quiet_session(), "equal")), noisy_session(levels_db() + 20.0)
    errors_db = {name: relative_error_db(far_field(expanded(noisy, name)), clean) for name in ("equal", "noise")}
    assert LOUD_DB - QUIET_DB == 20.0
    gained = errors_db["equal"] - errors_db["noise"]
    # each error is one draw of the few coefficients that are least well determined, 18 draws scatter by 1 dB
    np.testing.assert_allclose(gained.mean(), 14.0, rtol=0, atol=2.5)
    assert np.all(gained > 0.0)


def test_two_phases_of_a_scan() -> None:
    """Half of the points noisy below 300 Hz, the other half above 1 kHz: no one number per point serves both."""
    grid = SpectraSettings(lowest_hz=75.0, per_octave=4, count=20)
    clean = far_field(expanded(quiet_session(), "equal", grid))
    spectra = condition(ventilated_session(raised_db=20.0), grid)
    assert spectra.noise_pa is not None
    one_number = np.tile(np.sqrt(np.mean(spectra.noise_pa**2, axis=0)), (len(spectra.frequency_hz), 1, 1))
    cases = {
        "equal": expanded(spectra, "equal"),
        "one": expanded(replace(spectra, noise_pa=one_number), "noise"),
        "bands": expanded(spectra, "noise"),
    }
    errors_db = {name: relative_error_db(far_field(found), clean) for name, found in cases.items()}
    low, high = spectra.frequency_hz < 200.0, spectra.frequency_hz > 1200.0
    gained = {name: errors_db[name] - errors_db["bands"] for name in ("equal", "one")}
    # at best 14 dB against equal weights; what is known of an octave of few samples costs the low band part of it
    for band in (low, high):
        assert gained["equal"][band].mean() > 6.0
    assert min(gained["one"][band].mean() for band in (low, high)) > -1.0
    assert max(gained["one"][band].mean() for band in (low, high)) > 6.0
    assert any("points count by their noise, in" in notice for notice in cases["bands"].notices)


def test_the_session_keeps_what_the_weights_came_from() -> None:
    spectra = condition(noisy_session(levels_db()), SpectraSettings(count=40, per_octave=4))
    weights = noise_weights(spectra)
    assert weights is not None
    ratio_db = 20 * np.log10(np.median(weights[0, ::2]) / np.median(weights[0, 1::2]))
    np.testing.assert_allclose(ratio_db, 20.0, rtol=0, atol=1.0)
    assert noise_weights(replace(spectra, noise_pa=np.ones_like(spectra.noise_pa))) is None


# Two phases again, as what is known of the noise: 30 rows over ten octaves, 40 points.
ROWS_HZ = np.geomspace(20.0, 20000.0, 30)
PHASES = ventilation(ROWS_HZ, 40)


def phases(noise: np.ndarray = PHASES, **stated: object) -> Spectra:
    positions_m = np.random.default_rng(1).normal(size=(noise.shape[1], 3))
    pressure = np.ones((len(noise), noise.shape[1]), dtype=np.complex128)
    return make_spectra(positions_m, ROWS_HZ, pressure, noise_pa=noise[:, None], **stated)


def lost_db(weights: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Noise of a weighted mean re that of the best, row by row, written out."""
    lost = []
    for own, sigma in zip(weights, noise, strict=True):
        mean = own**2 / np.sum(own**2)
        lost.append(np.sum(mean**2 * sigma**2) * np.sum(1.0 / sigma**2))
    return 10.0 * np.log10(np.array(lost))


def test_few_bands_lose_little() -> None:
    smooth = PHASES.copy()
    for row in range(1, 29):
        smooth[row] = np.sqrt(PHASES[row - 1] * PHASES[row + 1])
    weights = noise_weights(phases(smooth), most_bands=6)
    assert weights is not None
    bands = 1 + np.count_nonzero(np.any(np.diff(weights, axis=0), axis=1))
    assert 3 <= bands <= 6
    # where half an octave is all there is between the two, equal weights lose 1 dB at most and count as none
    assert lost_db(weights, smooth).max() < 1.0
    assert lost_db(np.ones_like(weights), smooth).max() > 10.0
    fewer = noise_weights(phases(smooth), most_bands=2)
    assert fewer is not None
    assert np.count_nonzero(np.any(np.diff(fewer, axis=0), axis=1)) <= 1


def test_memory_bounds_the_bands() -> None:
    assert most_bands(2232, 22) == 6
    assert most_bands(10000, 60) == 1


def test_alike_along_a_ring_is_equal_along_it() -> None:
    """Within 1 dB rings are kept; a ring whose points differ by 20 dB is not."""
    rings = [np.arange(20), np.arange(20, 40)]
    level = np.where(np.arange(40) < 20, 1.0, 10.0) * np.random.default_rng(3).lognormal(0.0, 0.1, 40)
    weights = noise_weights(phases(np.tile(level, (30, 1))), rings)
    assert weights is not None
    assert all(np.ptp(weights[:, ring]) == 0.0 for ring in rings)
    # what is left out has no part in the mean of its ring
    level[3], left_out = 1e3, np.arange(40) == 3
    again = noise_weights(phases(np.tile(level, (30, 1)), left_out=left_out), rings)
    assert again is not None
    np.testing.assert_allclose(
        again[:, rings[0]] / again[:, rings[1]], weights[:, rings[0]] / weights[:, rings[1]], rtol=0.02
    )
    uneven = noise_weights(phases(), rings, 6)
    assert uneven is not None
    assert np.ptp(uneven[0, rings[0]]) > 0.5


def test_noise_that_is_not_the_limit_does_not_count() -> None:
    # k times 0.3 mm at 20 Hz is -79 dB
    quiet = phases(PHASES * 1e-7)
    assert noise_weights(quiet, most_bands=6) is not None
    assert noise_weights(quiet, most_bands=6, noise_alone=False) is None
    weights = noise_weights(phases(PHASES * 1e-3), most_bands=6, noise_alone=False)
    assert weights is not None
    # -60 and -40 dB at 20 Hz: nearly as it is; at 20 kHz a microphone out of its place is wrong by -19 dB
    np.testing.assert_array_equal(weights[-1], 1.0)
    place = 2 * np.pi * ROWS_HZ[:, None] / AIR.sound_speed_m_per_s * 0.3e-3
    together = np.sqrt((PHASES * 1e-3) ** 2 + place**2)
    assert lost_db(weights, together).max() < 1.0
    assert lost_db(np.ones_like(weights), together)[0] > 10.0


ORDERS = (3, 3)
SCAN_HZ = np.array([200.0, 400.0, 800.0, 1600.0])
RINGS_M = cylinder_scan(160, 0.3, 0.3, azimuths=10)[0]
SPIRAL_M = spiral(160) * np.random.default_rng(5).uniform(0.3, 0.4, 160)[:, None]


def banded(positions_m: np.ndarray) -> np.ndarray:
    """Weights (frequency, point) of two bands; equal along rings."""
    upper = positions_m[:, 2] > 0.0
    return np.repeat(np.stack([np.where(upper, 1.2, 0.5), np.where(upper, 0.3, 1.4)]), 2, axis=0)


@pytest.mark.parametrize("positions_m", [RINGS_M, SPIRAL_M], ids=["rings", "irregular"])
@pytest.mark.parametrize("orders", [ORDERS, (5, 6)], ids=["few", "many"])
def test_a_band_is_a_solver_of_its_own(positions_m: np.ndarray, orders: tuple[int, int]) -> None:
    pressure = complex_normal(np.random.default_rng(6), 4, len(positions_m))
    spectra, weights = make_spectra(positions_m, SCAN_HZ, pressure), banded(positions_m)
    solver = Solver(spectra, np.zeros(3), 6, (3.0, 40.0), weights)
    assert len(solver.grids) == (2 if positions_m is RINGS_M else 0)
    cells = CellSolver(solver, Cells(np.array([[0.0, 0.0, -0.1], [0.0, 0.0, 0.1]]), 0.1, 0.2), (2, 2), "likelihood")
    fits = solver.fit(range(4), orders)
    for row, fit in enumerate(fits):
        alone = Solver(spectra, np.zeros(3), 6, (3.0, 40.0), weights[row])
        twin = alone.fit([row], orders)[0]
        # to rounding, times a condition below 1000; leverages are those of a single-precision factor
        np.testing.assert_allclose(fit.outgoing, twin.outgoing, rtol=0, atol=1e-9 * np.abs(twin.outgoing).max())
        np.testing.assert_allclose(fit.residual, twin.residual, rtol=0, atol=1e-9)
        np.testing.assert_allclose(fit.leverage, twin.leverage, rtol=1e-4)
        mine, own = (one.nested(row, orders, True).blocks for one in (solver, alone))
        assert all(np.allclose(a.matrix, b.matrix, rtol=0, atol=1e-12) for a, b in zip(mine, own, strict=True))
        divided = CellSolver(alone, cells.cells, (2, 2), "likelihood").fit(row, (2, 2))
        np.testing.assert_allclose(cells.fit(row, (2, 2)).residual, divided.residual, rtol=0, atol=1e-9)


def test_points_left_out_where_weights_break_the_rings() -> None:
    left_out = np.isin(np.arange(len(RINGS_M)), [7, 90])
    pressure = complex_normal(np.random.default_rng(7), 4, len(RINGS_M))
    spectra = make_spectra(RINGS_M, SCAN_HZ, np.where(left_out, 0.0, pressure), left_out=left_out)
    weights = np.random.default_rng(8).uniform(0.5, 1.5, len(RINGS_M))
    solver = Solver(spectra, np.zeros(3), 6, (3.0, 40.0), weights)
    assert solver.grid is None
    kept = ~left_out
    twin = Solver(only(spectra, kept), np.zeros(3), 6, (3.0, 40.0), weights[kept])
    cells = Cells(np.array([[0.05, 0.0, -0.1], [0.0, 0.0, 0.1]]), 0.1, 0.2)
    pairs = [(solver.fit([1], ORDERS)[0], twin.fit([1], ORDERS)[0])]
    # exactly; but the likelihood, which says how hard to regularise cells, takes the two for perfectly predicted
    pairs.append(tuple(CellSolver(one, cells, (2, 2), "likelihood").fit(1, (2, 2)) for one in (solver, twin)))
    for (found, expected), share in zip(pairs, (1e-9, 1e-2), strict=True):
        level = share * np.abs(expected.residual).max()
        np.testing.assert_allclose(found.residual[:, kept], expected.residual, rtol=0, atol=level)


@pytest.mark.parametrize("positions_m", [RINGS_M, SPIRAL_M], ids=["rings", "irregular"])
def test_stated_variance_is_that_of_many_scans(positions_m: np.ndarray) -> None:
    """Best linear unbiased estimate: 600 draws as channels; the sum of 16 coefficients scatters by 0.1 dB."""
    sigma = 1.0 / banded(positions_m)
    draws = complex_normal(np.random.default_rng(9), 4, 600, len(positions_m)) * sigma[:, None]
    spectra = replace(make_spectra(positions_m, SCAN_HZ, draws[:, :1]), pressure_pa=draws)
    stated_db, seen_db = [], []
    for weights in (1.0 / sigma, np.ones_like(sigma)):
        solver = Solver(spectra, np.zeros(3), 3, (3.0, 40.0), weights)
        fits = solver.fit(range(4), ORDERS)
        seen_db.append([10 * np.log10(np.mean(np.sum(np.abs(fit.outgoing) ** 2, axis=1))) for fit in fits])
        stated_db.append([10 * np.log10(fit.far_field_variance[0]) for fit in fits])
    np.testing.assert_allclose(seen_db[0], stated_db[0], rtol=0, atol=0.3)
    assert np.all(np.array(seen_db[0]) < np.array(seen_db[1]))


@pytest.mark.parametrize("orders", [(3, -1), ORDERS], ids=["one set", "both sets"])
def test_edges_of_bands_are_no_steps(orders: tuple[int, int]) -> None:
    """At the edge, answers with the weights of either band differ by less than noise does from nothing.

    An answer whose noise power is p times the least lies sqrt(p - 1) of that noise off the best.
    """
    slope = np.linspace(-1.0, 1.0, 30)[:, None] * np.where(np.arange(160) % 2, 1.0, -1.0)
    sigma, frequency_hz = 10.0 ** (0.75 * slope), np.geomspace(200.0, 1600.0, 30)
    silence = np.ones((30, 160), dtype=np.complex128)
    weights = noise_weights(make_spectra(SPIRAL_M, frequency_hz, silence, noise_pa=sigma[:, None]), most_bands=6)
    assert weights is not None
    edges = np.flatnonzero(np.any(np.diff(weights, axis=0), axis=1))
    assert len(edges) >= 2
    for edge in edges:
        draws = complex_normal(np.random.default_rng(12), 400, 160) * sigma[edge]
        row = make_spectra(SPIRAL_M, frequency_hz[[edge, edge]], silence[:2])
        row = replace(row, pressure_pa=np.stack([draws, draws]))
        below, above = Solver(row, np.zeros(3), 3, (1.0, 40.0), weights[[edge, edge + 1]]).fit([0, 1], orders)
        noise, step = (np.linalg.norm(one) for one in (below.outgoing, above.outgoing - below.outgoing))
        assert np.sum(np.sqrt(10 ** (lost_db(weights[[edge, edge + 1]], sigma[[edge, edge]]) / 10) - 1.0)) < 1.0
        assert step < noise


# A source off the origin of a scan on rings; free field.
SOURCE = MonopoleCluster((Monopole((0.1, 0.0, 0.0)), Monopole((-0.05, 0.08, -0.05), 0.6)), 2e-4)
WIDE_M, WIDE_SURFACE = cylinder_scan(300, 0.25, 0.25, azimuths=15)
WIDE_HZ = np.geomspace(100.0, 400.0, 5)


def wide_scan(noise: np.ndarray, seed: int = 1, **stated: object) -> Spectra:
    """Noise re the rms sound of the lowest frequency (frequency or 1, point)."""
    sound = SOURCE.pressure(WIDE_HZ, WIDE_M, AIR)
    noise_pa = noise * np.sqrt(np.mean(np.abs(sound[0]) ** 2)) * np.ones(sound.shape)
    heard = sound + noise_pa * complex_normal(np.random.default_rng(seed), *sound.shape)
    known = KnownSource(np.zeros(3))
    return make_spectra(
        WIDE_M, WIDE_HZ, heard, WIDE_SURFACE, noise_pa=noise_pa[:, None], known_source=known, **stated
    )


def with_weights(spectra: Spectra, point_weights: str, source_radius_m: float = 0.13) -> Expansion:
    stated = {"point_weights": point_weights, "source_radius_m": source_radius_m}
    return expand(spectra, Settings.model_validate({"expansion": stated}))


@pytest.mark.parametrize("point_weights", ["noise", "auto"])
def test_points_alike_are_fitted_as_if_nothing_were_known(point_weights: str) -> None:
    spectra = wide_scan(np.full(len(WIDE_M), 1e-3))
    expected = with_weights(spectra, "equal")
    found = with_weights(spectra, point_weights)
    np.testing.assert_array_equal(found.outgoing, expected.outgoing)
    assert found.notices == expected.notices


def test_auto_does_without_knowing_the_noise() -> None:
    spectra = replace(wide_scan(np.full(len(WIDE_M), 1e-3)), noise_pa=None)
    np.testing.assert_array_equal(with_weights(spectra, "auto").outgoing, with_weights(spectra, "equal").outgoing)


def test_auto_weighs_what_left_out_points_confirm() -> None:
    """Noisy points among quiet ones; where they make up one side, and the waves are too few, no weights help."""
    directions = polar_directions()
    among = wide_scan(np.where(np.arange(len(WIDE_M)) % 2, 1e-3, 1e-2))
    errors_db = {
        name: far_field_error_db(with_weights(among, name), SOURCE, directions) for name in ("equal", "noise", "auto")
    }
    # 14 dB at best; what is out of place by 0.3 mm counts beside the noise from 300 Hz
    assert np.mean(errors_db["equal"] - errors_db["auto"]) > 5.0
    aside = wide_scan(np.where(np.arctan2(WIDE_M[:, 1], WIDE_M[:, 0]) < np.pi / 2, 1e-3, 1e-2))
    found = {name: with_weights(aside, name, source_radius_m=0.02) for name in ("equal", "noise", "auto")}
    errors_db = {name: far_field_error_db(one, SOURCE, directions) for name, one in found.items()}
    assert np.mean(errors_db["noise"] - errors_db["equal"]) > 10.0
    np.testing.assert_array_equal(found["auto"].outgoing, found["equal"].outgoing)


def test_random_error_is_that_of_weighted_points() -> None:
    """Rms error of 24 scans against what each says of itself; noise that is not weighed would say 8 dB more.

    Sets of 6 scans scatter by 0.3 dB; the greater of known and shown noise is 0.2 dB more than the noise.
    """
    stated = {"orders": {"outgoing": 6, "regular": 6}, "expansion": {"point_weights": "noise"}}
    true, said = [], []
    for seed in range(24):
        spectra = wide_scan(np.where(WIDE_M[:, 2] > 0, 2e-1, 4e-2), seed)
        found = expand(spectra, Settings.model_validate(stated))
        true.append(10 ** (far_field_error_db(found, SOURCE, spiral(200)) / 10))
        said.append(10 ** (found.quality.random_error_db[:, 0] / 10))
    ratio_db = 10 * np.log10(np.mean(true, axis=0) / np.mean(said, axis=0))
    np.testing.assert_allclose(ratio_db.mean(), 0.0, rtol=0, atol=1.0)


def test_gated_responses_are_weighted_too() -> None:
    noise = np.where(np.arange(len(WIDE_M)) % 2, 1e-3, 1e-2)
    spectra = wide_scan(noise)
    length_s, tail_db = np.full(len(WIDE_M), 0.02), np.full((len(WIDE_HZ), 1), -60.0)
    gated = Gated(spectra.pressure_pa, length_s, tail_db, spectra.noise_pa)
    orders = {"outgoing": 6, "regular": 6}
    errors_db = []
    for name in ("equal", "noise"):
        stated = {"orders": orders, "expansion": {"point_weights": name}, "gate": {"crossover_hz": 150.0}}
        found = expand(replace(spectra, gated=gated), Settings.model_validate(stated))
        assert found.quality.gated_share[-1] == 1.0
        errors_db.append(far_field_error_db(found, SOURCE, polar_directions()))
    assert np.mean(errors_db[0] - errors_db[1]) > 5.0
