"""The ring solver is the dense solver: same coefficients, leverages, condition and regularisation, sooner."""

from __future__ import annotations

import numpy as np
import pytest
from expand.plain_waves import complex_normal

from fieldproc.expand.blocks import Tikhonov
from fieldproc.expand.dense import fit_waves
from fieldproc.expand.order import degree_priors
from fieldproc.expand.rings import RingGrid, fit_rings, recognise_rings
from fieldproc.waves.harmonics import spherical_harmonics

CHANNELS = 2


def rings(
    count: int, azimuths: int, *, stagger: bool = True, poles: bool = False, uneven: bool = False
) -> np.ndarray:
    """Two wavy surfaces of ``count`` rings, points in no order; ``uneven`` varies the azimuths from ring to ring."""
    pieces = []
    for radius_m in (0.40, 0.46):
        for ring, height in enumerate(np.polynomial.legendre.leggauss(count)[0]):
            here = azimuths + 2 * (ring % 3) if uneven else azimuths
            azimuth = 2 * np.pi * (np.arange(here) + 0.5 * stagger * (ring % 2)) / here
            distance_m = radius_m * (1 + 0.05 * np.cos(3 * height))
            across = np.sqrt(1 - height**2)
            pieces.append(
                distance_m * np.stack([across * np.cos(azimuth), across * np.sin(azimuth), 0 * azimuth + height], 1)
            )
        if poles:
            pieces.append(np.array([[0.0, 0.0, radius_m], [0.0, 0.0, -radius_m]]))
    points = np.concatenate(pieces)
    return points[np.random.default_rng(3).permutation(len(points))]


CASES = {
    "more azimuths than orders": (rings(13, 16), (7, 7), 8.0),
    "more regular than outgoing": (rings(13, 16), (4, 7), 8.0),
    "outgoing alone": (rings(13, 16), (4, -1), 8.0),
    "more outgoing, points on the axis": (rings(13, 16, stagger=False, poles=True), (7, 5), 8.0),
    "counts that differ": (rings(20, 20, uneven=True), (9, 9), 18.0),
    "fewer azimuths than orders, staggered": (rings(20, 24), (18, 18), 18.0),
    "2,496 points, degree 22": (rings(26, 48), (22, 22), 30.0),
}


def both(name: str, regularise: bool):
    points, orders, wavenumber = CASES[name]
    grid = recognise_rings(points, max(orders))
    assert grid is not None
    # noise, so that no coefficient and no residual is small
    pressure = complex_normal(np.random.default_rng(1), CHANNELS, len(points))
    tikhonov = Tikhonov(degree_priors(orders)) if regularise else None
    harmonics = spherical_harmonics(max(orders), points)
    dense = fit_waves(harmonics, wavenumber * np.linalg.norm(points, axis=1), orders, pressure, tikhonov)
    return fit_rings(grid, wavenumber, orders, pressure, tikhonov), dense


@pytest.mark.parametrize("regularise", [False, True])
@pytest.mark.parametrize("name", CASES)
def test_ring_fit_is_the_dense_fit(name: str, regularise: bool) -> None:
    ring, dense = both(name, regularise)
    # the two differ by rounding times condition (12 to 150 here); measured 2e-14 at most
    close = max(1e-10, 100 * np.finfo(float).eps * dense.condition)
    for part in ("outgoing", "regular", "residual", "leverage", "far_field_variance"):
        found, expected = getattr(ring, part), getattr(dense, part)
        assert np.linalg.norm(found - expected) <= close * np.linalg.norm(expected), part
    np.testing.assert_allclose(ring.room_to_direct, dense.room_to_direct, rtol=close)
    np.testing.assert_allclose(ring.weight, dense.weight, rtol=1e-12)
    # the dense condition of a large matrix comes from power iteration, good to a few percent
    assert ring.condition == pytest.approx(dense.condition, rel=0.05)


def test_orders_couple_only_below_twice_the_degree_plus_one() -> None:
    grid = recognise_rings(rings(20, 24), 18)
    assert isinstance(grid, RingGrid)
    assert all(len(orders) == 1 for orders in grid.classes(11))
    coupled = grid.classes(18)
    assert sorted(order for orders in coupled for order in orders) == list(range(-18, 19))
    assert all(len({order % 24 for order in orders}) == 1 for orders in coupled)
    assert max(len(orders) for orders in coupled) == 2


def test_without_stagger_the_condition_says_what_24_azimuths_cannot_carry() -> None:
    points = rings(20, 24, stagger=False)
    grid = recognise_rings(points, 18)
    assert grid is not None
    pressure = complex_normal(np.random.default_rng(1), 1, len(points))
    assert fit_rings(grid, 18.0, (18, 18), pressure).condition > 1e12


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda points: points[1:], id="a point is missing"),
        pytest.param(lambda points: points + np.array([1e-4, 0, 0]), id="the origin is off the axis"),
        pytest.param(lambda points: points + 1e-5 * np.sin(np.arange(len(points)))[:, None], id="jitter"),
        pytest.param(lambda points: points[:, [0, 2, 1]], id="rings about another axis"),
    ],
)
def test_anything_else_is_no_ring_grid(spoil) -> None:
    points = rings(13, 16)
    assert recognise_rings(points, 7) is not None
    assert recognise_rings(spoil(points), 7) is None


def test_origin_anywhere_on_the_axis_keeps_the_rings() -> None:
    assert recognise_rings(rings(13, 16) - [0.0, 0.0, 0.123], 7) is not None


def test_order_of_points_does_not_matter() -> None:
    points, orders, wavenumber = CASES["more azimuths than orders"]
    pressure = complex_normal(np.random.default_rng(2), 1, len(points))
    turned = np.random.default_rng(5).permutation(len(points))
    fits = []
    for index in (np.arange(len(points)), turned):
        grid = recognise_rings(points[index], max(orders))
        assert grid is not None
        fits.append(fit_rings(grid, wavenumber, orders, pressure[:, index]))
    np.testing.assert_allclose(fits[0].outgoing, fits[1].outgoing, rtol=1e-9)
    np.testing.assert_allclose(fits[0].residual[:, turned], fits[1].residual, rtol=0, atol=1e-12)
