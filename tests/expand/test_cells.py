"""Waves from several centres: how a cabinet is divided, what their fit is, and when it is used."""

from __future__ import annotations

from dataclasses import replace
from functools import cache, cached_property

import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of, matrix_of, spiral
from scanned import far_field_error_db, make_spectra, noisy_pressure
from scipy.special import roots_legendre
from threadpoolctl import threadpool_limits

from fieldproc.expand import expand
from fieldproc.expand.blocks import Tikhonov
from fieldproc.expand.cells import ASSUMED_SOURCE_SHARE, MOST_CELLS, Cells, divide
from fieldproc.expand.dense import Seen, WaveFamily, WaveFit, fit_families, fit_waves
from fieldproc.expand.order import degree_priors
from fieldproc.expand.rings import fit_ring_stack, recognise_rings
from fieldproc.extrapolate import far_field_pressure
from fieldproc.records import Cabinet, Expansion, KnownSource, ReferenceAxis, Spectra
from fieldproc.settings import ExpansionSettings, OrderSettings, Settings
from fieldproc.simulate.rooms import Shoebox
from fieldproc.simulate.scans import cylinder_scan, sphere_scan
from fieldproc.simulate.sources import Monopole, MonopoleCluster
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import coefficient_count
from fieldproc.waves.translation import translate


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it; small products only lose by sharing them out."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


ORIGIN = np.zeros(3)
COLUMN_M = (0.25, 0.25, 1.2)
PANEL_M = (0.05, 0.6, 1.2)
# Two cylinders close to a column, 720 points on rings of 24.
TALL_SCAN = cylinder_scan(720, 0.35, 0.70, gap_m=0.05, azimuths=24)


def silent(scan: tuple[np.ndarray, np.ndarray], **stated: object) -> Spectra:
    """A scan of silence."""
    positions_m, surface = scan
    pressure = np.zeros((1, len(positions_m)), dtype=np.complex128)
    return make_spectra(positions_m, np.array([100.0]), pressure, surface, **stated)


