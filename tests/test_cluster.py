"""Work on a Dask cluster of this machine's processes: the bits of local work, whatever happens to workers."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dask_site import PATIENCE_S, Site, joined, site, start, wait_until
from expand.plain_waves import complex_normal
from gated_scene import SETTINGS, bits, gated_spectra
from scanned import make_spectra

from fieldproc.cluster import Cluster, connect, differences, map_sessions, pack, unpack, what_runs_here
from fieldproc.errors import ClusterError, ExitCode, NumericalError, UsageError
from fieldproc.expand import expand, mend
from fieldproc.records import Expansion, Spectra
from fieldproc.settings import ExpansionSettings, Settings
from fieldproc.side_by_side import side_by_side, working_with
from fieldproc.simulate.scans import cylinder_scan


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with site(tmp_path_factory.mktemp("pair"), 2) as here:
        yield here


@pytest.fixture(scope="module")
def cluster(pair: Site) -> Iterator[Cluster]:
    with joined(pair, 2) as cluster:
        yield cluster


@pytest.fixture(scope="module")
def local() -> Expansion:
    return expand(gated_spectra(), SETTINGS)


# --- the same bits ---------------------------------------------------------------------------------------


def test_an_expansion_of_a_cluster_is_that_of_this_machine(cluster: Cluster, local: Expansion) -> None:
    heard: list[tuple[int, int]] = []
    with working_with(cluster):
        found = expand(gated_spectra(), SETTINGS, lambda done, total: heard.append((done, total)))
    assert bits(found) == bits(local)
    # gated and compact, or this would show less than it says
    assert "from a compact centre" in str(local.notices)
    assert local.deviations is not None
    assert heard == sorted(heard)
    assert heard[-1] == (24, 24)


def test_a_worker_that_dies_changes_nothing(pair: Site, cluster: Cluster, local: Expansion) -> None:
    victim = pair.add_worker()
    cluster.client.wait_for_workers(3, timeout=PATIENCE_S)

    client = cluster.client
    (address,) = [address for address, own in client.run(os.getpid).items() if own == victim.pid]

    def progress(_done: int, _total: int) -> None:
        # with work in hand
        if victim.poll() is None and client.processing().get(address):
            victim.kill()

    with working_with(cluster):
        found = expand(gated_spectra(), SETTINGS, progress)
    assert victim.wait(1.0) != 0
    assert bits(found) == bits(local)


@dataclass
class ByPost:
    """A crew in this process that knows no more of the work than what was packed."""

    sizes: list[int] = field(default_factory=list)

    def side_by_side(self, work: Callable[[int], Any], count: int, _bytes_each: int) -> Iterator[Any]:
        packed = pack(work)
        self.sizes.append(len(packed))
        for at in range(count):
            yield unpack(pack(unpack(packed)(at)))


def noise_on(points_m: np.ndarray, surface: np.ndarray, frequency_hz: tuple[float, ...]) -> Spectra:
    """Of two channels, in no order that memory would like; the third point is not to be used."""
    rows, points = len(frequency_hz), len(points_m)
    pressure = complex_normal(np.random.default_rng(5), points, 2, rows).T
    left_out = np.arange(points) == 2
    return make_spectra(points_m, np.array(frequency_hz), pressure, surface, left_out=left_out)


RINGS = cylinder_scan(240, 0.30, 0.30, gap_m=0.05, azimuths=12)
COLUMN = cylinder_scan(240, 0.30, 0.75, gap_m=0.05, azimuths=12)
FROM_CELLS = Settings(expansion=ExpansionSettings(several_centers=True))


@pytest.mark.parametrize(
    ("scan", "settings", "jitter_m"),
    [
        pytest.param(RINGS, Settings(), 0.0, id="rings"),
        pytest.param(RINGS, Settings(), 1e-3, id="irregular points"),
        pytest.param(COLUMN, FROM_CELLS, 0.0, id="cells on rings"),
        pytest.param(COLUMN, FROM_CELLS, 1e-3, id="cells off rings"),
    ],
)
def test_every_kind_of_fit_travels(scan: tuple[np.ndarray, np.ndarray], settings: Settings, jitter_m: float) -> None:
    points_m = scan[0] + jitter_m * np.random.default_rng(1).normal(size=scan[0].shape)
    spectra = mend(noise_on(points_m, scan[1], (100.0, 400.0)), settings)
    crew = ByPost()
    with working_with(crew):
        found = expand(spectra, settings)
    assert crew.sizes
    assert bits(found) == bits(expand(spectra, settings))


BLOCK = np.arange(60.0).reshape(3, 4, 5)


@pytest.mark.parametrize(
    "array",
    [
        pytest.param(BLOCK, id="as made"),
        pytest.param(BLOCK.T, id="transposed"),
        pytest.param(np.moveaxis(BLOCK, 0, 1), id="axes moved"),
        pytest.param(BLOCK[:, 1:3, ::2], id="every other one"),
        pytest.param(BLOCK[::-1, :, ::-2], id="backwards"),
        pytest.param((BLOCK + 1j * BLOCK).imag, id="imaginary part"),
        pytest.param(np.broadcast_to(BLOCK[0, 0], (7, 5)), id="repeated"),
        pytest.param(np.float64(3.5) * np.ones(()), id="a single number"),
    ],
)
def test_arrays_keep_their_place_in_memory(array: np.ndarray) -> None:
    """A plain pickle closes gaps and turns what runs backwards; sums over other strides may round differently."""
    # an array seen twice stays one
    found, again = unpack(pack([array, array]))
    np.testing.assert_array_equal(found, array)
    assert found is again
    assert (found.strides, found.dtype, found.flags.writeable) == (array.strides, array.dtype, array.flags.writeable)


# --- what goes wrong -------------------------------------------------------------------------------------


def test_an_error_of_the_work_is_told_as_it_is(cluster: Cluster) -> None:
    def work(at: int) -> int:
        if at == 1:
            raise NumericalError("expand", "number", "0", "1", "measure")
        if at == 2:
            # no sign of a lost machine
            raise OSError("disk")
        return at

    with working_with(cluster):
        assert next(side_by_side(work, 3, heavy=True)) == 0
        with pytest.raises(NumericalError, match="number is 0, limit 1; measure"):
            list(side_by_side(work, 3, heavy=True))
        with pytest.raises(OSError, match="disk"):
            list(side_by_side(lambda at: work(at + 2), 1, heavy=True))


def test_what_has_not_begun_does_not_begin(cluster: Cluster, tmp_path: Path) -> None:
    def work(at: int) -> int:
        (tmp_path / str(at)).touch()
        time.sleep(0.05)
        return at

    with working_with(cluster):
        results = side_by_side(work, 200, heavy=True)
        assert [next(results), next(results)] == [0, 1]
        results.close()
    # all that had begun is over
    assert list(cluster.side_by_side(lambda at: at, 2, 0)) == [0, 1]
    time.sleep(0.2)
    begun = len(list(tmp_path.iterdir()))
    time.sleep(0.2)
    assert begun == len(list(tmp_path.iterdir())) < 50


def test_work_that_needs_much_memory_waits_for_it(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """A worker of two threads and 1 GiB, and pieces of 0.4 GiB: half of its memory holds one."""
    with site(tmp_path_factory.mktemp("small"), 0) as here:
        options = ["--nthreads", "2", "--memory-limit", "1GiB", "--no-nanny", "--no-dashboard"]
        command = ["distributed.cli.dask_worker", "--scheduler-file", str(here.file), "--host", "127.0.0.1", *options]
        here.workers.append(start([*command, "--local-directory", str(here.folder)]))

        def work(at: int) -> int:
            (tmp_path / str(at)).touch()
            time.sleep(0.03)
            most = len(list(tmp_path.iterdir()))
            (tmp_path / str(at)).unlink()
            return most

        with joined(here, 1) as cluster:
            assert max(cluster.side_by_side(work, 8, 400_000_000)) == 1
            # the count can tell
            assert max(cluster.side_by_side(work, 8, 100_000_000)) == 2


def test_lost_workers(tmp_path: Path) -> None:
    """One cluster that loses its workers one by one; it gives up on work at the first worker that dies of it."""
    with site(tmp_path, 0, DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="0") as here:
        with pytest.raises(UsageError, match="the cluster has no workers"):
            connect(here.address, 0.5)
        for _ in range(2):
            here.add_worker()
        with joined(here, 2) as cluster:
            outcomes = dict(map_sessions(cluster, lambda deadly: os._exit(1) if deadly else 7, [True, False]))
            assert isinstance(outcomes[0], ClusterError)
            assert outcomes[1] == 7
            with pytest.raises(ClusterError, match=r"died of the same work.* needs 2\.0 GiB"):
                list(cluster.side_by_side(lambda _: os._exit(1), 1, 2 * 2**30))


def test_all_workers_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the work they held: it is sent anew to those that come instead, and if none come, there is an end."""
    monkeypatch.setattr("fieldproc.cluster._PATIENCE_S", 1.0)
    monkeypatch.setattr("fieldproc.cluster._ASKED_EVERY_S", 0.5)
    with site(tmp_path, 1) as here:
        with joined(here, 1):
            pass
        cluster = connect(here.address, 5.0)
        results = cluster.side_by_side(lambda at: (time.sleep(0.1), at)[1], 8, 0)
        assert next(results) == 0
        here.workers[0].kill()
        here.add_worker()
        assert list(results) == list(range(1, 8))
        sessions = map_sessions(cluster, time.sleep, [0.1, 60.0])
        assert next(sessions) == (0, None)
        here.workers[1].kill()
        with pytest.raises(ClusterError, match="has lost all its workers"):
            next(sessions)
        cluster.close()


