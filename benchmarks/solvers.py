"""Every solver against ``numpy.linalg.lstsq``, and the whole command against its floor, side by side in one run.

    python benchmarks/solvers.py [--json] [--solvers-only]

Solvers: two wavy surfaces of staggered rings at three sizes, both wave sets of equal degree, 240 frequencies over an
octave. Ring and dense fit take the rings, the iterative fit the same points with 1 mm of jitter and 3 % missing. The
fits run as in a scan, side by side on all cores, preparation of the grid included, and give leverages and condition
as well. ``lstsq`` has all cores for one frequency after the other, and is given the column-scaled matrix
ready-made. A few frequencies stand for all 240 where one takes long. Growth is the exponent of time over degree
between the smallest and the largest size; points grow with the unknowns.

Share of peak: floating-point operations of the textbook algorithm (QR with its orthogonal factor and the triangular
inverse; Cholesky, leverages) per second, relative to a large matrix product of the same precision on all cores. What
an algorithm avoids does not count, so the share says what the time is spent on, not how good the algorithm is.

The whole command: ``large_session.py``, on equal rings and on irregular ones.

Compare ratios: seconds belong to the machine.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import numpy as np

from fieldproc.expand.dense import Seen, WaveFit, both_sets, dense_block, fit_waves
from fieldproc.expand.gram import irregular_grid
from fieldproc.expand.iterative import fit_irregular
from fieldproc.expand.rings import fit_ring_stack, recognise_rings
from fieldproc.side_by_side import side_by_side
from fieldproc.waves.harmonics import spherical_harmonics

# degree, rings per surface, azimuths: points grow with the unknowns.
SIZES = ((12, 16, 28), (16, 20, 36), (22, 26, 48))
FREQUENCIES = 240
# An octave that ends where the largest size still carries its degree.
WAVENUMBERS = np.geomspace(20.0, 40.0, FREQUENCIES)
JITTER_M, MISSING = 1e-3, 0.03
SOLVERS = ("lstsq", "dense", "iterative", "ring")
# Fits at several wavenumbers.
Fit = Callable[[np.ndarray], list[WaveFit]]


def main() -> None:
    """Time every size and both commands; print tables, or one JSON object."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--solvers-only", action="store_true", help="leave out the whole command")
    arguments = parser.parse_args()
    peaks = {kind: peak_flops(kind) for kind in (np.complex128, np.float32)}
    rows = [measure(*size, peaks) for size in SIZES]
    growth = {
        name: float(np.log(rows[-1][f"{name}_s"] / rows[0][f"{name}_s"]) / np.log(SIZES[-1][0] / SIZES[0][0]))
        for name in SOLVERS
    }
    commands = [] if arguments.solvers_only else whole_commands()
    machine = {
        "cores": os.cpu_count(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        "numpy": version("numpy"),
        "scipy": version("scipy"),
    }
    if arguments.json:
        print(json.dumps({"solvers": rows, "growth": growth, "commands": commands, "machine": machine}))
        return
    print(f"seconds for {FREQUENCIES} frequencies, and how many times faster than lstsq")
    show(rows)
    print("growth with degree:", ", ".join(f"{name} {value:.1f}" for name, value in growth.items()))
    if commands:
        print("\nwhole command, tables only")
        show(commands)
    print(", ".join(f"{name} {value}" for name, value in machine.items()))


def measure(degree: int, rings: int, azimuths: int, peaks: dict[type, float]) -> dict[str, float]:
    """Seconds for all frequencies by each solver, ratios to ``lstsq``, shares of peak, differences from dense."""
    points = scan(rings, azimuths)
    generator = np.random.default_rng(1)
    kept = np.sort(generator.permutation(len(points))[: round((1 - MISSING) * len(points))])
    irregular = points[kept] + JITTER_M * generator.normal(size=(len(kept), 3))
    pressure = generator.normal(size=(1, len(points))) + 1j * generator.normal(size=(1, len(points)))
    orders, unknowns = (degree, degree), 2 * (degree + 1) ** 2

    def dense_fits(positions: np.ndarray, data: np.ndarray) -> Fit:
        harmonics, radius_m = spherical_harmonics(degree, positions), np.linalg.norm(positions, axis=1)
        return lambda k: [fit_waves(harmonics, one * radius_m, orders, data) for one in k]

    def ring_fits() -> Fit:
        grid = recognise_rings(points, degree)
        assert grid is not None
        families = both_sets(orders, grid)
        return lambda k: fit_ring_stack(families, k, np.broadcast_to(pressure, (len(k), *pressure.shape)), None)

    def iterative_fits() -> Fit:
        radius_m = np.linalg.norm(irregular, axis=1)
        grid = irregular_grid(irregular, radius_m, degree, (WAVENUMBERS[0], WAVENUMBERS[-1]))
        assert grid is not None
        return lambda k: [fitted(fit_irregular(grid, one, orders, pressure[:, kept])) for one in k]

    lstsq_s = lstsq_seconds(points, degree, pressure)
    dense_s, dense = scan_seconds(lambda: dense_fits(points, pressure), 8, 1)
    ring_s, ring = scan_seconds(ring_fits, FREQUENCIES, 24)
    iterative_s, iterated = scan_seconds(iterative_fits, FREQUENCIES, 1)
    return {
        "degree": degree,
        "points": len(points),
        "unknowns": unknowns,
        "lstsq_s": lstsq_s,
        "dense_s": dense_s,
        "iterative_s": iterative_s,
        "ring_s": ring_s,
        "dense_ratio": lstsq_s / dense_s,
        "iterative_ratio": lstsq_s / iterative_s,
        "ring_ratio": lstsq_s / ring_s,
        "dense_peak_share": FREQUENCIES * dense_flops(len(points), unknowns) / dense_s / peaks[np.complex128],
        "iterative_peak_share": FREQUENCIES * iterative_flops(len(kept), unknowns) / iterative_s / peaks[np.float32],
        "ring_off": off(ring, dense),
        "iterative_off": off(iterated, dense_fits(irregular, pressure[:, kept])(WAVENUMBERS[:1])[0]),
    }


def fitted(fit: object) -> WaveFit:
    """The fit, which this scan must allow."""
    assert isinstance(fit, WaveFit), fit
    return fit


def off(found: WaveFit, expected: WaveFit) -> float:
    """Relative difference of the outgoing coefficients."""
    return float(np.linalg.norm(found.outgoing - expected.outgoing) / np.linalg.norm(expected.outgoing))


def lstsq_seconds(points: np.ndarray, degree: int, pressure: np.ndarray) -> float:
    """``numpy.linalg.lstsq`` on the column-scaled matrix, best of three, times the number of frequencies."""
    argument = WAVENUMBERS[0] * np.linalg.norm(points, axis=1)
    seen = Seen(spherical_harmonics(degree, points), argument)
    block, _ = dense_block(both_sets((degree, degree), seen), pressure)
    return FREQUENCIES * best_seconds(lambda: np.linalg.lstsq(block.matrix[0], block.data[0, 0], rcond=None), 3)


def scan_seconds(prepare: Callable[[], Fit], solved: int, at_once: int) -> tuple[float, WaveFit]:
    """Preparation plus fits side by side, ``solved`` of them standing for all, ``at_once`` per call; the first fit.

    Best of three, so that no solver pays for what else the machine did.
    """
    chosen = WAVENUMBERS[np.linspace(0, FREQUENCIES - 1, solved).round().astype(int)]
    lots = np.split(chosen, range(at_once, solved, at_once))
    best = np.inf
    for _ in range(3):
        started = time.perf_counter()
        fit = prepare()
        prepared_s = time.perf_counter() - started
        started = time.perf_counter()
        results = list(side_by_side(lambda at, fit=fit: fit(lots[at]), len(lots)))
        best = min(best, prepared_s + (time.perf_counter() - started) * FREQUENCIES / solved)
    return float(best), results[0][0]


def dense_flops(points: int, unknowns: int) -> float:
    """Real operations of one dense fit: Householder QR, its orthogonal factor, the inverse of the triangle."""
    return 4 * (4 * points * unknowns**2 - 4 * unknowns**3 / 3 + unknowns**3 / 3)


def iterative_flops(points: int, unknowns: int) -> float:
    """Real operations of one iterative fit that matrix products do: Cholesky factor and leverages, real."""
    return unknowns**3 / 3 + points * unknowns**2


def peak_flops(kind: type) -> float:
    """Real operations per second of a large square matrix product on all cores."""
    size = 2048
    matrix = np.ones((size, size), kind)
    return (8 if kind is np.complex128 else 2) * size**3 / best_seconds(lambda: matrix @ matrix, 5)


def best_seconds(work: Callable[[], object], repeats: int) -> float:
    """Best of several runs, after one that warms up."""
    work()
    times = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return min(times)


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


def whole_commands() -> list[dict[str, float | int | str]]:
    """The whole command against reading the file and one FFT of every response."""
    sys.path.insert(0, str(Path(__file__).parent))
    import large_session

    rows = []
    for layout, irregular in (("equal rings", False), ("irregular", True)):
        with tempfile.TemporaryDirectory() as folder:
            measured = large_session.measure(Path(folder), irregular, coarse=False)
        names = ("points", "frequencies", "floor_s", "command_s", "command_to_floor", "peak_mib")
        rows.append({"layout": layout, **{name: measured[name] for name in names}})
    return rows


def show(rows: list[dict[str, float | int | str]]) -> None:
    """One line per quantity, one column per row: names stay readable."""
    width = max(len(name) for name in rows[0])
    for name in rows[0]:
        cells = [row[name] for row in rows]
        print(f"{name:{width}}", *(f"{cell:>12.4g}" if isinstance(cell, float) else f"{cell:>12}" for cell in cells))


if __name__ == "__main__":
    main()
