"""Putting results on disk so that nothing half-written ever stands under a final name.

New content is written beside its final place, forced to the disk, then renamed. A run that was killed
leaves at most names starting with a dot; the next run of the same name cleans them up.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath

from fieldproc.errors import OutputError

# The file that makes a folder a result of ours.
MARKER = "summary.json"


def session_folder_name(stem: str) -> str:
    """Folder name for an input's base name: every character outside ``[A-Za-z0-9._-]`` becomes ``_``.

    Names that a file system gives a meaning of its own (empty, ``.``, ``..``) become underscores too.
    """
    name = re.sub(r"[^A-Za-z0-9._-]", "_", stem)
    return name if name.strip(".") else "_" * max(1, len(name))


def write_folder(final: Path, files: Mapping[str, bytes]) -> None:
    """Write ``files`` (relative path with ``/`` -> content) as the folder ``final``, all or nothing.

    An older result is replaced as a whole. Raises ``OutputError`` if ``final`` is anything else, or if
    the file system refuses; an older result then stands as it was.
    """
    temporary, aside = _beside(final, "tmp"), _beside(final, "old")
    with _reporting(final):
        final.parent.mkdir(parents=True, exist_ok=True)
        _recover(final, temporary, aside)
        _refuse_foreign(final)
        try:
            _write_tree(temporary, files)
            _swap_in(temporary, final, aside)
        except BaseException:
            shutil.rmtree(temporary, ignore_errors=True)
            raise


def write_file(final: Path, data: bytes) -> None:
    """Write one file, all or nothing; a link at ``final`` is replaced and not followed.

    Raises ``OutputError`` if the file system refuses.
    """
    temporary = _beside(final, "tmp")
    with _reporting(final):
        final.parent.mkdir(parents=True, exist_ok=True)
        temporary.unlink(missing_ok=True)
        try:
            _write_new(temporary, data)
            os.replace(temporary, final)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        _sync_folder(final.parent)


def _beside(final: Path, kind: str) -> Path:
    """A fixed name, so that the next run finds what a killed one left."""
    return final.with_name(f".{final.name}.{kind}")


@contextlib.contextmanager
def _reporting(final: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        fix = "free the space" if error.errno in (errno.ENOSPC, errno.EDQUOT) else "choose another place"
        raise OutputError(f"{final}: cannot be written ({reason}); {fix}") from error


def _recover(final: Path, temporary: Path, aside: Path) -> None:
    """Undo what a killed run left: half a new folder, or the older one set aside."""
    if temporary.exists():
        shutil.rmtree(temporary)
    if not aside.exists():
        return
    if final.exists():
        shutil.rmtree(aside)
    else:
        os.rename(aside, final)


def require_place(final: Path) -> None:
    """Raise ``OutputError`` now if ``final`` could not be written later: before the work, not after it."""
    require_folder(final)
    _refuse_foreign(final)


def require_folder(final: Path) -> None:
    """Raise ``OutputError`` if a file stands where the folder of ``final`` would have to be."""
    standing = next(folder for folder in final.absolute().parents if folder.exists())
    if not standing.is_dir():
        raise OutputError(f"{final}: {standing} is a file, not a folder; choose another place")


def _refuse_foreign(final: Path) -> None:
    """A folder is replaced only if every file in it is one that we wrote."""
    if not os.path.lexists(final):
        return
    if final.is_symlink() or not final.is_dir() or not (final / MARKER).is_file():
        raise OutputError(
            f"{final}: exists and is not a result folder (no {MARKER} in it); "
            "move it away or choose another output folder"
        )
    ours = {MARKER, *_listed_outputs(final / MARKER)}
    present = (path.relative_to(final).as_posix() for path in sorted(final.rglob("*")) if not path.is_dir())
    foreign = [name for name in present if name not in ours]
    if foreign:
        raise OutputError(
            f"{final}: would be replaced, but holds {len(foreign)} files that are not ours, {foreign[0]} first; "
            "move them away or choose another output folder"
        )


def _listed_outputs(summary: Path) -> list[str]:
    """Files that a summary says it was written with; none if it cannot be read."""
    try:
        return list(json.loads(summary.read_bytes())["provenance"]["outputs_sha256"])
    except (ValueError, KeyError, TypeError, RecursionError):
        return []


def _write_tree(root: Path, files: Mapping[str, bytes]) -> None:
    root.mkdir()
    folders = {root}
    for name, data in files.items():
        relative = PurePosixPath(name)
        if relative.is_absolute() or ".." in relative.parts:
            raise ValueError(f"{name} does not stay inside the result folder")
        target = root / relative
        target.parent.mkdir(parents=True, exist_ok=True)
        folders.update(root / parent for parent in relative.parents)
        _write_new(target, data)
    for folder in folders:
        _sync_folder(folder)


def _swap_in(temporary: Path, final: Path, aside: Path) -> None:
    replaces = final.exists()
    if replaces:
        os.rename(final, aside)
    try:
        os.rename(temporary, final)
        _sync_folder(final.parent)
    except BaseException:
        if not temporary.exists():
            os.rename(final, temporary)
        if replaces:
            os.rename(aside, final)
        raise
    # The new result stands; what can't be removed now the next run removes.
    shutil.rmtree(aside, ignore_errors=True)


def _write_new(path: Path, data: bytes) -> None:
    """Create ``path``, which must not exist, with ``data`` on the disk."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o666)
    with open(descriptor, "wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
