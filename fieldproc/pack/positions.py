"""The positions file of a folder of WAV files: one row per record."""

from __future__ import annotations

import csv
import difflib
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from fieldproc.conventions import Booleans, Floats, Integers
from fieldproc.errors import Problem, SessionError, UsageError
from fieldproc.records import Axes, check_axes

# A row of 10,000 points takes under a megabyte.
_MAX_BYTES = 20_000_000
# Lines told of; a file whose every line is wrong has one fault, not thousands.
_MOST_PROBLEMS = 20
_REQUIRED = ("file", "x_m", "y_m", "z_m")


@dataclass(frozen=True, slots=True)
class Positions:
    """Records in file order; ``None`` where the file has no such column.

    ``files`` are relative to the folder, ``lines`` the lines they stand on.
    """

    AXES: ClassVar[Axes] = {
        "positions_m": ("point", "xyz"),
        "surface": ("point",),
        "measured_at_s": ("point",),
        "temperature_c": ("point",),
        "valid": ("point",),
    }
    files: tuple[str, ...]
    lines: tuple[int, ...]
    positions_m: Floats
    surface: Integers | None
    measured_at_s: Floats | None
    temperature_c: Floats | None
    valid: Booleans | None

    def __post_init__(self) -> None:
        check_axes(self, self.AXES)


def _finite(cell: str) -> float:
    value = float(cell)
    if not math.isfinite(value):
        raise ValueError
    return value


def _number_of_surface(cell: str) -> int:
    value = int(cell)
    if value < 0:
        raise ValueError
    return value


def _flag(cell: str) -> bool:
    return {"0": False, "1": True}[cell]


# What a cell of each column must be, in words, and the function that takes it.
_COLUMNS: dict[str, tuple[str, Callable[[str], Any]]] = {
    "file": ("the name of a WAV file", str),
    "x_m": ("a number of metres", _finite),
    "y_m": ("a number of metres", _finite),
    "z_m": ("a number of metres", _finite),
    "surface": ("a whole number from 0", _number_of_surface),
    "measured_at_s": ("a number of seconds", _finite),
    "temperature_c": ("a number of degrees Celsius", _finite),
    "valid": ("0 or 1", _flag),
}


def read_positions(path: Path, folder: Path) -> Positions:
    """Positions and file names from a CSV file with the header ``file,x_m,y_m,z_m`` and optional columns.

    Optional: ``surface``, ``measured_at_s``, ``temperature_c``, ``valid``, in any order. Equal positions are
    repeats; a file named twice is refused, since one record twice is no repeat. ``UsageError`` for a path that
    cannot be read, ``SessionError`` with every line at fault otherwise.
    """
    rows = _read_rows(path)
    header = [name.strip() for name in rows[0][1]] if rows else []
    problems = _header_problems(header)
    if problems:
        raise SessionError(str(path), problems)
    cells: dict[str, list[Any]] = {name: [] for name in header}
    first_line: dict[str, int] = {}
    for line, row in rows[1:]:
        found = _row_problems(line, row, header, cells) or _file_problems(line, cells["file"][-1], folder, first_line)
        problems += found
    if len(rows) == 1:
        problems.append(Problem("line 2", "the end of the file", "one row per WAV file", "add the positions"))
    if problems:
        raise SessionError(str(path), _cut(problems))
    return Positions(
        tuple(cells["file"]),
        tuple(line for line, _ in rows[1:]),
        np.array([cells[name] for name in ("x_m", "y_m", "z_m")], dtype=np.float64).T,
        np.array(cells["surface"], dtype=np.int64) if "surface" in cells else None,
        np.array(cells["measured_at_s"]) if "measured_at_s" in cells else None,
        np.array(cells["temperature_c"]) if "temperature_c" in cells else None,
        np.array(cells["valid"], dtype=np.bool_) if "valid" in cells else None,
    )


def _read_rows(path: Path) -> list[tuple[int, list[str]]]:
    """Rows that are not blank, with the number of the line each ends on."""
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise UsageError(f"{path}: larger than {_MAX_BYTES} bytes; this is no positions file")
        text = path.read_text(encoding="utf-8-sig")
        reader = csv.reader(text.splitlines(), strict=True)
        return [(reader.line_num, row) for row in reader if row]
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}); give an existing CSV file") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"{path}: not a CSV file ({error})") from error


def _header_problems(header: list[str]) -> list[Problem]:
    required = f"{','.join(_REQUIRED)} and perhaps {', '.join(name for name in _COLUMNS if name not in _REQUIRED)}"
    problems = []
    missing = [name for name in _REQUIRED if name not in header]
    if missing:
        problems.append(Problem("line 1", f"no column {', '.join(missing)}", required, "begin with a header line"))
    for name in dict.fromkeys(header):
        if name not in _COLUMNS:
            near = difflib.get_close_matches(name, _COLUMNS, n=1)
            fix = f"did you mean {near[0]}?" if near else "leave the column out"
            problems.append(Problem("line 1", f"column {name!r}", required, fix))
        elif header.count(name) > 1:
            problems.append(Problem("line 1", f"column {name} twice", "each column once", "leave one out"))
    return problems


def _row_problems(line: int, row: list[str], header: list[str], cells: dict[str, list[Any]]) -> list[Problem]:
    """Take the row's cells; on a fault nothing is taken."""
    where = f"line {line}"
    if len(row) != len(header):
        return [Problem(where, f"{len(row)} cells", f"{len(header)}, as in the header", "complete the row")]
    taken, problems = {}, []
    for name, cell in zip(header, row, strict=True):
        words, take = _COLUMNS[name]
        try:
            taken[name] = take(cell.strip())
        except (ValueError, KeyError):
            problems.append(Problem(f"{where}, {name}", repr(cell), words, "correct the cell"))
    if not problems:
        for name, value in taken.items():
            cells[name].append(value)
    return problems


def _file_problems(line: int, name: str, folder: Path, first_line: dict[str, int]) -> list[Problem]:
    where = f"line {line}, file"
    try:
        place = (folder / name).resolve()
        inside, there = place.is_relative_to(folder.resolve()) and bool(name), place.is_file()
    except (OSError, ValueError):
        inside, there = True, False
    if not inside or Path(name).is_absolute():
        return [Problem(where, repr(name), "a name within the folder", "put the WAV file into the folder")]
    if not there:
        return [Problem(where, f"{name!r}, which is not there", f"a file in {folder}", "correct the name, or add it")]
    if str(place) in first_line:
        first = first_line[str(place)]
        return [Problem(where, f"{name!r}, as on line {first}", "another record", "name each record once")]
    first_line[str(place)] = line
    return []


def _cut(problems: list[Problem]) -> list[Problem]:
    more = len(problems) - _MOST_PROBLEMS
    if more <= 0:
        return problems
    rest = Problem("below", f"{more} more faults", "none", "correct these first")
    return [*problems[:_MOST_PROBLEMS], rest]
