"""Putting results on disk so that nothing half-written ever stands under a final name.

New content is written beside its final place, forced to the disk, then renamed. A run that was killed leaves at most
``.NAME.fieldproc-tmp``, of which nothing is needed, and ``.NAME.fieldproc-old``, a whole older result that its
successor had not replaced yet; :func:`sweep` and the next run of the same name see to both. One process at a time
writes one name: whoever works in a folder of results holds a lock on it.

What was written is not read back: the pages just written would answer, not the disk. Late errors of a full or
distant disk are those of ``fsync`` and ``close``, which are heeded.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import re
import shutil
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath

from fieldproc.errors import OutputError

# The file that makes a folder a result of ours.
MARKER = "summary.json"
_TEMPORARY, _ASIDE = "fieldproc-tmp", "fieldproc-old"
_LEFTOVER = re.compile(rf"\.(.*[^.].*)\.(?:{_TEMPORARY}|{_ASIDE})", re.DOTALL)
_LONGEST_FOLDER_NAME, _HASHED = 80, 8
# Devices of another system, which takes them for such with any ending and in either case.
_DEVICES = re.compile(r"^(con|prn|aux|nul|com[0-9]|lpt[0-9])(?=\.|$)", re.IGNORECASE)
_FOLDER, _FILE, _NOTHING = "a folder", "a file", "nothing"
_KINDS = {stat.S_IFDIR: _FOLDER, stat.S_IFREG: _FILE, stat.S_IFLNK: "a link", stat.S_IFIFO: "a pipe"}


def session_folder_name(stem: str) -> str:
    """Folder name for an input's base name: every character outside ``[A-Za-z0-9._-]`` becomes ``_``.

    So do dots at the beginning of a name that leads elsewhere (``..``) or is one of our own (``.fieldproc.lock``).
    A device's name gets a ``_`` (``nul`` becomes ``nul_``), and of a name of more than 80 characters remain 71, a
    hyphen and 8 digits of the SHA-256 of ``stem``.
    """
    name = re.sub(r"[^A-Za-z0-9._-]", "_", stem)
    if not name.strip(".") or name.startswith(".fieldproc") or _LEFTOVER.fullmatch(name):
        name = name.lstrip(".").rjust(len(name), "_") or "_"
    name = _DEVICES.sub(r"\1_", name)
    if len(name) <= _LONGEST_FOLDER_NAME:
        return name
    digest = hashlib.sha256(stem.encode("utf-8", "surrogatepass")).hexdigest()
    return f"{name[: _LONGEST_FOLDER_NAME - _HASHED - 1]}-{digest[:_HASHED]}"


def write_folder(final: Path, files: Mapping[str, bytes]) -> None:
    """Write ``files`` (relative path with ``/`` -> content) as the folder ``final``, all or nothing.

    An older result is replaced as a whole. Raises ``OutputError`` if ``final`` is anything else, or if
    the file system refuses; an older result then stands as it was, or the message says where.
    """
    temporary, aside = _beside(final, _TEMPORARY), _beside(final, _ASIDE)
    with _reporting(final):
        final.parent.mkdir(parents=True, exist_ok=True)
        _recover(final)
        _refuse_foreign(final)
        try:
            _write_tree(temporary, files)
            _swap_in(temporary, final, aside)
        except BaseException:
            shutil.rmtree(temporary, ignore_errors=True)
            raise


def write_file(final: Path, data: bytes) -> None:
    """Write one file, all or nothing.

    Raises ``OutputError`` if anything but a file stands there, be it a link to one, or if the file system refuses.
    """
    temporary = _beside(final, _TEMPORARY)
    with _reporting(final):
        _refuse_no_file(final)
        final.parent.mkdir(parents=True, exist_ok=True)
        _remove(temporary)
        try:
            _write_new(temporary, data)
            os.replace(temporary, final)
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
            raise
        _sync_folder(final.parent)


def sweep(output: Path) -> list[str]:
    """Clear away what killed runs left directly below ``output``; what was done, a sentence each.

    Half-written files and folders are removed, older results that stand aside put back where nothing has replaced
    them. Links are not followed. Only under a lock: a run at work looks like one that was killed. Raises
    ``OutputError`` if the file system refuses; no such folder is nothing to do.
    """
    with _reporting(output):
        found = os.listdir(output) if output.is_dir() else []
    done = []
    for name in sorted({match[1] for leftover in found if (match := _LEFTOVER.fullmatch(leftover))}):
        with _reporting(output / name):
            done += _recover(output / name)
    return done


def require_place(final: Path) -> None:
    """Raise ``OutputError`` now if the folder ``final`` could not be written later: before the work, not after it."""
    with _reporting(final):
        _require_parent(final)
        _refuse_foreign(final)


def require_folder(final: Path) -> None:
    """As :func:`require_place`, for a file: raise ``OutputError`` if its folder or itself could not be written."""
    with _reporting(final):
        _require_parent(final)
        _refuse_no_file(final)


def _beside(final: Path, ending: str) -> Path:
    """A fixed name, so that the next run finds what a killed one left."""
    return final.parent / f".{final.name}.{ending}"


@contextlib.contextmanager
def _reporting(final: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        fix = "free the space" if error.errno in (errno.ENOSPC, errno.EDQUOT) else "choose another place"
        aside = _beside(final, _ASIDE)
        if os.path.lexists(aside) and not os.path.lexists(final):
            fix += f"; the older result stands as {aside.name}, the next run puts it back"
        raise OutputError(f"{final}: cannot be written ({reason}); {fix}") from error


def _recover(final: Path) -> list[str]:
    """Undo what a killed run left: half of something new, or an older result set aside."""
    temporary, aside = _beside(final, _TEMPORARY), _beside(final, _ASIDE)
    done = []
    if _remove(temporary):
        done.append(f"{temporary.name}: removed; a run ended before it was whole")
    if _kind(aside) != _NOTHING:
        if _kind(final) != _NOTHING or _kind(aside) != _FOLDER:
            _discard(aside, temporary)
            done.append(f"{aside.name}: removed; a run ended after it was replaced")
        else:
            os.rename(aside, final)
            done.append(f"{final.name}: put back; a run ended before it was replaced")
    return done


def _discard(aside: Path, temporary: Path) -> None:
    """Through a name that is never put back: half a folder must not be."""
    os.rename(aside, temporary)
    _remove(temporary)


def _remove(path: Path) -> bool:
    """Was there anything? A link is not followed."""
    kind = _kind(path)
    if kind == _FOLDER:
        shutil.rmtree(path)
    elif kind != _NOTHING:
        path.unlink()
    return kind != _NOTHING


def _kind(path: Path) -> str:
    """What stands under a name, in words."""
    try:
        return _KINDS.get(stat.S_IFMT(os.lstat(path).st_mode), "a special file")
    except FileNotFoundError:
        return _NOTHING


def _require_parent(final: Path) -> None:
    """What exists of the folders above ``final`` must be one that takes more."""
    standing = next((folder for folder in final.absolute().parents if os.path.lexists(folder)), final)
    if not standing.is_dir():
        raise OutputError(f"{final}: {standing} is {_kind(standing)}, not a folder; choose another place")
    if not os.access(standing, os.W_OK | os.X_OK):
        raise OutputError(f"{final}: {standing} may not be written to; choose another place")


def _refuse_no_file(final: Path) -> None:
    """A file is replaced, but no folder, device or pipe, and no link: what it leads to is somebody's."""
    kind = _kind(final)
    if kind not in (_NOTHING, _FILE):
        raise OutputError(f"{final}: exists and is not a file but {kind}; choose another name")