Ask = Callable[[Cluster, Callable[[int], int]], Iterator[Any]]
WAYS = pytest.mark.parametrize(
    "ask",
    [lambda cluster, work: cluster.side_by_side(work, 100, 0), lambda *asked: map_sessions(*asked, range(100))],
    ids=["pieces", "sessions"],
)


def napping() -> Callable[[int], int]:
    """Work that workers can do without this module."""

    def work(at: int) -> int:
        time.sleep(0.1)
        return at

    return work


# Dask drops a call that waits when its client is closed from another thread, and Python says so
@pytest.mark.filterwarnings("ignore:.*Future._result.*:pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore:coroutine 'Future._result' was never awaited:RuntimeWarning")
@WAYS
def test_a_cluster_left_midway(pair: Site, ask: Ask) -> None:
    """From another thread, as a run that is stopped does."""
    with joined(pair, 2) as cluster, ThreadPoolExecutor(1) as pool:
        answers = ask(cluster, napping())
        next(answers)
        rest = pool.submit(list, answers)
        time.sleep(0.3)
        cluster.close()
        with pytest.raises(ClusterError, match="the cluster was left before its work was done"):
            rest.result(PATIENCE_S)


@WAYS
def test_a_lost_scheduler(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    ask: Ask,
) -> None:
    # by as much sooner the test is over
    monkeypatch.setattr("fieldproc.cluster._ANSWER_S", 1.0)

    with site(tmp_path, 1) as here, joined(here, 1) as cluster:
        answers = ask(cluster, napping())
        next(answers)
        here.scheduler.kill()
        for lost in (answers, ask(cluster, napping())):
            begun_s = time.monotonic()
            with pytest.raises(ClusterError, match="the scheduler of the cluster is lost") as caught:
                list(lost)
            # the limit of 10 s, less what the answer may take
            assert time.monotonic() - begun_s < 6.0
            assert caught.value.exit_code == ExitCode.LIMIT


