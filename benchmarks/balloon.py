"""A balloon of 2,522 directions at 240 frequencies, with bands, computed and written: time and memory per direction.

    python benchmarks/balloon.py [--degree 40] [--json]

Coefficients of a given degree at every frequency, with 32 drawn and 12 systematic vectors of errors, as a run has
them. The floor is the one matrix product per frequency that gives the pressures without errors. Compare ratios, not
seconds. Peak memory is that of this process, coefficients and vectors (0.3 GiB at degree 40) included.
"""

from __future__ import annotations

import argparse
import json
import resource
import time
from dataclasses import replace
from typing import Any

import numpy as np

from fieldproc.derive import Radiation
from fieldproc.extrapolate import balloon_directions, extrapolate
from fieldproc.records import Deviations, Expansion, Quality, ReferenceAxis
from fieldproc.results import aes69_bytes, netcdf_bytes
from fieldproc.settings import ExtrapolationSettings, Settings

FREQUENCIES, DRAWS, CAUSES = 240, 32, 12


def crafted(degree: int) -> Expansion:
    """Random coefficients that fall off, one channel."""
    rng = np.random.default_rng(1)
    count = (degree + 1) ** 2
    fall = 1.0 / (1.0 + np.sqrt(np.arange(count)))

    def complexes(*shape: int) -> np.ndarray[Any, Any]:
        return (rng.normal(size=shape) + 1j * rng.normal(size=shape)) * fall

    rows = tuple(1e-3 * complexes(1, DRAWS + CAUSES, count).astype(np.complex64) for _ in range(FREQUENCIES))
    sizes = {"frequency": FREQUENCIES, "channel": 1, "point": 1}
    quality: dict[str, Any] = {name: np.ones([sizes[axis] for axis in axes]) for name, axes in Quality.AXES.items()}
    quality["verdict"] = np.zeros((FREQUENCIES, 1), dtype=np.int64)
    return Expansion(
        frequency_hz=20.0 * 2.0 ** (np.arange(FREQUENCIES) / 24.0),
        outgoing=complexes(FREQUENCIES, 1, count),
        regular=np.zeros((FREQUENCIES, 1, 0), dtype=np.complex128),
        outgoing_order=np.full(FREQUENCIES, degree),
        regular_order=np.full(FREQUENCIES, -1),
        origin_m=np.zeros((FREQUENCIES, 3)),
        acoustic_center_m=np.zeros((FREQUENCIES, 3)),
        sound_speed_m_per_s=343.2,
        air_density_kg_per_m3=1.204,
        source_radius_m=0.2,
        channel_names=("full range",),
        quality=Quality(**quality),
        deviations=Deviations(rows, tuple(row[:, :, :0] for row in rows), DRAWS, tuple("abcdefghijkl")),
    )


def seconds(work: Any) -> tuple[float, Any]:
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--degree", type=int, default=40)
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    expansion, axis = crafted(arguments.degree), ReferenceAxis()
    directions = balloon_directions("aes56", arguments.degree)
    bare = replace(expansion, deviations=None)
    floor_s, _ = seconds(lambda: extrapolate(bare, axis, directions, ExtrapolationSettings()))
    balloon_s, radiation = seconds(lambda: Radiation.of_expansion(expansion, axis, Settings()))
    facts = {"session": "benchmark", "drive_voltage_v": 2.83}
    written_s, files = seconds(
        lambda: (aes69_bytes(radiation.balloon, 0, facts), netcdf_bytes(radiation.balloon, 0, facts, [], {}))
    )
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    found = {
        "directions": len(directions),
        "degree": arguments.degree,
        "pressures_alone_s": floor_s,
        "with_bands_s": balloon_s,
        "written_s": written_s,
        "with_bands_re_pressures_alone": balloon_s / floor_s,
        "ms_per_direction": 1e3 * (balloon_s + written_s) / len(directions),
        "megabytes": sum(len(data) for data in files) / 1e6,
        "peak_mib": peak_mib,
        "peak_kib_per_direction": 1024.0 * peak_mib / len(directions),
    }
    if arguments.json:
        print(json.dumps(found))
        return
    for name, value in found.items():
        print(f"{name:32} {value:10.4g}")


if __name__ == "__main__":
    main()
