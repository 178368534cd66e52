"""A Dask cluster of processes of this machine, to be joined and damaged."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from fieldproc.cluster import Cluster, connect

PATIENCE_S = 60.0


@dataclass
class Site:
    """Scheduler and workers, as processes of this machine."""

    folder: Path
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def file(self) -> Path:
        return self.folder / "scheduler.json"

    @property
    def address(self) -> str:
        return str(json.loads(self.file.read_text(encoding="utf-8"))["address"])

    def add_worker(self) -> subprocess.Popen[bytes]:
        options = ["--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(self.folder)]
        command = ["distributed.cli.dask_worker", "--scheduler-file", str(self.file), "--host", "127.0.0.1", *options]
        self.workers.append(start(command))
        return self.workers[-1]


def start(command: list[str], **environment: str) -> subprocess.Popen[bytes]:
    # who asks a dead worker for something waits so long, 30 s if not told otherwise
    everything = {**os.environ, "DASK_DISTRIBUTED__COMM__TIMEOUTS__CONNECT": "3s", **environment}
    nothing = subprocess.DEVNULL
    return subprocess.Popen([sys.executable, "-m", *command], stdout=nothing, stderr=nothing, env=everything)


@contextmanager
def site(folder: Path, workers: int, **environment: str) -> Iterator[Site]:
    options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file"]
    command = ["distributed.cli.dask_scheduler", *options, str(folder / "scheduler.json")]
    here = Site(folder, start(command, **environment))
    try:
        for _ in range(workers):
            here.add_worker()
        wait_until(lambda: here.file.exists() and here.file.stat().st_size > 0)
        yield here
    finally:
        for process in (*here.workers, here.scheduler):
            process.kill()
            process.wait()


def wait_until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)


@contextmanager
def joined(here: Site, workers: int) -> Iterator[Cluster]:
    cluster = connect(here.address, PATIENCE_S)
    try:
        cluster.client.wait_for_workers(workers, timeout=PATIENCE_S)
        yield cluster
    finally:
        cluster.close()
