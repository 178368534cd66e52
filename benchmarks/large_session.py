"""The whole command on a session of real size: time against the floor, and peak memory.

    python benchmarks/large_session.py [--irregular] [--coarse] [--json]

2,232 points on two cylinders, 8,192 samples, simulated: rings of 36 azimuths, or with ``--irregular`` rings of
any count, which take the iterative and the dense solver. The floor is what any program must do: read the file
and take one FFT of every impulse response. Both run here, one after the other; the ratio is what to
compare, the seconds belong to the machine. ``--coarse`` solves 4 frequencies in place of 240: the memory is
the same, the time is not. Peak memory is that of the command's own process, as the kernel counts it.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np

from fieldproc.session import read_session, write_session
from fieldproc.simulate import Scene, simulate

SCENE = {
    "title": "Session of real size",
    "source": {"kind": "two-way"},
    "room": {"kind": "shoebox", "order": 1},
    "scan": {"kind": "cylinder", "points": 2232, "azimuths": 36},
    "recording": {"kind": "impulse response", "samples": 8192},
    "noise": {"level_db": -80.0, "relative_to": "peak"},
    "axis_origin_m": (0.15, 0.0, 0.0),
}
# Octaves up to the frequency with the most unknowns.
COARSE = "[spectra]\nlowest_hz = 353.55\nper_octave = 1\ncount = 4\n"
# VmHWM belongs to this process alone; the kernel's ru_maxrss would start at the parent's size.
_COMMAND = """
import sys
from fieldproc.cli import main
code = main(sys.argv[1:])
status = open("/proc/self/status").read()
print("peak_kib", status.split("VmHWM:")[1].split()[0])
sys.exit(code)
"""


def main() -> None:
    """Make the session, time floor and command, print what came out."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--irregular", action="store_true", help="no equal rings: the slower solvers")
    parser.add_argument("--coarse", action="store_true", help="4 frequencies in place of 240")
    parser.add_argument("--json", action="store_true", help="one JSON object in place of a table")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        result = measure(Path(folder), arguments.irregular, arguments.coarse)
    if arguments.json:
        print(json.dumps(result))
        return
    for name, value in result.items():
        print(f"{name:22} {value:.4g}" if isinstance(value, float) else f"{name:22} {value}")


def measure(folder: Path, irregular: bool, coarse: bool) -> dict[str, float | int | str]:
    """Times in seconds, their ratio, peak memory, and where all this was."""
    session = folder / "large.h5"
    scan = {**SCENE["scan"], "azimuths": None} if irregular else SCENE["scan"]
    write_session(simulate(Scene.model_validate({**SCENE, "scan": scan}), seed=1), session)
    settings = folder / "settings.toml"
    settings.write_text(COARSE if coarse else "")

    started = time.perf_counter()
    values = read_session(session).response.values
    for channel in values:
        np.fft.rfft(channel, axis=1)
    floor_s = time.perf_counter() - started

    words = ["run", str(session), "-o", str(folder / "out"), "-s", str(settings), "--tables-only"]
    started = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", _COMMAND, *words], capture_output=True, text=True, check=True)
    command_s = time.perf_counter() - started
    return {
        "points": values.shape[1],
        "samples": values.shape[2],
        "frequencies": 4 if coarse else 240,
        "file_mib": session.stat().st_size / 2**20,
        "floor_s": floor_s,
        "command_s": command_s,
        "command_to_floor": command_s / floor_s,
        "peak_mib": int(done.stdout.split("peak_kib")[1]) / 2**10,
        "cores": os.cpu_count() or 0,
        "machine": platform.machine(),
        "python": platform.python_version(),
        "numpy": version("numpy"),
        "scipy": version("scipy"),
    }


if __name__ == "__main__":
    main()