def cabinet(size_m: tuple[float, float, float], center_m: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Cabinet:
    return Cabinet(np.array(size_m), np.array(center_m))


def around(size_m: tuple[float, float, float], clearance_m: float) -> tuple[np.ndarray, np.ndarray]:
    """One surface, a box that keeps its distance from a box: a grid on each of its faces."""
    half_m = np.array(size_m) / 2 + clearance_m
    steps = np.stack(np.meshgrid(*3 * [np.linspace(-1.0, 1.0, 15)], indexing="ij"), axis=-1).reshape(-1, 3)
    positions_m = half_m * steps[np.abs(steps).max(axis=1) == 1.0]
    return positions_m, np.zeros(len(positions_m), dtype=np.int64)


def divided(scan: tuple[np.ndarray, np.ndarray], origin_m: np.ndarray = ORIGIN, **stated: object) -> Cells:
    cells = divide(silent(scan, **stated), origin_m)
    assert cells is not None
    return cells


# ---- geometry -----------------------------------------------------------------------------------------------------


def test_a_tall_cabinet_is_a_column_of_cells() -> None:
    cells = divided(TALL_SCAN, cabinet=cabinet(COLUMN_M))
    # nearest point 0.35 m from the centre, so 1.2 / 0.35 = 3.4 cells
    np.testing.assert_allclose(cells.centers_m, [[0, 0, -0.4], [0, 0, 0], [0, 0, 0.4]], rtol=0, atol=1e-15)
    np.testing.assert_allclose(cells.radius_m, np.linalg.norm([0.125, 0.125, 0.2]), rtol=1e-15)
    np.testing.assert_allclose([cells.farthest_m, cells.reach_m], [0.4, 0.4 + cells.radius_m], rtol=1e-15)
    # every point is outside every cell, as the module promises; not so outside the one sphere about the origin
    assert cells.nearest_m > cells.radius_m
    assert np.linalg.norm(TALL_SCAN[0], axis=1).min() < np.linalg.norm(COLUMN_M) / 2


def test_a_cabinet_off_the_origin_takes_its_cells_along() -> None:
    lifted_m = np.array([0.0, 0.0, 0.3])
    cells = divided(TALL_SCAN, lifted_m, cabinet=cabinet(COLUMN_M))
    about_middle = divided(TALL_SCAN, cabinet=cabinet(COLUMN_M))
    np.testing.assert_allclose(cells.centers_m, about_middle.centers_m - lifted_m, rtol=0, atol=1e-15)
    np.testing.assert_allclose(
        [cells.radius_m, cells.nearest_m], [about_middle.radius_m, about_middle.nearest_m], rtol=1e-12
    )


def test_without_a_cabinet_the_innermost_surface_suggests_one() -> None:
    """Inner surface 0.35 m in radius and 0.70 m in half height: 0.7 times as wide, the same clearance above."""
    cells = divided(TALL_SCAN)
    inner_m = np.abs(TALL_SCAN[0][TALL_SCAN[1] == 0]).max(axis=0)
    wide_m = ASSUMED_SOURCE_SHARE * inner_m[0]
    long_m = inner_m[2] - inner_m[0] + wide_m
    np.testing.assert_allclose(cells.centers_m[:, 2], 2 * long_m / 3 * np.array([-1, 0, 1]), rtol=0, atol=1e-12)
    # taken to be round: the corners of its cells lie on the circle
    np.testing.assert_allclose(cells.radius_m, np.hypot(wide_m, long_m / 3), rtol=1e-12)


@pytest.mark.parametrize(
    ("scan", "stated"),
    [
        pytest.param(sphere_scan(800, 0.35), {}, id="sphere"),
        pytest.param(sphere_scan(800, 0.35, grid="spiral"), {}, id="spiral"),
        pytest.param(cylinder_scan(800, 0.28, 0.28), {}, id="cylinder as high as wide"),
        pytest.param(sphere_scan(800, 0.35), {"cabinet": cabinet((0.4, 0.4, 0.4))}, id="cube-like cabinet"),
        pytest.param(
            TALL_SCAN, {"known_source": KnownSource(np.array([0.0, 0.0, 0.3]))}, id="known point source, tall scan"
        ),
    ],
)
def test_one_origin_is_enough(scan: tuple[np.ndarray, np.ndarray], stated: dict[str, object]) -> None:
    assert divide(silent(scan, **stated), ORIGIN) is None


def test_a_cube_is_divided_from_where_its_corners_stick_out() -> None:
    scan = sphere_scan(800, 0.35)
    side_m = 2 * 0.35 / np.sqrt(3.0)
    assert divide(silent(scan, cabinet=cabinet(3 * (0.999 * side_m,))), ORIGIN) is None
    # two cells at least, or there would be nothing gained
    assert len(divided(scan, cabinet=cabinet(3 * (1.001 * side_m,))).centers_m) == 2


def test_a_flat_panel_is_divided_across_its_face_alone() -> None:
    cells = divided(around(PANEL_M, 0.2), cabinet=cabinet(PANEL_M))
    # 0.225 m from the centre to the nearest point: 0.6 / 0.225 = 2.7 times 1.2 / 0.225 = 5.3 would be 15 cells, more
    # than 12. A tenth longer, they are 2 times 5
    assert MOST_CELLS == 12
    expected = [[0.0, across_m, up_m] for across_m in (-0.15, 0.15) for up_m in np.arange(-2, 3) * 0.24]
    np.testing.assert_allclose(cells.centers_m, expected, rtol=0, atol=1e-15)
    assert cells.nearest_m > cells.radius_m


@pytest.mark.parametrize("size_m", [(0.6, 1.0, 1.4), (0.1, 0.1, 3.0), (0.05, 2.0, 2.0)])
def test_never_more_cells_than_can_be_told_apart(size_m: tuple[float, float, float]) -> None:
    cells = divided(around(size_m, 0.05), cabinet=cabinet(size_m))
    assert 2 <= len(cells.centers_m) <= MOST_CELLS
    # cells about as long as the centre is far from the nearest point would have been more
    assert np.prod(np.maximum(np.array(size_m) / (min(size_m) / 2 + 0.05), 1)) > 1.5 * MOST_CELLS


CASES = {
    "column": (TALL_SCAN, COLUMN_M, (0.0, 0.0, 0.0)),
    "column 2 cm off the axis": (TALL_SCAN, COLUMN_M, (0.012, -0.016, 0.05)),
    "column 6 cm off the axis": (TALL_SCAN, COLUMN_M, (0.06, 0.0, 0.05)),
    "panel": (around(PANEL_M, 0.2), PANEL_M, (0.0, 0.0, 0.0)),
    "panel, very close": (around(PANEL_M, 0.06), PANEL_M, (0.0, 0.0, 0.0)),
    "large box": (around((0.6, 0.8, 1.2), 0.05), (0.6, 0.8, 1.2), (0.0, 0.0, 0.0)),
}


@pytest.mark.parametrize("name", CASES)
def test_cells_fill_the_box(name: str) -> None:
    """Every centre is inside, and the sphere of every cell holds its own part of the box, corners included."""
    scan, size_m, center_m = CASES[name]
    cells = divided(scan, cabinet=cabinet(size_m, center_m))
    low_m, size = np.array(center_m) - np.array(size_m) / 2, np.array(size_m)
    assert np.all((cells.centers_m > low_m) & (cells.centers_m < low_m + size))
    counts = np.array([len(np.unique(values.round(9))) for values in cells.centers_m.T])
    assert counts.prod() == len(cells.centers_m)
    corners = np.array(np.meshgrid(*3 * [[0.0, 1.0]])).reshape(3, -1).T
    worst_m = 0.0
    for place, own_m in zip(np.ndindex(*counts), cells.centers_m, strict=True):
        distance_m = np.linalg.norm(low_m + (np.array(place) + corners) * size / counts - own_m, axis=1)
        worst_m = max(worst_m, distance_m.max())
    assert worst_m <= cells.radius_m * (1 + 1e-12)
    # and is not much too large; moved onto the axis, it grows by the whole of the move, which a corner need not
    assert worst_m > 0.95 * cells.radius_m


@pytest.mark.parametrize("name", CASES)
def test_nearest_point_of_any_centre(name: str) -> None:
    scan, size_m, center_m = CASES[name]
    cells = divided(scan, cabinet=cabinet(size_m, center_m))
    true_m = np.linalg.norm(scan[0][:, None] - cells.centers_m, axis=2).min()
    # a column moved onto the axis counts the move against itself, where it may have gained as much
    moved_m = np.hypot(*center_m[:2]) if np.hypot(*center_m[:2]) < 0.03 else 0.0
    assert (true_m - 2 * moved_m) * (1 - 1e-12) <= cells.nearest_m <= true_m * (1 + 1e-12)


def test_a_column_near_the_axis_moves_onto_it() -> None:
    """2 cm are moved, and the sphere grows by them; 6 cm are not."""
    snapped = divided(TALL_SCAN, cabinet=cabinet(COLUMN_M, (0.012, -0.016, 0.0)))
    assert not snapped.centers_m[:, :2].any()
    length_m = np.ptp(snapped.centers_m[:, 2]) / (len(snapped.centers_m) - 1)
    np.testing.assert_allclose(snapped.radius_m, np.linalg.norm([0.125, 0.125, length_m / 2]) + 0.02, rtol=1e-12)
    apart = divided(TALL_SCAN, cabinet=cabinet(COLUMN_M, (0.06, 0.0, 0.0)))
    np.testing.assert_allclose(apart.centers_m[:, :2], np.tile([0.06, 0.0], (len(apart.centers_m), 1)), rtol=1e-12)


# ---- the fit ------------------------------------------------------------------------------------------------------


class Problem:
    """Waves from ``centers_m`` up to ``order`` each, and regular ones about the origin, with noise."""

    def __init__(self, points_m: np.ndarray, centers_m: np.ndarray, order: int, regular: int, k: float) -> None:
        self.points_m, self.k, self.centers_m = points_m, k, centers_m
        self.order, self.regular = order, regular
        orders = [order] * len(centers_m) + [regular]
        self.tikhonov = Tikhonov(degree_priors(orders))
        # columns as strong as the prior expects, and noise: no coefficient, no residual and no weight is extreme
        generator, count = np.random.default_rng(1), self.columns.shape[1]
        strengths = self.tikhonov.prior * complex_normal(generator, 2, count)
        waves = strengths @ (self.columns / np.linalg.norm(self.columns, axis=0)).T
        self.pressure = waves + 0.01 * complex_normal(generator, 2, len(points_m))
        # kd is 3.6 at most, and j_20(3.6) = 1e-14: next to nothing is left out
        alone = np.eye(coefficient_count(order), dtype=np.complex128)
        self.readouts = [translate(alone, k, -center_m, order + 20).T for center_m in self.centers_m]

    def families(self, see) -> list:
        """``see(center_m, order)`` gives the points as a centre sees them."""
        found = [
            WaveFamily("outgoing", self.order, see(center_m, self.order), readout)
            for center_m, readout in zip(self.centers_m, self.readouts, strict=True)
        ]
        return found + ([WaveFamily("regular", self.regular, see(ORIGIN, self.regular))] if self.regular >= 0 else [])

    def dense(self, regularise: bool) -> WaveFit:
        def see(center_m: np.ndarray, order: int) -> Seen:
            offsets_m = self.points_m - center_m
            return Seen(spherical_harmonics(order, offsets_m), self.k * np.linalg.norm(offsets_m, axis=1))

        return fit_families(self.families(see), self.pressure, self.tikhonov if regularise else None)

    def ring(self, regularise: bool) -> WaveFit:
        top = max(self.order, self.regular)
        grid = recognise_rings(self.points_m, top)
        assert grid is not None
        families = self.families(lambda center_m, _order: grid.seen_from(float(center_m[2]), top))
        tikhonov = self.tikhonov if regularise else None
        return fit_ring_stack(families, np.array([self.k]), self.pressure[None], tikhonov)[0]

    @cached_property
    def columns(self) -> np.ndarray:
        """All of them at the points, from scipy's functions."""
        parts = [matrix_of(self.points_m - center_m, self.k, (self.order, -1)) for center_m in self.centers_m]
        if self.regular >= 0:
            parts.append(matrix_of(self.points_m, self.k, (-1, self.regular)))
        return np.concatenate(parts, axis=1)


def on_axis(*heights_m: float) -> np.ndarray:
    return np.array([[0.0, 0.0, height_m] for height_m in heights_m])


def shuffled(points_m: np.ndarray) -> np.ndarray:
    return points_m[np.random.default_rng(3).permutation(len(points_m))]


SHORT = shuffled(cylinder_scan(400, 0.30, 0.45, azimuths=20)[0])
# Off the axis there are no rings.
ASIDE_M = np.array([[0.05, -0.1, 0.25], [-0.1, 0.08, -0.2]])
# Rings of 3 to 18 points.
UNEVEN = shuffled(cylinder_scan(400, 0.30, 0.45)[0])
# 8 azimuths cannot keep orders apart that differ by 8; alternate rings are turned, which does.
FEW_AZIMUTHS = shuffled(cylinder_scan(480, 0.30, 0.45, azimuths=8)[0])
PROBLEMS = {
    "more regular than outgoing": Problem(SHORT, on_axis(-0.3, 0.02, 0.3), 2, 6, 12.0),
    "more outgoing than regular": Problem(SHORT, on_axis(-0.3, 0.3), 5, 3, 12.0),
    "outgoing alone": Problem(SHORT, on_axis(-0.3, 0.02, 0.3), 2, -1, 12.0),
    "one centre, not the origin": Problem(SHORT, on_axis(0.1), 4, 5, 8.0),
    "rings that differ": Problem(UNEVEN, on_axis(-0.3, 0.02, 0.3), 2, 6, 12.0),
    "orders that couple": Problem(FEW_AZIMUTHS, on_axis(-0.25, 0.25), 5, 4, 12.0),
}


@pytest.mark.parametrize("regularise", [False, True])
@pytest.mark.parametrize("name", PROBLEMS)
def test_ring_fit_is_the_dense_fit(name: str, regularise: bool) -> None:
    ring, dense = (fit(regularise) for fit in (PROBLEMS[name].ring, PROBLEMS[name].dense))
    # rounding times the condition, 14 to 810 here; measured 5e-14 at most
    assert dense.condition < 1000.0
    close = 100 * np.finfo(float).eps * dense.condition
    for part in ("outgoing", "regular", "residual", "leverage", "far_field_variance", "noise"):
        found, expected = getattr(ring, part), getattr(dense, part)
        assert found.shape == expected.shape, part
        assert np.linalg.norm(found - expected) <= close * np.linalg.norm(expected), part
    np.testing.assert_allclose(ring.room_to_direct, dense.room_to_direct, rtol=close)
    np.testing.assert_allclose(ring.weight, dense.weight, rtol=1e-12)
    # up to a hundred unknowns both take it from all singular values
    assert PROBLEMS[name].columns.shape[1] <= 100
    np.testing.assert_allclose(ring.condition, dense.condition, rtol=1e-8)


def test_orders_do_couple_in_that_case() -> None:
    grid = recognise_rings(FEW_AZIMUTHS, 5)
    assert grid is not None
    assert max(len(orders) for orders in grid.classes(5)) == 2


@pytest.mark.parametrize("name", PROBLEMS)
def test_condition_is_that_of_all_families_together(name: str) -> None:
    columns = PROBLEMS[name].columns
    expected = np.linalg.cond(columns / np.linalg.norm(columns, axis=0))
    np.testing.assert_allclose(PROBLEMS[name].ring(False).condition, expected, rtol=1e-8)


@pytest.mark.parametrize("centers_m", [on_axis(-0.3, 0.02, 0.3), ASIDE_M], ids=["on the axis", "anywhere"])
def test_exact_waves_come_back_about_the_origin(centers_m: np.ndarray) -> None:
    """Strengths at several places; their sum as a far field, each moved by its phase."""
    problem = Problem(SHORT, centers_m, 2, 6, 12.0)
    true = complex_normal(np.random.default_rng(2), 2, problem.columns.shape[1])
    problem.pressure = true @ problem.columns.T
    split = len(centers_m) * coefficient_count(2)
    directions = spiral(50)
    expected = true[:, :split] @ patterns(problem, directions).T
    fits = [problem.dense(False)] + ([] if centers_m is ASIDE_M else [problem.ring(False)])
    for fit in fits:
        # rounding times a condition below 1000
        assert np.linalg.norm(pattern_of(fit.outgoing, directions) - expected) < 1e-11 * np.linalg.norm(expected)
        assert np.linalg.norm(fit.regular - true[:, split:]) < 1e-11 * np.linalg.norm(true[:, split:])


def pattern_of(coefficients: np.ndarray, directions: np.ndarray) -> np.ndarray:
    """sum i^(n+1) c_nm Y_nm, (channel, direction): the far field without 1/k."""
    degree = int(np.sqrt(coefficients.shape[1])) - 1
    degrees = np.repeat(np.arange(degree + 1), 2 * np.arange(degree + 1) + 1)
    return coefficients * 1j ** (degrees + 1.0) @ harmonics_of(degree, directions).T


def patterns(problem: Problem, directions: np.ndarray) -> np.ndarray:
    """The same about the origin for every outgoing column, (direction, column): a centre c adds exp(ik c.u)."""
    own = pattern_of(np.eye(coefficient_count(problem.order)), directions)
    turns = np.exp(1j * problem.k * problem.centers_m @ directions.T)
    return np.concatenate([turn * own for turn in turns]).T


OFF_AXIS = {"off the axis": Problem(SHORT, ASIDE_M, 3, 5, 12.0)}


@pytest.mark.parametrize("regularise", [False, True])
@pytest.mark.parametrize("name", [*PROBLEMS, *OFF_AXIS])
def test_far_field_variance_is_that_of_the_pattern_over_the_sphere(name: str, regularise: bool) -> None:
    """Without any translation: the posterior covariance, seen through the pattern of every column, integrated."""
    problem = {**PROBLEMS, **OFF_AXIS}[name]
    norms, prior = np.linalg.norm(problem.columns, axis=0), problem.tikhonov.prior
    scaled = problem.columns / norms * prior
    split = len(problem.centers_m) * coefficient_count(problem.order)
    # 24 heights and 48 azimuths are exact to degree 47; exp(ikd t) squared and degree 5 twice need 10 + 7 and some
    heights, weights = roots_legendre(24)
    azimuth, height = (part.ravel() for part in np.meshgrid(2 * np.pi * np.arange(48) / 48, heights))
    across = np.sqrt(1 - height**2)
    directions = np.stack([across * np.cos(azimuth), across * np.sin(azimuth), height], axis=1)
    area = np.repeat(weights, 48) * 2 * np.pi / 48
    seen = np.sqrt(area)[:, None] * patterns(problem, directions) * (prior / norms)[:split]
    fit = (problem.dense if name in OFF_AXIS else problem.ring)(regularise)
    assert np.all((fit.weight > 0) == regularise)
    _, singular, right = np.linalg.svd(scaled, full_matrices=False)
    for variance, weight in zip(fit.far_field_variance, fit.weight, strict=True):
        # (A^H A + w^2)^-1 by singular values, which do not square the condition
        root = right.conj().T[:split] / np.sqrt(singular**2 + (weight * singular[0]) ** 2)
        np.testing.assert_allclose(variance, np.linalg.norm(seen @ root) ** 2, rtol=1e-9)


@pytest.mark.parametrize("regularise", [False, True])
def test_a_centre_at_the_origin_is_no_centre(regularise: bool) -> None:
    """One centre there, read out by the identity, against the fit about the origin itself; dense and on rings."""
    problem = Problem(SHORT, on_axis(0.0), 5, 4, 8.0)
    problem.readouts = [np.eye(coefficient_count(5), dtype=np.complex128)]
    tikhonov = problem.tikhonov if regularise else None
    harmonics, argument = spherical_harmonics(5, SHORT), problem.k * np.linalg.norm(SHORT, axis=1)
    plain = fit_waves(harmonics, argument, (5, 4), problem.pressure, tikhonov)
    for fit in (problem.dense(regularise), problem.ring(regularise)):
        for part in ("outgoing", "regular", "residual", "leverage", "far_field_variance", "noise", "room_to_direct"):
            # the same numbers by another way: rounding times a condition of 30
            found, expected = getattr(fit, part), getattr(plain, part)
            assert np.linalg.norm(found - expected) <= 1e-12 * np.linalg.norm(expected), part
        np.testing.assert_allclose(fit.weight, plain.weight, rtol=1e-12)


# ---- the choice ---------------------------------------------------------------------------------------------------

ROOM = Shoebox((5.09, 3.29, 2.9), (-3.5, -1.51, -1.43), (0.83, 0.82, 0.83, 0.67, 0.94, 0.64), 2)
FREQUENCY_HZ = np.array([120.0, 400.0])
# One target for one origin and for cells alike: nothing else is tried, which is faster.
TARGET = OrderSettings(truncation_db=-30.0)
SOURCES = {
    # from end to end of the cabinet
    "tall": MonopoleCluster(
        tuple(
            Monopole((0.03 * (-1) ** at, 0.02, height_m), 1.0 - 0.1 * at, 1e-5 * at)
            for at, height_m in enumerate(np.linspace(-0.5, 0.5, 5))
        ),
        2e-4,
    ),
    # one driver in a tall cabinet: waves from one origin carry it
    "compact": MonopoleCluster((Monopole((0.03, 0.02, -0.05)), Monopole((-0.02, 0.05, 0.06), 0.5)), 2e-4),
}


def recorded(name: str, scan: tuple[np.ndarray, np.ndarray], **stated: object) -> Spectra:
    """A source in a room, noise at -60 dB."""
    positions_m, surface = scan
    pressure = noisy_pressure(SOURCES[name], ROOM, FREQUENCY_HZ, positions_m, -60.0, np.random.default_rng(2))
    return make_spectra(positions_m, FREQUENCY_HZ, pressure, surface, **stated)


@cache
def expansion_of(name: str, orders: OrderSettings = TARGET, **settings: object) -> Expansion:
    """Of a cabinet 1.2 m tall."""
    stated = Settings(orders=orders, expansion=ExpansionSettings.model_validate(settings))
    return expand(recorded(name, TALL_SCAN, cabinet=cabinet(COLUMN_M)), stated)


def centers_of(expansion: Expansion) -> int:
    """Number of centres, as the notice tells it."""
    found = [notice for notice in expansion.notices if "outgoing waves leave from" in notice]
    return int(found[0].split("leave from ")[1].split()[0]) if found else 1


def assert_same(found: Expansion, expected: Expansion) -> None:
    np.testing.assert_array_equal(found.outgoing, expected.outgoing)
    np.testing.assert_array_equal(found.regular, expected.regular)


def error_db(expansion: Expansion, name: str) -> np.ndarray:
    return far_field_error_db(expansion, SOURCES[name], spiral(200))


def test_auto_divides_where_the_data_prove_it() -> None:
    expansion = expansion_of("tall")
    assert centers_of(expansion) == 3
    assert_same(expansion, expansion_of("tall", several_centers=True))
    # measured -61 dB, which the noise explains, and -27 and -17 dB about one origin
    assert error_db(expansion, "tall").max() < -55.0
    assert error_db(expansion_of("tall", several_centers=False), "tall").min() > -30.0


def test_auto_leaves_a_scan_alone_that_needs_no_cells() -> None:
    """A compact source in the same cabinet: cells would fit, and predict nothing better."""
    expansion = expansion_of("compact")
    assert centers_of(expansion) == 1
    assert_same(expansion, expansion_of("compact", several_centers=False))
    # insisted on, they are taken, and do no harm: measured -60 dB
    insisted = expansion_of("compact", several_centers=True)
    assert centers_of(insisted) == 3
    assert error_db(insisted, "compact").max() < -55.0


@pytest.mark.parametrize("stated", [{"cabinet": cabinet((0.3, 0.3, 0.3))}, {}])
def test_true_insists_only_where_the_geometry_allows(stated: dict[str, object]) -> None:
    spectra = recorded("compact", cylinder_scan(400, 0.28, 0.28, azimuths=20), **stated)
    found, expected = (
        expand(spectra, Settings(orders=TARGET, expansion=ExpansionSettings(several_centers=wanted)))
        for wanted in (True, False)
    )
    assert centers_of(found) == 1
    assert_same(found, expected)


def test_true_with_too_few_points_for_cells_leaves_one_origin() -> None:
    """32 points: no target that is tried for cells fits, so that there is nothing to prove."""
    few = cylinder_scan(32, 0.35, 0.70, gap_m=0.05, azimuths=4)
    settings = Settings(expansion=ExpansionSettings(several_centers=True))
    assert centers_of(expand(recorded("tall", few, cabinet=cabinet(COLUMN_M)), settings)) == 1


@pytest.mark.parametrize(
    ("orders", "settings"),
    [(OrderSettings(outgoing=6, truncation_db=-30.0), {}), (TARGET, {"regularisation": "never"})],
    ids=["outgoing order", "regularisation"],
)
def test_what_is_stated_of_one_origin_keeps_it(orders: OrderSettings, settings: dict[str, object]) -> None:
    expansion = expansion_of("tall", orders, **settings)
    assert centers_of(expansion) == 1
    assert_same(expansion, expansion_of("tall", orders, several_centers=False, **settings))


def test_a_target_is_followed_by_the_cells() -> None:
    """Coarser cells have fewer degrees, and leave out more of the far field."""
    coarse, fine = (expansion_of("tall", OrderSettings(truncation_db=target)) for target in (-30.0, -50.0))
    assert centers_of(coarse) == centers_of(fine) == 3
    assert np.all(coarse.outgoing_order < fine.outgoing_order)
    assert np.all(coarse.quality.truncation_db > fine.quality.truncation_db)


def test_cells_without_rings_are_the_same_cells() -> None:
    """A sound speed that differs by rounding from point to point rules the ring solver out, and changes nothing."""
    spectra = recorded("tall", TALL_SCAN, cabinet=cabinet(COLUMN_M))
    speed = spectra.sound_speed_m_per_s.copy()
    speed[0] *= 1 + 1e-15
    assert np.ptp(speed) > 0
    found, expected = (
        expand(replace(spectra, sound_speed_m_per_s=speed), Settings(orders=TARGET)),
        expansion_of("tall"),
    )
    assert centers_of(found) == 3
    directions = spiral(200)
    before, after = (far_field_pressure(one, ReferenceAxis(), directions) for one in (expected, found))
    # rounding times the 1/2e-4 that regularisation leaves of the condition
    assert np.linalg.norm(after - before) <= 1e-10 * np.linalg.norm(before)
    for name in ("random_error_db", "residual_db", "leave_one_out_db", "room_to_direct_db", "regularisation"):
        np.testing.assert_allclose(getattr(found.quality, name), getattr(expected.quality, name), rtol=1e-8)
    np.testing.assert_array_equal(found.quality.verdict, expected.quality.verdict)
