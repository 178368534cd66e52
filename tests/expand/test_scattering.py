"""Which frequencies get a T b, about which origin, and how large it is said to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from expand.plain_waves import complex_normal
from scanned import make_spectra

from fieldproc.conventions import wavenumber
from fieldproc.expand import expand
from fieldproc.expand.recenter import recenter
from fieldproc.expand.scattering import body_scattering, rigid_body
from fieldproc.records import Cabinet, Expansion
from fieldproc.settings import Settings

CABINET = Cabinet(size_m=np.array([0.2, 0.16, 0.3]), center_m=np.array([0.02, 0.0, -0.03]))
FREQUENCY_HZ = np.array([60.0, 300.0, 900.0, 9000.0])
OUTGOING_ORDER, REGULAR_ORDER = np.array([3, 5, 5, 4]), np.array([4, 6, -1, 4])


@pytest.fixture(scope="module")
def expansion() -> Expansion:
    """Two channels of random coefficients in a record from a small scan; no regular set at 900 Hz."""
    rng = np.random.default_rng(8)
    directions = rng.normal(size=(60, 3))
    points_m = 0.5 * directions / np.linalg.norm(directions, axis=1, keepdims=True)
    made = expand(make_spectra(points_m, FREQUENCY_HZ, complex_normal(rng, 4, 2, 60)), Settings())
    outgoing, regular = complex_normal(rng, 4, 2, 36), complex_normal(rng, 4, 2, 49)
    for row, (order, other) in enumerate(zip(OUTGOING_ORDER, REGULAR_ORDER, strict=True)):
        outgoing[row, :, (order + 1) ** 2 :] = 0
        regular[row, :, (other + 1) ** 2 :] = 0
    return replace(
        made,
        outgoing=outgoing,
        regular=regular,
        outgoing_order=OUTGOING_ORDER,
        regular_order=REGULAR_ORDER,
        origin_m=np.zeros((4, 3)),
    )


@pytest.mark.parametrize("shape", ["sphere", "box"])
def test_rows_with_and_without_regular_waves(expansion: Expansion, shape: str) -> None:
    found = body_scattering(expansion, CABINET.center_m, rigid_body(CABINET, shape))
    assert found.outgoing.shape == expansion.outgoing.shape
    assert np.all(found.outgoing[2] == 0)
    assert np.all(found.to_direct_db[2] == -np.inf)
    # columns beyond the order of the outgoing set stay empty
    assert np.all(found.outgoing[0, :, 16:] == 0)
    assert np.all(found.outgoing[0, :, :16] != 0)
    known = slice(0, 2) if shape == "box" else [0, 1, 3]
    assert np.all(np.isfinite(found.to_direct_db[known]))
    size, direct = (np.linalg.norm(part, axis=2) for part in (found.outgoing, expansion.outgoing - found.outgoing))
    np.testing.assert_allclose(10 ** (found.to_direct_db[known] / 20), (size / direct)[known], rtol=1e-12)
    assert np.all(found.error_db[[0, 1]] < -30)


def test_above_the_box_nothing_is_said(expansion: Expansion) -> None:
    found = body_scattering(expansion, CABINET.center_m, rigid_body(CABINET, "box"))
    assert 4000 < found.top_frequency_hz < 9000
    assert np.all(np.isnan(found.outgoing[3]))
    assert np.all(np.isnan(found.to_direct_db[3]))
    assert np.all(np.isnan(found.error_db[3]))
    assert body_scattering(expansion, CABINET.center_m, rigid_body(CABINET, "sphere")).top_frequency_hz == np.inf


def test_the_cabinet_stays_where_it_is_when_the_origin_moves(expansion: Expansion) -> None:
    """T b of the moved expansion is T b moved."""
    origin_m = np.tile([0.04, -0.05, 0.03], (4, 1))
    at_origin = body_scattering(expansion, CABINET.center_m, rigid_body(CABINET, "sphere")).outgoing
    expected = recenter(replace(expansion, outgoing=at_origin), origin_m)
    moved = recenter(expansion, origin_m)
    found = body_scattering(moved, CABINET.center_m, rigid_body(CABINET, "sphere")).outgoing
    for row in (0, 1):
        # the first set was cut at its order, and what it lost reaches these degrees last: 2e-10 measured
        low = np.abs(found[row, :, :9] - expected.outgoing[row, :, :9]).max()
        assert low < 1e-8 * np.abs(found[row]).max()


def test_bodies_of_a_cabinet() -> None:
    sphere, box = rigid_body(CABINET, "sphere"), rigid_body(CABINET, "box")
    k = float(wavenumber(20.0, 343.2))
    one = np.ones((1, 1), dtype=np.complex128)
    volumes = [body.scattered(k, one, 0)[0][0, 0] * 4 * np.pi / (1j * k**3) for body in (sphere, box)]
    # both displace the cabinet's volume; (ka)^2 is 0.005
    np.testing.assert_allclose(volumes, np.prod(CABINET.size_m), rtol=0.005)