def test_nobody_there() -> None:
    with pytest.raises(UsageError, match=r"tcp://127\.0\.0\.1:9: no scheduler") as caught:
        connect("tcp://127.0.0.1:9", 0.5)
    assert caught.value.exit_code == ExitCode.USAGE
    with pytest.raises(UsageError, match="no scheduler"):
        connect("nonsense://here", 0.5)


# --- who is fit for it -----------------------------------------------------------------------------------


def test_workers_must_be_alike(cluster: Cluster) -> None:
    here = what_runs_here()
    assert cluster.notices == ()
    assert set(here) == {"fieldproc", "python", "numpy", "scipy", "h5py", "numba", "processor"}
    assert differences(here, {"tcp://a:1": dict(here)}) == ()
    (told,) = differences(here, {"tcp://a:1": dict(here), "tcp://b:1": {**here, "processor": "another"}})
    assert told.startswith("worker tcp://b:1 may differ in the last bits: it computes with another, here ")
    others: dict[str, Any] = {
        "tcp://a:1": {**here, "fieldproc": "0", "numpy": "1.0"},
        "tcp://b:1": dict(here),
        "tcp://c:1": ModuleNotFoundError("No module named 'fieldproc'"),
    }
    with pytest.raises(UsageError) as caught:
        differences(here, others)
    assert str(caught.value).splitlines() == [
        f"tcp://a:1: fieldproc 0, here {here['fieldproc']}",
        f"tcp://a:1: numpy 1.0, here {here['numpy']}",
        "tcp://c:1: cannot run fieldproc (ModuleNotFoundError: No module named 'fieldproc')",
        "install the same versions on all workers as here",
    ]


# --- whole sessions --------------------------------------------------------------------------------------


def test_sessions_come_as_they_are_done(cluster: Cluster) -> None:
    def one(seconds: float) -> int:
        time.sleep(seconds)
        if seconds == 0.0:
            raise UsageError("no time")
        return os.getpid()

    outcomes = list(map_sessions(cluster, one, [1.0, 0.05, 0.05, 0.05, 0.05, 0.0]))
    assert outcomes[-1][0] == 0
    by_index = dict(outcomes)
    assert sorted(by_index) == list(range(6))
    assert isinstance(by_index.pop(5), UsageError)
    assert os.getpid() not in by_index.values()
    assert len(set(by_index.values())) == 2


def test_a_session_of_a_lost_worker_is_done_again(pair: Site, cluster: Cluster, tmp_path: Path) -> None:
    victim = pair.add_worker()
    cluster.client.wait_for_workers(3, timeout=PATIENCE_S)

    def one(at: int) -> int:
        (tmp_path / f"{at} {os.getpid()}").touch()
        time.sleep(0.5)
        return at

    outcomes = map_sessions(cluster, one, range(6))
    with ThreadPoolExecutor(1) as pool:
        found = pool.submit(lambda: sorted(outcomes))
        wait_until(lambda: any(path.name.endswith(f" {victim.pid}") for path in tmp_path.iterdir()))
        victim.kill()
        assert found.result() == [(at, at) for at in range(6)]
    # one was begun twice
    assert len(list(tmp_path.iterdir())) > 6
