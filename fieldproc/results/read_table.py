"""A table of a result folder, read back from its CSV and sidecar."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from fieldproc.errors import Problem, SessionError, UsageError
from fieldproc.records import Table

# The largest tables, level and phase of a few hundred directions with their bands, are below 20 MB.
_MAX_BYTES = 64_000_000
_REBUILD = "run the session again"


def read_table(path: Path) -> Table:
    """The table at ``path`` (``NAME.csv``, its facts in ``NAME.csv-metadata.json``), equal to what was written.

    Facts that are no finite numbers come back as text. Raises ``UsageError`` if there is no such file,
    ``SessionError`` if it is no whole and sound table.
    """
    header, values = _rows(path, read_text(path))
    sidecar = path.with_name(f"{path.name}-metadata.json")
    return Table(path.stem, header, values, _facts(sidecar, read_text(sidecar)))


def read_text(path: Path) -> str:
    """A text file of a result folder; errors as of :func:`read_table`."""
    if not path.is_file():
        raise UsageError(f"{path}: no such file; give the result folder of a run")
    try:
        if (size := path.stat().st_size) > _MAX_BYTES:
            raise _broken(path, "file", f"{size} bytes", f"at most {_MAX_BYTES}")
        return path.read_bytes().decode()
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}); give the result folder of a run") from error
    except UnicodeDecodeError as error:
        raise _broken(path, f"byte {error.start}", "another encoding", "UTF-8") from error


def _rows(path: Path, text: str) -> tuple[tuple[str, ...], np.ndarray]:
    try:
        header, *rows = csv.reader(text.splitlines(), strict=True)
    except (csv.Error, ValueError) as error:
        raise _broken(path, "file", f"no table ({error})", "a header and rows of numbers") from error
    if not all(header) or len(set(header)) < len(header):
        raise _broken(path, "header", ",".join(header)[:80], "columns with names of their own")
    values = np.empty((len(rows), len(header)))
    for number, row in enumerate(rows):
        try:
            values[number] = np.array([[float(cell) for cell in row]]).reshape(1, len(header))
        except ValueError as error:
            where, needed = f"line {number + 2}", f"{len(header)} numbers"
            raise _broken(path, where, f"{len(row)} cells, {','.join(row)[:60]!r}", needed) from error
    return tuple(header), values


def _facts(path: Path, text: str) -> Mapping[str, str | float | int]:
    try:
        notes = json.loads(text)["notes"]
        facts = {note["schema:name"]: note["schema:value"] for note in notes}
        sound = all(isinstance(value, str | float | int) for value in facts.values())
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise _broken(
            path, "file", f"no facts of a table ({type(error).__name__}: {error})", "its metadata"
        ) from error
    if not sound:
        raise _broken(path, "notes", "a value that is neither text nor number", "texts and numbers")
    return facts


def _broken(path: Path, where: str, found: str, required: str) -> SessionError:
    return SessionError(str(path), [Problem(where, found, required, _REBUILD)])
