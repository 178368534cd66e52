"""Figures and page rebuilt from a result folder alone."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from fieldproc.errors import OutputError, Problem, SessionError, UsageError
from fieldproc.outcome import FINDINGS, channel_folder
from fieldproc.page.grid import Sphere
from fieldproc.page.page import Findings, report_files
from fieldproc.records import FarField, Table
from fieldproc.results import read_field, read_table, read_text, require_place, signed_bytes, write_file
from fieldproc.results.folder import MARKER
from fieldproc.session import open_input
from fieldproc.settings import load_settings

FIGURES = "figures/"
# Tables that no figure needs, and that may be a hundred times as large as the others.
_UNDRAWN = ("rescan", "deg")


@dataclass(frozen=True, slots=True)
class Rebuilt:
    """Figures and page by their paths, and the summary that they belong to, with their digests."""

    folder: Path
    files: Mapping[str, bytes]
    summary: Mapping[str, Any]

    def write(self) -> None:
        """Into the folder, each file all or nothing; figures that there are no more are taken away.

        The summary goes first: a rebuild that is cut short leaves no file that the folder does not call its own.
        """
        require_place(self.folder)
        stale = [name for name in _outputs(self.summary) if _is_figure(name) and name not in self.files]
        digests = {name: hashlib.sha256(data).hexdigest() for name, data in self.files.items()}
        kept = {name: digest for name, digest in _outputs(self.summary).items() if name not in stale}
        provenance = {**self.summary["provenance"], "outputs_sha256": kept | digests}
        write_file(self.folder / MARKER, signed_bytes({**self.summary, "provenance": provenance}))
        for name, data in self.files.items():
            write_file(self.folder / name, data)
        for name in stale:
            try:
                (self.folder / name).unlink(missing_ok=True)
            except OSError as error:
                raise OutputError(f"{self.folder / name}: cannot be removed ({error.strerror})") from error


def rebuild(folder: Path) -> Rebuilt:
    """The same bytes as the run that wrote the folder; writes nothing.

    ``UsageError`` where it is no result folder, ``SessionError`` where its files are broken.
    """
    summary = read_summary(folder)
    settings = load_settings(folder / "settings.toml")
    count = len(summary["channels"])
    channels = [_tables(folder / channel_folder("tables", channel, count)) for channel in range(count)]
    files = report_files(channels, summary, settings, _sphere(folder, count), _findings(folder, count))
    return Rebuilt(folder, files, summary)


def _findings(folder: Path, channels: int) -> Findings:
    """Topics and sentences of every channel; none where none were written."""
    path = folder / FINDINGS
    if not path.exists():
        return ()
    try:
        told = [own["sentences"] for own in json.loads(read_text(path))["channels"]]
        sound = len(told) == channels and all(
            isinstance(topic["topic"], str) and all(isinstance(line, str) for line in topic["told"])
            for own in told
            for topic in own
        )
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise _broken(path, f"no findings of a run ({type(error).__name__}: {error})") from error
    if not sound:
        raise _broken(path, "findings that are not sentences of every channel")
    return told


def read_summary(folder: Path) -> dict[str, Any]:
    """The summary of a result folder of ``run`` or ``tables``; errors as of :func:`rebuild`."""
    if not folder.is_dir():
        raise UsageError(f"{folder}: no such folder; give the result folder of a run")
    path = folder / MARKER
    text = read_text(path)
    try:
        summary: dict[str, Any] = json.loads(text)
        sound = summary["channels"] and isinstance(summary["facts"], dict) and isinstance(summary["notices"], list)
        whole = all(name in summary for name in ("verdict", "bands", "scalars", "dropped_points"))
        sound = sound and whole and isinstance(_outputs(summary), dict)
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        raise _broken(path, f"no summary of a run ({type(error).__name__}: {error})") from error
    if not sound:
        raise _broken(path, "a summary without verdict, bands, scalars, channels, notices or facts")
    return summary


def _outputs(summary: Mapping[str, Any]) -> Mapping[str, str]:
    outputs: Mapping[str, str] = summary["provenance"]["outputs_sha256"]
    return outputs


def _is_figure(name: str) -> bool:
    """A summary that names other places as our figures must not lead there."""
    return name.startswith(FIGURES) and ".." not in PurePosixPath(name).parts


def _broken(path: Path, found: str) -> SessionError:
    return SessionError(str(path), [Problem("file", found, "the summary of a run", "run the session again")])


def _tables(folder: Path) -> dict[str, Table]:
    paths = sorted(path for path in folder.glob("*.csv") if not path.stem.endswith(_UNDRAWN))
    return {path.stem: read_table(path) for path in paths}


def _sphere(folder: Path, channels: int) -> Sphere | None:
    """From the field file; of a far field from elsewhere, from its AES69 export where it has one channel."""
    if (folder / "field.h5").is_file():
        expansion, axis, _ = read_field(folder / "field.h5")
        return Sphere.of_expansion(expansion, axis)
    exported = folder / "exports" / "directivity.sofa"
    if channels > 1 or not exported.is_file():
        return None
    far_field = open_input(exported)
    return Sphere.of_far_field(far_field) if isinstance(far_field, FarField) else None
