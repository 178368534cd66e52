"""Opening HDF5 files that nobody vouches for.

HDF5 files can name other files (external links, external storage, virtual datasets), claim terabytes in
a kilobyte, or expand without end (filters applied twice, variable-length text). So nothing here walks a
file: a caller asks for one known name, every step on the way is checked to be a plain link, and type,
size, layout, filters and storage are checked before any value is read. A ``Refusal`` carries the problem.
"""

from __future__ import annotations

import hashlib
import math
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import h5py
import numpy as np
from h5py import h5a, h5d, h5g, h5l, h5o, h5s, h5t
from numpy.typing import NDArray

from fieldproc.errors import Problem, SessionError, UsageError
from fieldproc.session.contents import printable
from fieldproc.session.heaps import heap_fault
from fieldproc.session.storage import expansion_fault, storage_fault

# All that is read from one file, as arrays in memory.
MAX_TOTAL_BYTES = 16 * 2**30
MAX_TEXT_BYTES = 65536
# Texts of one dataset, padded to the longest as they are held in memory.
MAX_TEXTS_BYTES = 16 * 2**20
# Names looked at in one group when telling what is unknown.
MAX_NAMES = 1000

# What h5py raises on damaged files; MemoryError is left to the caller.
LIBRARY_ERRORS = (OSError, RuntimeError, ValueError, TypeError, KeyError, OverflowError, SystemError)

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
# Types are compared whole: numpy's idea of an odd float inside a compound can be larger than its record.
_NUMBER_CODES = ("f4", "f8", "c8", "c16", "i1", "i2", "i4", "i8", "u1", "u2", "u4", "u8")
_EXACT_TYPES = (
    *(h5t.py_create(np.dtype(order + code)) for code in _NUMBER_CODES for order in "<>"),
    h5t.py_create(np.dtype(np.bool_)),
)


class Refusal(Exception):
    """One object of a file is not fit to be read."""

    def __init__(self, where: str, found: str, required: str, fix: str) -> None:
        self.problem = Problem(where, found, required, fix)
        super().__init__(str(self.problem))


@dataclass
class Source:
    """An open file; ``bytes_left`` is what may still be read from it."""

    path: Path
    file: h5py.File
    sha256: str
    bytes_left: int = MAX_TOTAL_BYTES


@contextmanager
def open_source(path: Path) -> Iterator[Source]:
    """Open an HDF5 file for reading and hash its bytes.

    Raises ``UsageError`` for a path that cannot be opened, ``SessionError`` for what is no HDF5 file.
    """
    try:
        # Without O_NONBLOCK a pipe would wait for its writer for ever.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError as error:
        raise UsageError(f"{path}: cannot be opened ({error.strerror}); give an existing file") from error
    before = os.fstat(descriptor)
    if not stat.S_ISREG(before.st_mode):
        os.close(descriptor)
        raise _file_error(path, "no regular file", "an HDF5 file", "give the path of the file itself")
    with open(descriptor, "rb") as stream:
        # A file that is nearly all hole takes no disk, and hours to read.
        fault = expansion_fault(512 * before.st_blocks, before.st_size)
        # Some file systems count no blocks, or late; they know no holes either.
        if fault and os.lseek(descriptor, 0, os.SEEK_HOLE) < before.st_size:
            raise _file_error(path, *fault)
        # Through a Python file object the library cannot resolve names of other files: a second wall.
        with _open_hdf5(path, stream) as file:
            _check_heaps(path, file, stream)
            stream.seek(0)
            yield Source(path, file, hashlib.file_digest(stream, "sha256").hexdigest())
        after = os.fstat(descriptor)
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        raise _file_error(path, "a file that changed while it was read", "a finished file", "run again")


