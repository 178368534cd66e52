"""What does not fit into memory is refused, or done more cheaply; what fits runs as many at a time as may."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from expand.plain_waves import complex_normal, spiral
from scanned import make_spectra

from fieldproc.errors import NumericalError
from fieldproc.expand import cost, expand
from fieldproc.records import Spectra
from fieldproc.settings import OrderSettings, Settings
from fieldproc.side_by_side import at_a_time, side_by_side

ORDERS = Settings(orders=OrderSettings(outgoing=5, regular=5))
UNKNOWNS, POINTS = 72, 200


def ill_conditioned() -> Spectra:
    """Two spheres half a wavelength apart, points off any ring: dense, and regularised."""
    positions_m = np.concatenate([radius_m * spiral(POINTS // 2) for radius_m in (0.31, 0.41)])
    pressure = complex_normal(np.random.default_rng(3), 1, POINTS)
    return make_spectra(positions_m, np.array([1716.0]), pressure)


def test_as_many_run_as_memory_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fieldproc.side_by_side.MEMORY_BYTES", 1000)
    assert [at_a_time(each, 8) for each in (0, 100, 300, 999, 1000, 5000)] == [8, 8, 3, 1, 1, 1]
    running, most, lock = 0, 0, threading.Lock()

    def work(at: int) -> int:
        nonlocal running, most
        with lock:
            running += 1
            most = max(most, running)
        threading.Event().wait(0.01)
        with lock:
            running -= 1
        return at

    assert list(side_by_side(work, 6, bytes_each=900)) == list(range(6))
    assert most == 1


def test_a_regularised_fit_beyond_memory_is_left_plain(monkeypatch: pytest.MonkeyPatch) -> None:
    assert expand(ill_conditioned(), ORDERS).quality.regularisation[0, 0] > 0
    monkeypatch.setattr(cost, "MEMORY_BYTES", cost.dense_bytes(POINTS, UNKNOWNS, regularised=False))
    quality = expand(ill_conditioned(), ORDERS).quality
    assert quality.regularisation[0, 0] == 0
    # which its condition tells
    assert quality.condition[0] > 1e4
    assert quality.verdict[0, 0] == 2


def test_a_plain_fit_beyond_memory_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cost, "MEMORY_BYTES", cost.dense_bytes(POINTS, UNKNOWNS, regularised=False) - 1)
    with pytest.raises(NumericalError, match=r"memory for a dense fit of 72 unknowns on 200 points is .* GiB, limit"):
        expand(ill_conditioned(), ORDERS)


def test_the_cost_is_told() -> None:
    told = expand(ill_conditioned(), ORDERS).notices[-1]
    assert told.startswith("solved ")
    assert "up to 72 unknowns on 200 points" in told
