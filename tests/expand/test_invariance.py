"""What must not matter: units, column scale, order of points, the scan frame, and where the waves are centred.

Each test computes one thing twice, both times to rounding, 1e-16, times the condition of the fit (10 to 60 here); an
iterated fit stops at 1e-11 of the fitted field. 7e-11 measured at most. CLOSE leaves room for nothing else.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from expand.plain_waves import complex_normal, matrix_of, spiral
from scanned import make_spectra, noisy_pressure
from scipy.spatial.transform import Rotation
from scipy.special import spherical_jn, spherical_yn
from threadpoolctl import threadpool_limits

from fieldproc.conventions import amplitude_db, horizontal_directions
from fieldproc.expand import expand
from fieldproc.expand.blocks import Block, Tikhonov, solve_blocks
from fieldproc.expand.dense import WaveFit, fit_waves
from fieldproc.expand.gram import irregular_grid
from fieldproc.expand.iterative import Unsolved, fit_irregular
from fieldproc.expand.order import degree_priors
from fieldproc.expand.rings import fit_rings, recognise_rings
from fieldproc.expand.solver import FEWEST_ITERATED
from fieldproc.extrapolate import extrapolate, far_field_pressure, sound_power
from fieldproc.records import Expansion, ReferenceAxis, Spectra, Verdict
from fieldproc.settings import ExpansionSettings, ExtrapolationSettings, OrderSettings, Settings
from fieldproc.simulate import NAMED_SCENES
from fieldproc.simulate.scans import cylinder_scan, sphere_scan
from fieldproc.simulate.scene import build_room, build_source
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import column_degrees

CLOSE = 1e-9


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


SCENE = NAMED_SCENES["monopole-cluster"]()
SOURCE, ROOM = build_source(SCENE), build_room(SCENE)
AXIS = ReferenceAxis()
SPHERE = spiral(100)


def spectra_of(positions_m: np.ndarray, frequency_hz: np.ndarray, noise_db: float = -60.0) -> Spectra:
    """The named cluster in its room, heard at two surfaces of equally many points."""
    pressure = noisy_pressure(SOURCE, ROOM, frequency_hz, positions_m, noise_db, np.random.default_rng(2))
    return make_spectra(positions_m, frequency_hz, pressure, np.repeat([0, 1], len(positions_m) // 2))


RINGS = cylinder_scan(576, 0.28, 0.28, azimuths=24)[0]
JITTERED = RINGS + np.random.default_rng(4).normal(0.0, 1e-3, RINGS.shape)
FREQUENCY_HZ = np.array([80.0, 250.0, 700.0])
# Orders left to the data in the first two, so that their choice is put to the test as well. Jittered points are
# iterated from FEWEST_ITERATED unknowns on, and go to the dense fit below.
ITERATED, DENSE = (9, 11), (4, 4)
SCANS = {
    "rings, orders chosen": (spectra_of(RINGS, FREQUENCY_HZ), Settings()),
    "jittered, orders chosen": (spectra_of(JITTERED, FREQUENCY_HZ), Settings()),
    "iterated": (
        spectra_of(JITTERED, FREQUENCY_HZ),
        Settings(orders=OrderSettings(outgoing=ITERATED[0], regular=ITERATED[1])),
    ),
    "dense": (
        spectra_of(JITTERED, FREQUENCY_HZ),
        Settings(orders=OrderSettings(outgoing=DENSE[0], regular=DENSE[1])),
    ),
}


@cache
def expansion_of(name: str) -> Expansion:
    """Of a scan as it stands."""
    return expand(*SCANS[name])


def unknowns(orders: tuple[int, int]) -> int:
    return sum((order + 1) ** 2 for order in orders)


def assert_close(found: np.ndarray, expected: np.ndarray) -> None:
    """CLOSE, relative to the norm of what is expected, row by row."""
    assert found.shape == expected.shape
    error = np.linalg.norm((found - expected).reshape(len(found), -1), axis=1)
    assert np.all(error <= CLOSE * np.linalg.norm(expected.reshape(len(found), -1), axis=1))


def shares(expansion: Expansion, wave_set: str, radius_m: float) -> np.ndarray:
    """Coefficients times radial function at a radius: what each column adds to the sound where it was measured.

    Bare coefficients would be judged by the highest degree alone, which is huge in one set and nothing but noise.
    """
    coefficients = getattr(expansion, wave_set)
    degrees = column_degrees(int(np.sqrt(coefficients.shape[2])) - 1)
    argument = 2 * np.pi * expansion.frequency_hz[:, None] / expansion.sound_speed_m_per_s * radius_m
    radial = spherical_jn(degrees, argument)
    if wave_set == "outgoing":
        radial = radial - 1j * spherical_yn(degrees, argument)
    return coefficients * radial[:, None]


def assert_same_waves(found: Expansion, expected: Expansion, pressure: complex = 1.0, length: float = 1.0) -> None:
    """The same waves at the points, in units that turn 1 Pa into ``pressure`` and 1 m into ``length``."""
    for wave_set in ("outgoing", "regular"):
        assert_close(shares(found, wave_set, 0.4 * length), shares(expected, wave_set, 0.4) * pressure)


def assert_same_quality(found: Expansion, expected: Expansion) -> None:
    """Orders and every measure that the verdict rests on."""
    np.testing.assert_array_equal(found.outgoing_order, expected.outgoing_order)
    np.testing.assert_array_equal(found.regular_order, expected.regular_order)
    for name in ("residual_db", "leave_one_out_db", "random_error_db", "room_to_direct_db", "truncation_db"):
        # leverage and variance of an iterated fit are good to 1e-7 times the condition squared, here below 100^2
        before, after = (getattr(one.quality, name) for one in (expected, found))
        np.testing.assert_allclose(after, before, rtol=0, atol=5e-3, err_msg=name)
    np.testing.assert_array_equal(found.quality.verdict, expected.quality.verdict)


def test_scans_are_what_their_names_say() -> None:
    assert recognise_rings(RINGS, 20) is not None
    assert recognise_rings(JITTERED, 20) is None
    assert unknowns(DENSE) < FEWEST_ITERATED <= unknowns(ITERATED)
    for name in SCANS:
        assert np.all(expansion_of(name).regular_order >= 0), name
        # CLOSE rests on this
        assert np.all(expansion_of(name).quality.condition < 100.0), name


@pytest.mark.parametrize("name", SCANS)
@pytest.mark.parametrize(("length", "pressure"), [(1000.0, 1e-9 * np.exp(0.7j)), (1 / 0.3048, 4e7)])
def test_units_do_not_matter(name: str, length: float, pressure: complex) -> None:
    """Other units of length (in positions and sound speed alike) and of pressure (with a phase, it is linear)."""
    spectra, settings = SCANS[name]
    other = replace(
        spectra,
        positions_m=spectra.positions_m * length,
        sound_speed_m_per_s=spectra.sound_speed_m_per_s * length,
        pressure_pa=spectra.pressure_pa * pressure,
    )
    found, expected = expand(other, settings), expansion_of(name)
    assert_same_quality(found, expected)
    np.testing.assert_allclose(found.source_radius_m, expected.source_radius_m * length, rtol=1e-12)
    assert_same_waves(found, expected, pressure, length)
    # pressure times distance, and p^2 r^2 / (rho c)
    far_field = far_field_pressure(expected, AXIS, SPHERE)
    assert_close(far_field_pressure(found, AXIS, SPHERE), far_field * pressure * length)
    power = sound_power(expected) * abs(pressure) ** 2 * length
    np.testing.assert_allclose(sound_power(found), power, rtol=CLOSE)


class Columns:
    """A least-squares problem of noise on both wave sets, columns of unit norm."""

    orders = (5, 6)
    wavenumber = 8.0

    def __init__(self) -> None:
        generator = np.random.default_rng(7)
        self.points = spiral(240) * generator.uniform(0.35, 0.5, 240)[:, None]
        self.argument = self.wavenumber * np.linalg.norm(self.points, axis=1)
        matrix = matrix_of(self.points, self.wavenumber, self.orders)
        self.matrix = matrix / np.linalg.norm(matrix, axis=0)
        self.data = complex_normal(generator, 2, 240)


COLUMNS = Columns()


def powers(generator: np.random.Generator, count: int) -> np.ndarray:
    """Powers of two from 2^-100 to 2^100, which scale without rounding."""
    return np.ldexp(1.0, generator.integers(-100, 101, count))


def factors(generator: np.random.Generator, count: int) -> np.ndarray:
    """Complex factors of absolute value 1e-8 to 1e8."""
    return 10.0 ** generator.uniform(-8, 8, count) * np.exp(2j * np.pi * generator.uniform(size=count))


@pytest.mark.parametrize("scale_of", [powers, factors])
def test_column_scale_does_not_matter_to_the_block_solver(scale_of) -> None:
    count = COLUMNS.matrix.shape[1]
    scale = scale_of(np.random.default_rng(8), count)

    def coefficients(matrix: np.ndarray) -> np.ndarray:
        # two blocks, as rings have them: outgoing and regular columns do not see each other here
        split = unknowns((COLUMNS.orders[0],))
        blocks = [
            Block(matrix[None][:, :, places], COLUMNS.data.T[None, None], places[None])
            for places in (np.arange(split), np.arange(split, count))
        ]
        return solve_blocks(blocks, count, COLUMNS.data[None], None).coefficients[0]

    expected = coefficients(COLUMNS.matrix)
    # coefficient by coefficient: no column's rounding may spill into another's
    np.testing.assert_allclose(coefficients(COLUMNS.matrix * scale) * scale[:, None], expected, rtol=CLOSE)


@pytest.mark.parametrize("scale_of", [powers, factors])
@pytest.mark.parametrize("regularise", [False, True])
def test_normalisation_of_the_harmonics_does_not_matter(scale_of, regularise: bool) -> None:
    """The dense fit scales its own columns, and a prior speaks of scaled ones: only coefficients follow."""
    orders = COLUMNS.orders
    harmonics = spherical_harmonics(max(orders), COLUMNS.points)
    scale = scale_of(np.random.default_rng(9), harmonics.shape[1])
    tikhonov = Tikhonov(degree_priors(orders)) if regularise else None
    expected, found = (
        fit_waves(table, COLUMNS.argument, orders, COLUMNS.data, tikhonov) for table in (harmonics, harmonics * scale)
    )
    for part in ("outgoing", "regular"):
        before, after = getattr(expected, part), getattr(found, part)
        np.testing.assert_allclose(after * scale[: before.shape[1]], before, rtol=CLOSE)
    for part in ("residual", "leverage", "room_to_direct", "condition", "weight"):
        np.testing.assert_allclose(getattr(found, part), getattr(expected, part), rtol=CLOSE, err_msg=part)
    assert np.all((found.weight > 0) == regularise)


def ring_fit(points: np.ndarray, pressure: np.ndarray) -> WaveFit:
    grid = recognise_rings(points, max(ITERATED))
    assert grid is not None
    return fit_rings(grid, 10.0, ITERATED, pressure)


def iterative_fit(points: np.ndarray, pressure: np.ndarray) -> WaveFit:
    grid = irregular_grid(points, np.linalg.norm(points, axis=1), max(ITERATED), (5.0, 10.0))
    assert grid is not None
    fit = fit_irregular(grid, 10.0, ITERATED, pressure)
    assert not isinstance(fit, Unsolved)
    return fit


def dense_fit(points: np.ndarray, pressure: np.ndarray) -> WaveFit:
    harmonics = spherical_harmonics(max(ITERATED), points)
    return fit_waves(harmonics, 10.0 * np.linalg.norm(points, axis=1), ITERATED, pressure)


@pytest.mark.parametrize(("fit", "points"), [(ring_fit, RINGS), (iterative_fit, JITTERED), (dense_fit, JITTERED)])
def test_order_of_points_does_not_matter_to_any_solver(fit, points: np.ndarray) -> None:
    # noise, so that no coefficient and no residual is small
    pressure = complex_normal(np.random.default_rng(3), 2, len(points))
    turned = np.random.default_rng(5).permutation(len(points))
    expected, found = fit(points, pressure), fit(points[turned], pressure[:, turned])
    for part in ("outgoing", "regular"):
        assert_close(getattr(found, part), getattr(expected, part))
    assert_close(found.residual, expected.residual[:, turned])
    # single precision where a factor tells it
    np.testing.assert_allclose(found.leverage, expected.leverage[:, turned], rtol=1e-4)


@pytest.mark.parametrize("name", SCANS)
def test_order_of_points_does_not_matter_to_the_stage(name: str) -> None:
    spectra, settings = SCANS[name]
    turned = np.random.default_rng(6).permutation(len(spectra.positions_m))
    other = replace(
        spectra,
        positions_m=spectra.positions_m[turned],
        pressure_pa=spectra.pressure_pa[:, :, turned],
        surface=spectra.surface[turned],
    )
    found, expected = expand(other, settings), expansion_of(name)
    assert_same_quality(found, expected)
    assert_same_waves(found, expected)
    before, after = expected.quality.point_residual_db[:, turned], found.quality.point_residual_db
    np.testing.assert_allclose(after, before, rtol=0, atol=1e-6)


ABOUT_Z = Rotation.from_euler("z", 0.7).as_matrix()
ANY_WAY = Rotation.from_euler("zyx", [0.7, 1.1, -0.4]).as_matrix()


@pytest.mark.parametrize("name", SCANS)
@pytest.mark.parametrize("turn", [ABOUT_Z, ANY_WAY], ids=["about z", "any way"])
def test_the_scan_frame_does_not_matter(name: str, turn: np.ndarray) -> None:
    """Loudspeaker, room and points turned together: the far field turns with them, the power stays."""
    spectra, settings = SCANS[name]
    found = expand(replace(spectra, positions_m=spectra.positions_m @ turn.T), settings)
    expected = expansion_of(name)
    assert_same_quality(found, expected)
    assert_close(
        far_field_pressure(found, AXIS, SPHERE @ turn.T)[:, 0], far_field_pressure(expected, AXIS, SPHERE)[:, 0]
    )
    np.testing.assert_allclose(sound_power(found), sound_power(expected), rtol=CLOSE)
    # the test would pass on a source that sends the same everywhere
    still = far_field_pressure(found, AXIS, SPHERE)[:, 0] / far_field_pressure(expected, AXIS, SPHERE)[:, 0]
    assert np.all(np.abs(still - 1).max(axis=1) > 0.1)


CLEAN_HZ = 50.0 * 2.0 ** (np.arange(10) / 2.0)
# 1,156 points on two spheres.
CLEAN = spectra_of(sphere_scan(1200, 0.38)[0], CLEAN_HZ, noise_db=-70.0)
POLAR = horizontal_directions(np.arange(-180.0, 180.0, 5.0))


@cache
def polar_about(origin_m: tuple[float, float, float]) -> tuple[np.ndarray, np.ndarray]:
    """Horizontal far field (frequency, angle) about the axis origin, and where it is to be believed."""
    expansion = expand(CLEAN, Settings(expansion=ExpansionSettings(origin_m=origin_m)))
    far_field = extrapolate(expansion, AXIS, POLAR, ExtrapolationSettings())
    return far_field.pressure_pa[:, 0], expansion.quality.verdict[:, 0] == Verdict.GOOD


@pytest.mark.parametrize("shift_m", [(0.0, 0.0, 0.03), (0.03, 0.0, 0.0), (0.02, -0.02, 0.01)])
def test_the_expansion_origin_does_not_matter(shift_m: tuple[float, float, float]) -> None:
    """3 cm: on the axis rings stay rings, off the axis every other solver takes over."""
    assert np.isclose(np.linalg.norm(shift_m), 0.03)
    assert (recognise_rings(CLEAN.positions_m - shift_m, 20) is None) == (shift_m[:2] != (0.0, 0.0))
    before, good = polar_about((0.0, 0.0, 0.0))
    after, good_too = polar_about(shift_m)
    assert np.all(good & good_too)
    # nulls left out: there a level is the noise's
    most = np.abs(before).max(axis=1, keepdims=True)
    loud = amplitude_db(np.abs(before) / most) > -20.0
    change_db = np.abs(amplitude_db(np.abs(after / before)))[loud].max()
    # phases still count from the axis origin: 0.01 dB of the loudest, as a complex number
    assert np.all(np.abs(after - before) <= 1e-3 * most)
    # another fit, not a copy of the same: what each leaves out of the waves differs
    assert 1e-9 < change_db <= 0.01
