"""Work on the cores of one machine: results do not depend on their number, and heavy work may be a crew's."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from gated_scene import SETTINGS, bits, gated_spectra

from fieldproc import side_by_side as module
from fieldproc.expand import expand
from fieldproc.side_by_side import at_a_time, cores, divide_machine, side_by_side, working_with


class Counting:
    """A crew of this one thread, that knows how much it was given."""

    def __init__(self) -> None:
        self.counts: list[int] = []

    def side_by_side(self, work: Callable[[int], Any], count: int, _bytes_each: int) -> Iterator[Any]:
        self.counts.append(count)
        return map(work, range(count))


def test_an_expansion_does_not_depend_on_cores_or_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    spectra, found = gated_spectra(), []
    for own_cores, at_once in ((1, 1), (2, 2), (4, 4), (4, 1), (4, 3)):
        monkeypatch.setattr(module, "cores", lambda count=own_cores: count)
        monkeypatch.setattr(module, "at_a_time", lambda _bytes, _cores, count=at_once: count)
        found.append(bits(expand(spectra, SETTINGS)))
    # gated and compact, or this would show less than it says
    assert "from a compact centre" in str(found[0]["notices"])
    assert found[0]["deviations"] is not None
    assert all(other == found[0] for other in found[1:])


def test_a_machine_divided_is_that_much_smaller(monkeypatch: pytest.MonkeyPatch) -> None:
    # for the rest of this process, but for this test
    monkeypatch.setattr(module, "_processes", 1)
    monkeypatch.setattr(os, "sched_getaffinity", lambda _pid: set(range(8)))
    monkeypatch.setattr(module, "MEMORY_BYTES", 6000)
    assert (cores(), at_a_time(1000, 8)) == (8, 6)
    divide_machine(3)
    assert (cores(), at_a_time(1000, 8)) == (2, 2)
    divide_machine(20)
    assert (cores(), at_a_time(1000, 8)) == (1, 1)


def test_only_heavy_work_is_the_crews() -> None:
    crew = Counting()
    with working_with(crew):
        assert list(side_by_side(str, 3, heavy=True)) == ["0", "1", "2"]
        assert list(side_by_side(str, 2)) == ["0", "1"]
        with working_with(None):
            assert list(side_by_side(str, 4, heavy=True)) == ["0", "1", "2", "3"]
    assert list(side_by_side(str, 5, heavy=True)) == ["0", "1", "2", "3", "4"]
    assert crew.counts == [3]


def test_orders_priors_and_fits_are_heavy() -> None:
    crew, spectra = Counting(), gated_spectra()
    with working_with(crew):
        found = expand(spectra, SETTINGS)
    # whole responses: orders, fits; gated ones: orders, priors of the compact fits, fits
    assert len(crew.counts) == 5
    assert bits(found) == bits(expand(spectra, SETTINGS))


def test_what_has_not_begun_does_not_begin(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "cores", lambda: 2)
    begun: list[int] = []
    results = side_by_side(begun.append, 10_000)
    next(results)
    results.close()
    assert 0 < len(begun) < 10_000


def test_both_matrix_libraries_are_held() -> None:
    """In a process of its own, since it is for good; threads are asked for as the machine has cores, at least two."""
    probe = (
        "import json, numpy, threadpoolctl; threadpoolctl.threadpool_limits(2, 'blas');"
        "from fieldproc.side_by_side import hold_matrix_library; hold_matrix_library();"
        "import scipy.linalg;"
        "print(json.dumps([one['num_threads'] for one in threadpoolctl.threadpool_info()]))"
    )
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "2"}
    run = subprocess.run([sys.executable, "-c", probe], capture_output=True, check=True, text=True, env=environment)
    threads = json.loads(run.stdout)
    assert threads
    assert set(threads) == {1}