def read_dataset(source: Source, path: str, *, variable_text: bool = False) -> NDArray[Any] | None:
    """All values of the dataset at ``path`` in native byte order, ``None`` if absent; text as str.

    ``variable_text`` admits variable-length text. Raises ``Refusal``.
    """
    try:
        dataset = find(source, path)
        if dataset is None:
            return None
        if not isinstance(dataset, h5d.DatasetID):
            raise Refusal(path, "no dataset", "a dataset", "store a dataset under this name")
        _check_type(path, dataset, variable_text)
        size = _check_size(source, path, dataset)
        fault = storage_fault(dataset, size)
        if fault:
            raise Refusal(path, *fault)
        source.bytes_left -= size
        values = _read_values(path, dataset)
        return values.astype(values.dtype.newbyteorder("="), copy=False)
    except LIBRARY_ERRORS as error:
        raise _unreadable(path, error) from error


def read_attribute(source: Source, path: str, name: str) -> str | float | None:
    """Text or number in an attribute of ``path``, ``None`` if absent. Raises ``Refusal``."""
    where = f"{path}@{name}"
    try:
        owner = find(source, path)
        if owner is None or not h5a.exists(owner, name.encode()):
            return None
        attribute = h5a.open(owner, name.encode())
        space, kind = attribute.get_space(), attribute.get_type()
        if space.get_simple_extent_type() == h5s.NULL:
            return ""
        if space.get_simple_extent_npoints() != 1:
            raise Refusal(where, "an array", "one text or number", f"store a single value in {name}")
        if kind.get_class() == h5t.STRING:
            if not kind.is_variable_str() and kind.get_size() > MAX_TEXT_BYTES:
                raise _too_long(where)
        elif kind.get_class() not in (h5t.INTEGER, h5t.FLOAT) or not _is_exact(kind):
            raise Refusal(where, "a value of an unusual type", "text or a number", f"store {name} as such")
        holder = h5py.Dataset(owner) if isinstance(owner, h5d.DatasetID) else h5py.Group(owner)
        value = np.asarray(holder.attrs[name]).reshape(-1)[0]
        return _text(where, value) if isinstance(value, str | bytes) else float(value)
    except LIBRARY_ERRORS as error:
        raise _unreadable(where, error) from error


def list_names(source: Source, path: str) -> tuple[list[str], list[str]]:
    """Names inside the group at ``path`` and of the attributes of whatever is there; long lists are cut.

    Raises ``Refusal``.
    """
    children, attributes = _NameList(), _NameList()
    try:
        holder = find(source, path)
        if isinstance(holder, h5g.GroupID):
            holder.links.iterate(children.note)
        if holder is not None:
            h5a.iterate(holder, attributes.note)
    except LIBRARY_ERRORS as error:
        raise _unreadable(path, error) from error
    return children, attributes


def find(source: Source, path: str) -> Any:
    """The object at ``path``, ``None`` if absent. ``Refusal`` for damage, or any link that is not a plain one."""
    try:
        return _walk(source, path)
    except LIBRARY_ERRORS as error:
        raise _unreadable(path, error) from error


def _walk(source: Source, path: str) -> Any:
    here = h5g.open(source.file.id, b"/")
    walked = ""
    for component in filter(None, path.split("/")):
        if not isinstance(here, h5g.GroupID):
            raise Refusal(walked, "no group", "a group", "store a group under this name")
        name = component.encode()
        walked = f"{walked}/{component}"
        if not here.links.exists(name):
            return None
        if here.links.get_info(name).type != h5l.TYPE_HARD:
            raise Refusal(walked, "a soft or external link", "an object of this file", "store the object itself here")
        here = h5o.open(here, name)
    return here


class _NameList(list[str]):
    """Gathers names for the library's iterators, which stop at the first result that is not None."""

    def note(self, name: bytes, *_: object) -> int | None:
        self.append(name.decode("utf-8", "backslashreplace"))
        return 1 if len(self) == MAX_NAMES else None


def _open_hdf5(path: Path, stream: Any) -> h5py.File:
    stream.seek(0)
    signed = stream.read(len(_SIGNATURE)) == _SIGNATURE
    try:
        return h5py.File(stream, "r")
    except LIBRARY_ERRORS as error:
        found = "a damaged or truncated HDF5 file" if signed else "no HDF5 file"
        fix = "copy or export the file again" if signed else "give a scan session or an AES69 file"
        raise _file_error(path, found, "a whole HDF5 file", fix) from error


