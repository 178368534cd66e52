"""Ring and dense fits against ``numpy.linalg.lstsq`` per frequency, side by side in one run.

    python benchmarks/solvers.py [--json]

Two wavy surfaces of staggered rings at three sizes, both wave sets of equal degree, one frequency at a time on
all cores the library takes. ``lstsq`` solves the same column-scaled matrix, without building it; the fits build
theirs, and give leverages and condition as well. Growth is the exponent of time over degree between the
smallest and the largest size. Compare ratios: seconds belong to the machine.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import time
from collections.abc import Callable
from importlib.metadata import version

import numpy as np

from fieldproc.expand.dense import Seen, both_sets, dense_block, fit_waves
from fieldproc.expand.rings import fit_rings, recognise_rings
from fieldproc.waves.harmonics import spherical_harmonics

# degree, rings per surface, azimuths: points grow with the unknowns.
SIZES = ((12, 16, 28), (16, 20, 36), (22, 26, 48))
WAVENUMBER = 30.0
CHANNELS = 1


def main() -> None:
    """Time every size and print a table, or one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", action="store_true")
    rows = [measure(*size) for size in SIZES]
    growth = {
        name: float(np.log(rows[-1][name] / rows[0][name]) / np.log(SIZES[-1][0] / SIZES[0][0]))
        for name in ("lstsq_s", "dense_s", "ring_s")
    }
    machine = {
        "cores": os.cpu_count(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        "numpy": version("numpy"),
        "scipy": version("scipy"),
    }
    if parser.parse_args().json:
        print(json.dumps({"sizes": rows, "growth": growth, "machine": machine}))
        return
    print("".join(f"{name:>16}" for name in rows[0]))
    for row in rows:
        print("".join(f"{value:16.4g}" for value in row.values()))
    print("growth with degree:", ", ".join(f"{name} {value:.1f}" for name, value in growth.items()))
    print(", ".join(f"{name} {value}" for name, value in machine.items()))


def measure(degree: int, rings: int, azimuths: int) -> dict[str, float]:
    """Seconds per frequency of each solver, ratios to ``lstsq``, and how far apart the fits are."""
    points = scan(rings, azimuths)
    generator = np.random.default_rng(1)
    pressure = generator.normal(size=(CHANNELS, len(points))) + 1j * generator.normal(size=(CHANNELS, len(points)))
    orders = (degree, degree)
    harmonics = spherical_harmonics(degree, points)
    argument = WAVENUMBER * np.linalg.norm(points, axis=1)
    block, _ = dense_block(both_sets(orders, Seen(harmonics, argument)), pressure)
    grid = recognise_rings(points, degree)
    assert grid is not None
    dense_s, dense = timed(lambda: fit_waves(harmonics, argument, orders, pressure), 2)
    ring_s, ring = timed(lambda: fit_rings(grid, WAVENUMBER, orders, pressure), 10)
    lstsq_s, _ = timed(lambda: np.linalg.lstsq(block.matrix, block.data[0], rcond=None), 2)
    return {
        "degree": degree,
        "points": len(points),
        "unknowns": 2 * (degree + 1) ** 2,
        "lstsq_s": lstsq_s,
        "dense_s": dense_s,
        "ring_s": ring_s,
        "lstsq_to_dense": lstsq_s / dense_s,
        "lstsq_to_ring": lstsq_s / ring_s,
        "difference": float(np.linalg.norm(ring.outgoing - dense.outgoing) / np.linalg.norm(dense.outgoing)),
    }


def scan(rings: int, azimuths: int) -> np.ndarray:
    """Points of two wavy surfaces 6 cm apart, alternate rings turned by half a step."""
    height = np.polynomial.legendre.leggauss(rings)[0]
    turned = 0.5 * (np.arange(rings) % 2)
    azimuth = 2 * np.pi * (np.arange(azimuths) + turned[:, None]) / azimuths
    across = np.sqrt(1 - height**2)[:, None]
    directions = np.stack(
        [across * np.cos(azimuth), across * np.sin(azimuth), np.broadcast_to(height[:, None], azimuth.shape)], axis=-1
    )
    wave = (1 + 0.05 * np.cos(3 * height))[:, None, None]
    return np.concatenate([(radius_m * wave * directions).reshape(-1, 3) for radius_m in (0.40, 0.46)])


def timed(work: Callable[[], object], repeats: int) -> tuple[float, object]:
    """Best of several runs, after one that warms up."""
    result = work()
    best = np.inf
    for _ in range(repeats):
        started = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - started)
    return float(best), result


if __name__ == "__main__":
    main()
