"""5 Hz to 20 kHz, degree 60: nothing overflows, and no rank is lost without the condition saying so.

Known answers: coefficients are drawn so that every column adds equally much at the points. Pressures are then put
together from scipy's harmonics and radial functions of arbitrary precision; nothing of ours goes into them.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import mpmath
import numpy as np
import pytest
from expand.plain_waves import complex_normal, harmonics_of, spiral
from mpmath import mpf
from scanned import AIR, make_spectra
from scipy.special import sph_harm_y
from threadpoolctl import threadpool_limits

from fieldproc.errors import NumericalError
from fieldproc.expand import expand
from fieldproc.expand.dense import WaveFit, fit_waves
from fieldproc.expand.gram import irregular_grid
from fieldproc.expand.iterative import Unsolved, fit_irregular
from fieldproc.expand.rings import fit_rings, recognise_rings
from fieldproc.extrapolate import far_field_pressure, sound_power
from fieldproc.records import Quality, ReferenceAxis, Spectra, Verdict
from fieldproc.settings import ExpansionSettings, OrderSettings, SeparationSettings, Settings
from fieldproc.waves.harmonics import spherical_harmonics
from fieldproc.waves.indexing import column_degrees

SOUND_SPEED_M_PER_S = AIR.sound_speed_m_per_s
FREQUENCY_HZ = (5.0, 50.0, 500.0, 5000.0, 20000.0)
# Two gaps, so that no degree up to 60 is near a singular frequency of both: conditions per degree are 6 to 18.
RADII_M = np.array([0.30, 0.34, 0.40])
TOP, RINGS, AZIMUTHS = 60, 64, 122


@pytest.fixture(autouse=True)
def one_thread():
    """The matrix library as the frequency loop holds it."""
    with threadpool_limits(limits=1, user_api="blas"):
        yield


def wavenumber_at(frequency_hz: float) -> float:
    return 2 * np.pi * frequency_hz / SOUND_SPEED_M_PER_S


@cache
def exact_radial(frequency_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """h_n^(2) and j_n at RADII_M, degrees 0 to TOP: (set, surface, degree) relative to the largest over the surfaces,
    and those largest absolute values (set, degree).

    Half-integer Bessel functions of mpmath, 40 digits and any exponent.
    """
    values = np.empty((2, len(RADII_M), TOP + 1), dtype=np.complex128)
    largest = np.empty((2, TOP + 1))
    with mpmath.workdps(40):
        for n in range(TOP + 1):
            pairs = []
            for radius_m in RADII_M:
                x = mpf(wavenumber_at(frequency_hz) * radius_m)
                factor = mpmath.sqrt(mpmath.pi / (2 * x))
                j, y = (factor * function(n + mpf(1) / 2, x) for function in (mpmath.besselj, mpmath.bessely))
                pairs.append((mpmath.mpc(j, -y), j))
            for which, own in enumerate(zip(*pairs, strict=True)):
                most = max(abs(value) for value in own)
                values[which, :, n] = [complex(value / most) for value in own]
                largest[which, n] = float(most)
    return values, largest


def ring_positions(radii_m: np.ndarray, rings: int = RINGS, azimuths: int = AZIMUTHS) -> np.ndarray:
    """Spheres of Gauss-Legendre rings, (surface, ring, azimuth, 3)."""
    height, azimuth = np.polynomial.legendre.leggauss(rings)[0][:, None], 2 * np.pi * np.arange(azimuths) / azimuths
    across = np.sqrt(1 - height**2)
    unit = np.stack(np.broadcast_arrays(across * np.cos(azimuth), across * np.sin(azimuth), height), axis=-1)
    return radii_m[:, None, None, None] * unit


@cache
def ring_profiles() -> np.ndarray:
    """Y_nm on the rings at azimuth 0, (order from -TOP, ring, degree); zero for n < |m|."""
    colatitude = np.arccos(np.polynomial.legendre.leggauss(RINGS)[0])
    profiles = np.zeros((2 * TOP + 1, RINGS, TOP + 1))
    for order in range(-TOP, TOP + 1):
        degrees = np.arange(abs(order), TOP + 1)
        profiles[order + TOP, :, degrees] = sph_harm_y(degrees[:, None], order, colatitude, 0.0).real
    return profiles


def ring_pressure(shares: np.ndarray, radial: np.ndarray) -> np.ndarray:
    """Pressure (surface, ring, azimuth) of shares (set, coefficient) in radial functions (set, surface, degree)."""
    by_order = np.zeros((2 * TOP + 1, 2, TOP + 1), dtype=np.complex128)
    degrees = np.arange(TOP + 1)
    for order in range(-TOP, TOP + 1):
        own = degrees[abs(order) :]
        by_order[order + TOP][:, own] = shares[:, own * own + own + order]
    rings = np.einsum("osn,sln,orn->olr", by_order, radial, ring_profiles(), optimize=True)
    waves = np.exp(2j * np.pi * np.outer(np.arange(-TOP, TOP + 1), np.arange(AZIMUTHS)) / AZIMUTHS)
    return np.einsum("olr,oa->lra", rings, waves, optimize=True)


def twin_condition(radial: np.ndarray) -> float:
    """Condition of the unit columns, azimuthal order by order: the transform over azimuth is unitary."""
    values = []
    for order in range(TOP + 1):
        columns = np.einsum("sln,rn->lrsn", radial[:, :, order:], ring_profiles()[order + TOP][:, order:])
        matrix = columns.reshape(len(RADII_M) * RINGS, -1)
        values.append(np.linalg.svd(matrix / np.linalg.norm(matrix, axis=0), compute_uv=False))
    return float(max(one[0] for one in values) / min(one[-1] for one in values))


def assert_recovered(fit: WaveFit, shares: np.ndarray, largest: np.ndarray, least: float) -> None:
    """Every coefficient, as its share in the sound at the points, to rounding times condition.

    ``shares`` (set, coefficient) have mean square 1, ``largest`` (set, degree) turns coefficients into shares.
    """
    for part in ("outgoing", "regular", "residual", "leverage", "condition", "far_field_variance", "room_to_direct"):
        assert np.all(np.isfinite(getattr(fit, part))), part
    degrees = column_degrees(int(np.sqrt(shares.shape[1])) - 1)
    found = np.stack([fit.outgoing[0], fit.regular[0]]) * largest[:, degrees]
    close = max(least, 100 * np.finfo(float).eps * fit.condition)
    assert np.abs(found - shares).max() <= close


def exponent_span(largest: np.ndarray) -> float:
    """Orders of magnitude between the largest and the smallest radial function."""
    return float(np.ptp(np.log10(largest)))


@pytest.mark.parametrize(
    ("frequency_hz", "orders_of_magnitude"), list(zip(FREQUENCY_HZ, (380, 260, 139, 22, 0.3), strict=True))
)
def test_degree_60_on_rings_is_recovered(frequency_hz: float, orders_of_magnitude: float) -> None:
    grid = recognise_rings(ring_positions(RADII_M).reshape(-1, 3), TOP)
    assert grid is not None
    radial, largest = exact_radial(frequency_hz)
    assert exponent_span(largest) > orders_of_magnitude
    shares = complex_normal(np.random.default_rng(11), 2, (TOP + 1) ** 2)
    pressure = ring_pressure(shares, radial).reshape(1, -1)
    fit = fit_rings(grid, wavenumber_at(frequency_hz), (TOP, TOP), pressure)
    # no rank lost: the condition (17 to 40) is that of the true columns, to what power iteration can tell
    assert fit.condition == pytest.approx(twin_condition(radial), rel=0.1)
    assert_recovered(fit, shares, largest, 1e-10)


# Degree and points per surface that the dense fit takes in half a second.
LOWER, EACH = 14, 300
SPIRALS_M = np.concatenate([radius_m * spiral(EACH) for radius_m in RADII_M])


def dense_fit(positions_m: np.ndarray, wavenumber: float, orders: tuple[int, int], pressure: np.ndarray) -> WaveFit:
    harmonics = spherical_harmonics(max(orders), positions_m)
    return fit_waves(harmonics, wavenumber * np.linalg.norm(positions_m, axis=1), orders, pressure)


def iterative_fit(
    positions_m: np.ndarray, wavenumber: float, orders: tuple[int, int], pressure: np.ndarray
) -> WaveFit | Unsolved:
    grid = irregular_grid(positions_m, np.linalg.norm(positions_m, axis=1), max(orders), (wavenumber, wavenumber))
    return Unsolved("no grid") if grid is None else fit_irregular(grid, wavenumber, orders, pressure)


def ring_fit(positions_m: np.ndarray, wavenumber: float, orders: tuple[int, int], pressure: np.ndarray) -> WaveFit:
    grid = recognise_rings(positions_m, max(orders))
    assert grid is not None
    return fit_rings(grid, wavenumber, orders, pressure)


@pytest.mark.parametrize("frequency_hz", FREQUENCY_HZ)
# an iterated fit stops at 1e-11 of the fitted field, times condition (17) and the root of the number of columns (21)
@pytest.mark.parametrize(("solve", "least"), [(dense_fit, 1e-10), (iterative_fit, 1e-8)])
def test_degree_14_on_any_points_is_recovered(frequency_hz: float, solve, least: float) -> None:
    radial, largest = (part[..., : LOWER + 1] for part in exact_radial(frequency_hz))
    shares = complex_normal(np.random.default_rng(12), 2, (LOWER + 1) ** 2)
    harmonics = harmonics_of(LOWER, SPIRALS_M)
    at_points = np.repeat(radial, EACH, axis=1)[:, :, column_degrees(LOWER)]
    pressure = np.einsum("sc,spc,pc->p", shares, at_points, harmonics, optimize=True)[None]
    fit = solve(SPIRALS_M, wavenumber_at(frequency_hz), (LOWER, LOWER), pressure)
    assert not isinstance(fit, Unsolved), fit
    columns = np.concatenate([own * harmonics for own in at_points], axis=1)
    true_condition = np.linalg.cond(columns / np.linalg.norm(columns, axis=0))
    # iteration comes from below and stops early: 6 % here
    assert fit.condition == pytest.approx(true_condition, rel=0.1)
    assert_recovered(fit, shares, largest, least)


def spectra_of(positions_m: np.ndarray, frequency_hz: np.ndarray, pressure: np.ndarray) -> Spectra:
    """One channel, ``pressure`` (frequency, point); every distinct radius is a surface."""
    _, surface = np.unique(np.round(np.linalg.norm(positions_m, axis=1), 9), return_inverse=True)
    return make_spectra(positions_m, frequency_hz, pressure, surface)


def test_the_stage_stays_finite_from_5_hz_to_20_khz() -> None:
    """Orders stated, all frequencies in one scan: coefficients, every measure and the far field are numbers."""
    shares = complex_normal(np.random.default_rng(11), 2, (TOP + 1) ** 2)
    pressure = np.stack([ring_pressure(shares, exact_radial(hz)[0]).ravel() for hz in FREQUENCY_HZ])
    spectra = spectra_of(ring_positions(RADII_M).reshape(-1, 3), np.array(FREQUENCY_HZ), pressure)
    expansion = expand(spectra, Settings(orders=OrderSettings(outgoing=TOP, regular=TOP)))
    assert np.all(expansion.outgoing_order == TOP)
    assert np.all(expansion.regular_order == TOP)
    # none was held back, and what is left of the data is rounding
    assert np.all(expansion.quality.regularisation == 0)
    assert np.all(expansion.quality.residual_db < -250)
    # not known without a cabinet and a gate
    for name in Quality.AXES.keys() - {"scattering_db", "overlap_difference_db", "level_uncertainty_db"}:
        assert np.all(np.isfinite(getattr(expansion.quality, name))), name
    assert np.all(np.isfinite(expansion.outgoing))
    assert np.all(np.isfinite(expansion.regular))
    assert np.all(np.isfinite(far_field_pressure(expansion, ReferenceAxis(), spiral(20))))
    assert np.all(np.isfinite(sound_power(expansion)))


# From here on rank is lost, on purpose.

SOLVERS = {"rings": ring_fit, "dense": dense_fit, "iteration": iterative_fit}
# Above, the stage no longer calls a fit good.
LOST = 1e3
# Gap of half a wave. The radii are no multiples of half a wave themselves: there j_0 would vanish at every point.
HALF_WAVE_M = np.array([0.31, 0.46])
HALF_WAVE_HZ = SOUND_SPEED_M_PER_S / (2 * 0.15)


def condition_of(solver: str, radii_m: np.ndarray, frequency_hz: float) -> float:
    """What a fit of degree 5 to noise says of itself; an iterated one may hand over to the dense, as in the stage."""
    spheres = np.concatenate([radius_m * spiral(150) for radius_m in radii_m])
    positions_m = ring_positions(radii_m, 12, 20).reshape(-1, 3) if solver == "rings" else spheres
    pressure = complex_normal(np.random.default_rng(13), 1, len(positions_m))
    fit = SOLVERS[solver](positions_m, wavenumber_at(frequency_hz), (5, 5), pressure)
    if isinstance(fit, Unsolved):
        fit = dense_fit(positions_m, wavenumber_at(frequency_hz), (5, 5), pressure)
    return fit.condition


@pytest.mark.parametrize("solver", SOLVERS)
@pytest.mark.parametrize("frequency_hz", FREQUENCY_HZ)
def test_one_sphere_carries_one_set_only(solver: str, frequency_hz: float) -> None:
    """There h_n and j_n are the same column: nothing but rounding tells them apart."""
    assert condition_of(solver, RADII_M[:1], frequency_hz) > 1e12
    assert condition_of(solver, RADII_M, frequency_hz) < 50


@pytest.mark.parametrize("solver", SOLVERS)
def test_two_spheres_half_a_wave_apart_lose_degree_0(solver: str) -> None:
    """With j_0 = sin x / x and y_0 = -cos x / x, j_0(kr1) y_0(kr2) - j_0(kr2) y_0(kr1) = sin(k dr) / (k^2 r1 r2)."""
    assert condition_of(solver, HALF_WAVE_M, HALF_WAVE_HZ) > 1e12
    # as near as a frequency grid might come: the condition grows as one over the distance
    assert condition_of(solver, HALF_WAVE_M, HALF_WAVE_HZ * 1.0002) > LOST
    assert condition_of(solver, HALF_WAVE_M, HALF_WAVE_HZ / 2) < 50


@pytest.mark.parametrize("solver", ["rings", "dense"])
def test_more_unknowns_than_rows_have_no_condition(solver: str) -> None:
    """Twice 36 unknowns, 48 points; on rings each azimuthal order has its own count: 12 unknowns, 8 rows."""
    positions_m = ring_positions(HALF_WAVE_M, 4, 6 if solver == "dense" else 13).reshape(-1, 3)
    pressure = complex_normal(np.random.default_rng(13), 1, len(positions_m))
    assert SOLVERS[solver](positions_m, 8.0, (5, 5), pressure).condition == np.inf


PLACE_M, IMAGE_M = np.array([0.02, -0.01, 0.03]), np.array([-2.42, -0.01, 0.03])


def scanned(positions_m: np.ndarray, frequency_hz: tuple[float, ...]) -> Spectra:
    """A monopole and one image of it, exact pressures: nothing but the points is at fault."""
    frequency = np.array(frequency_hz)
    pressure = np.zeros((len(frequency), len(positions_m)), dtype=np.complex128)
    for place_m, strength in ((PLACE_M, 1.0), (IMAGE_M, 0.7)):
        distance_m = np.linalg.norm(positions_m - place_m, axis=1)
        pressure += strength * np.exp(-1j * wavenumber_at(frequency[:, None]) * distance_m) / distance_m
    return spectra_of(positions_m, frequency, pressure)


@pytest.mark.parametrize("surfaces", [(-1, -1), (0, 0), (0, 1)])
def test_one_sphere_is_never_good(surfaces: tuple[int, int]) -> None:
    """Scanned twice, whatever the file calls it: nothing, one surface, or two."""
    spectra = scanned(np.concatenate([0.3 * spiral(200), 0.3 * spiral(200)]), FREQUENCY_HZ[:3])
    expansion = expand(replace(spectra, surface=np.repeat(surfaces, 200)), Settings())
    assert np.all(expansion.regular_order == -1)
    assert np.all(expansion.quality.verdict > Verdict.GOOD)


@pytest.mark.parametrize("regularisation", ["auto", "never", "always"])
@pytest.mark.parametrize("orders", [("auto", "auto"), (8, 11)])
@pytest.mark.parametrize("on_rings", [True, False])
def test_half_a_wave_is_never_good(regularisation: str, orders: tuple[object, object], on_rings: bool) -> None:
    spheres = np.concatenate([radius_m * spiral(320) for radius_m in HALF_WAVE_M])
    positions_m = ring_positions(HALF_WAVE_M, 16, 30).reshape(-1, 3) if on_rings else spheres
    settings = Settings(
        orders=OrderSettings(outgoing=orders[0], regular=orders[1]),  # type: ignore[arg-type]
        expansion=ExpansionSettings(regularisation=regularisation),  # type: ignore[arg-type]
    )
    expansion = expand(scanned(positions_m, (HALF_WAVE_HZ / 4, HALF_WAVE_HZ)), settings)
    assert np.all(expansion.regular_order >= 0)
    assert expansion.quality.condition[0] < LOST < expansion.quality.condition[1]
    assert expansion.quality.verdict[0, 0] == Verdict.GOOD
    assert expansion.quality.verdict[1, 0] > Verdict.GOOD


@pytest.mark.parametrize("regularisation", ["auto", "never"])
def test_rings_too_few_for_the_stated_orders_are_never_good(regularisation: str) -> None:
    """200 unknowns, 320 points: more than enough, were it not for 8 rings and 20 unknowns of azimuthal order 0."""
    settings = Settings(
        orders=OrderSettings(outgoing=9, regular=9),
        expansion=ExpansionSettings(regularisation=regularisation),  # type: ignore[arg-type]
    )
    quality = expand(scanned(ring_positions(RADII_M[::2], 4, 40).reshape(-1, 3), FREQUENCY_HZ[:3]), settings).quality
    assert np.all(quality.condition > LOST)
    assert np.all(quality.verdict > Verdict.GOOD)


def test_degrees_beyond_double_precision_are_refused() -> None:
    """j_100 at 5 Hz is 1e-320 of its coefficient: no number, so no answer."""
    positions_m = ring_positions(RADII_M[::2], 55, 202).reshape(-1, 3)
    settings = Settings(orders=OrderSettings(outgoing=5, regular=100), separation=SeparationSettings(enabled=True))
    with pytest.raises(NumericalError, match=r"coefficients at 5 Hz \(orders 5 and 100\) is beyond double precision"):
        expand(scanned(positions_m, FREQUENCY_HZ[:1]), settings)