def _refuse_foreign(final: Path) -> None:
    """A folder is replaced only if every file in it is one that we wrote."""
    found = _kind(final)
    if found == _NOTHING:
        return
    if found == _FOLDER and not (final / MARKER).is_file():
        found = f"no {MARKER} in it"
    if found != _FOLDER:
        raise OutputError(
            f"{final}: exists and is not a result folder ({found}); move it away or choose another output folder"
        )
    ours = {MARKER, *_listed_outputs(final / MARKER)}
    foreign = [name for name in _present(final) if name not in ours]
    if foreign:
        raise OutputError(
            f"{final}: would be replaced, but holds {len(foreign)} files that are not ours, {foreign[0]} first; "
            "move them away or choose another output folder"
        )


def _present(folder: Path) -> list[str]:
    """All that is in it but folders, and but what a killed run left; a link to a folder is a link."""

    def refuse(error: OSError) -> None:
        raise error

    names = []
    for place, folders, files in os.walk(folder, onerror=refuse):
        links = [name for name in folders if _kind(Path(place, name)) != _FOLDER]
        kept = [name for name in (*files, *links) if not _LEFTOVER.fullmatch(name)]
        names += [Path(place, name).relative_to(folder).as_posix() for name in kept]
    return sorted(names)


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
    try:
        if _kind(final) != _NOTHING:
            os.rename(final, aside)
        os.rename(temporary, final)
        _sync_folder(final.parent)
    except BaseException:
        # as it was: by what stands where, for an interrupt can come between any two of the lines above
        if _kind(temporary) == _NOTHING:
            os.rename(final, temporary)
        if _kind(aside) != _NOTHING:
            os.rename(aside, final)
        raise
    # The new result stands; what can't be removed now the next run removes.
    with contextlib.suppress(OSError):
        _discard(aside, temporary)


def _write_new(path: Path, data: bytes) -> None:
    """Create ``path``, which must not exist, with ``data`` on the disk."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o666)
    try:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(descriptor, rest) :]
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
