"""Everything that was found, as one document, and the same in words."""

from __future__ import annotations

import json
import math
import platform
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from fieldproc.doctor.machine import Memory, Place, memory, place
from fieldproc.doctor.self_test import Check, self_test
from fieldproc.results import versions
from fieldproc.side_by_side import GIB, cores

# A large scan, degree 60 of both wave sets on 10,000 points, takes 2.3 GiB.
SESSION_BYTES = 5 * GIB // 2
LEAST_MEMORY_BYTES = 4 * GIB
LEAST_DISK_BYTES = 2 * GIB

# What is known of HDF5 libraries older than a version; from its release notes, from memory.
_HDF5_HOLES: Sequence[tuple[tuple[int, ...], str]] = (
    ((1, 14, 4), "many memory errors on damaged files were mended in 1.14.4, and more in 2.0.0; take a newer h5py"),
    ((2, 0, 0), "more memory errors on damaged files were mended in 2.0.0; take a newer h5py"),
)
# Issue 1707 of the HDF5 project, from memory.
_HDF5_STILL = (
    "a damaged file can keep it in an endless loop (known up to 2.0.0), which is why sessions are read in a process "
    "of their own, with limits"
)


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What :func:`examine` found, and what follows from it."""

    versions: Mapping[str, str]
    cores: int
    memory: Memory
    place: Place
    checks: tuple[Check, ...]
    fixed_clock: bool = False

    @property
    def passed(self) -> bool:
        """Did every check of the self-test keep its tolerance?"""
        return all(check.passed for check in self.checks)

    @property
    def jobs(self) -> int:
        """How many sessions may run side by side: one to a core, as far as memory holds them."""
        available = self.memory.available_bytes
        held = 1 if available is None else available // SESSION_BYTES
        return max(1, min(self.cores, held))

    @property
    def closing(self) -> str:
        """The last line: fit for work, or what is not."""
        faults = []
        if not self.passed:
            faults.append("the self-test missed its tolerance: do not trust a result of this installation")
        if not self.place.writable:
            faults.append("results cannot be written to the output folder")
        return f"not fit for work: {'; '.join(faults)}" if faults else "fit for work"

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to know of, fit or not."""
        return (
            *_of_libraries(self.versions),
            *_of_means(self.cores, self.memory),
            *_of_place(self.place),
            *(["SOURCE_DATE_EPOCH is set: the times that a run writes stand still"] if self.fixed_clock else []),
        )

    def document(self) -> dict[str, Any]:
        """Plain values by section, units in their names; ``None`` = not known."""
        return {
            "versions": dict(self.versions),
            "machine": {
                "system": platform.system(),
                "processor": platform.machine(),
                "cores": self.cores,
                "memory_total_bytes": self.memory.total_bytes,
                "memory_available_bytes": self.memory.available_bytes,
                "suggested_jobs": self.jobs,
            },
            "output_folder": {
                "free_bytes": self.place.free_bytes,
                "writable": self.place.writable,
                "locks_hold": self.place.locks,
            },
            "self_test": {check.name: _of_check(check) for check in self.checks},
            "warnings": list(self.warnings),
            "fit_for_work": self.passed and self.place.writable,
            "closing": self.closing,
        }

    def json(self) -> str:
        """Strict JSON with sorted keys."""
        return json.dumps(self.document(), indent=2, sort_keys=True, allow_nan=False) + "\n"

    def lines(self) -> Iterator[str]:
        """The document for people: sections of aligned lines, warnings, and the closing line."""
        document = self.document()
        for section in ("versions", "machine", "output_folder"):
            yield _label(section)
            yield from (_line(name, _words(name, value)) for name, value in document[section].items())
        yield "self-test"
        yield from (_line(check.name, check.words) for check in self.checks)
        if self.warnings:
            yield "warnings"
            yield from (f"  {warning}" for warning in self.warnings)
        yield self.closing


def examine(output: Path, *, fixed_clock: bool = False) -> Diagnosis:
    """This machine, and the folder that results would go to. Takes some seconds; leaves nothing behind.

    ``fixed_clock``: does the environment ask for times that do not depend on when a run is made?
    Raises ``ImportError`` where a library we need is not installed.
    """
    drawn = {name: version(name) for name in ("numba", "matplotlib")}
    return Diagnosis({**versions(), **drawn}, cores(), memory(), place(output), self_test(), fixed_clock)


def _of_check(check: Check) -> dict[str, Any]:
    numbers = {"error": check.error, "tolerance": check.tolerance}
    unit = f"_{check.unit}" if check.unit else ""
    return {
        **{f"{name}{unit}": value if math.isfinite(value) else None for name, value in numbers.items()},
        "passed": check.passed,
        "against": check.against,
        "refusal": check.refusal,
    }


def _of_libraries(versions: Mapping[str, str]) -> Iterator[str]:
    library = f"HDF5 {versions['hdf5']}"
    numbers = tuple(int(number) for number in re.findall(r"\d+", versions["hdf5"])[:3])
    hole = next((hole for mended, hole in _HDF5_HOLES if numbers < mended), None)
    if hole is not None:
        yield f"{library}: {hole}"
    yield f"{library}: {_HDF5_STILL}"
    if not versions["blas"]:
        yield (
            "the library that multiplies matrices is not one whose threads we can hold to one: work side by side may "
            "be slow, and last digits may vary"
        )


def _of_means(cores: int, memory: Memory) -> Iterator[str]:
    available = memory.available_bytes
    if available is not None and available < LEAST_MEMORY_BYTES:
        yield f"{_gib(available)} of memory available: a large scan may not fit below {_gib(LEAST_MEMORY_BYTES)}"
    if cores == 1:
        yield "one core: frequencies are solved one after another"


def _of_place(place: Place) -> Iterator[str]:
    if not place.writable:
        yield f"the output folder cannot be written ({place.refusal}); choose another with -o"
        return
    if not place.locks:
        yield "file locks do not hold in the output folder: runs may ask for --no-lock, and you keep them apart"
    if place.free_bytes is not None and place.free_bytes < LEAST_DISK_BYTES:
        yield f"{_gib(place.free_bytes)} free for results: a batch may need {_gib(LEAST_DISK_BYTES)}"


def _line(name: str, words: str) -> str:
    return f"  {_label(name):<20}  {words}"


def _label(name: str) -> str:
    return name.removesuffix("_bytes").replace("_", " ")


def _words(name: str, value: Any) -> str:
    """One value of the document as a person reads it; its unit is in its name."""
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return _gib(value) if name.endswith("_bytes") else str(value)


def _gib(value: int) -> str:
    return f"{value / GIB:.1f} GiB"