def _check_heaps(path: Path, file: h5py.File, stream: BinaryIO) -> None:
    """Before anything of variable length is read: no exception, no signal handler ends an endless walk."""
    sizes = file.id.get_create_plist().get_sizes()
    if sizes != (8, 8):
        raise _file_error(path, f"addresses and sizes of {sizes} bytes", "eight bytes each", "export the file again")
    fault = heap_fault(stream)
    if fault:
        raise _file_error(path, fault, "an undamaged HDF5 file", "copy or export the file again")


def _file_error(path: Path, found: str, required: str, fix: str) -> SessionError:
    return SessionError(str(path), [Problem("/", found, required, fix)])


def _is_exact(kind: Any) -> bool:
    return any(kind.equal(exact) for exact in _EXACT_TYPES)


def _check_type(path: str, dataset: Any, variable_text: bool) -> None:
    kind = dataset.get_type()
    if kind.get_class() == h5t.STRING:
        if kind.is_variable_str():
            if not variable_text:
                raise Refusal(path, "variable-length text", "fixed-size values", "store plain numbers here")
        elif kind.get_size() > MAX_TEXT_BYTES:
            raise _too_long(path)
    elif not _is_exact(kind):
        raise Refusal(
            path,
            "values of an unusual type",
            "IEEE float, complex (r, i), integer, boolean or text",
            "store the values as one of these",
        )


def _check_size(source: Source, path: str, dataset: Any) -> int:
    space = dataset.get_space()
    if space.get_simple_extent_type() == h5s.NULL:
        raise Refusal(path, "a dataset without values", "values", "store the values or leave it out")
    kind = dataset.get_type()
    size = math.prod(dataset.shape) * int(kind.get_size())
    if kind.get_class() == h5t.STRING and size > MAX_TEXTS_BYTES:
        raise _too_much_text(path)
    if size > source.bytes_left:
        raise Refusal(
            path,
            f"shape {dataset.shape}, {size / 2**30:.1f} GiB",
            f"at most {MAX_TOTAL_BYTES / 2**30:.0f} GiB in a file",
            "split the scan or shorten the records",
        )
    return int(size)


def _read_values(path: str, dataset: Any) -> NDArray[Any]:
    view = h5py.Dataset(dataset)
    kind = dataset.get_type()
    if kind.get_class() != h5t.STRING:
        return np.asarray(view[()])
    # Variable-length text one at a time: a thousand elements can share one long text.
    items = (
        (view[index] for index in np.ndindex(view.shape))
        if kind.is_variable_str()
        else np.asarray(view[()]).reshape(-1)
    )
    texts: list[str] = []
    longest = 1
    for item in items:
        texts.append(_text(path, item))
        longest = max(longest, len(texts[-1]))
        if longest * view.size > MAX_TEXTS_BYTES:
            raise _too_much_text(path)
    return np.array(texts, dtype=np.str_).reshape(view.shape)


def _text(where: str, value: str | bytes) -> str:
    raw = value.encode("utf-8", "surrogateescape") if isinstance(value, str) else bytes(value)
    if len(raw) > MAX_TEXT_BYTES:
        raise _too_long(where)
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        raise Refusal(where, "text that is not UTF-8", "UTF-8", "store the text as UTF-8") from None


def _too_long(where: str) -> Refusal:
    return Refusal(where, "a longer text", f"at most {MAX_TEXT_BYTES} bytes", "shorten it")


def _too_much_text(where: str) -> Refusal:
    return Refusal(where, "too much text", f"at most {MAX_TEXTS_BYTES} bytes in a dataset", "store fewer")


def _unreadable(where: str, error: BaseException) -> Refusal:
    reason = printable(str(error).splitlines()[0] if str(error) else type(error).__name__)
    return Refusal(where, f"data that cannot be read ({reason})", "undamaged data", "copy or export the file again")
