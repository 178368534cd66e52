"""The global heaps of an HDF5 file, which hold variable-length values, checked before the library sees them.

A heap is a row of objects, each with its size, and the library walks the row from one to the next: a size of 0, or
one that overflows, keeps it walking for ever, and nothing inside the process can stop it. So every heap in the file
is walked here first.

Source: HDF5 File Format Specification, section III.E, "Disk Format: Level 1E - Global Heap".
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from typing import BinaryIO

# Version 1, the only one; its library refuses any other.
_SIGNATURE = b"GCOL\x01"
# Signature, version, three reserved bytes, size of the whole.
_HEADER = struct.Struct("<4sB3xQ")
# Index (0: the rest is free), references, four reserved bytes, size of the value (of free room, with this).
_OBJECT = struct.Struct("<HH4xQ")
_ALIGNMENT = 8
_BLOCK_BYTES = 16 * 2**20
# A scan has a few hundred texts; a second of walking is enough for anybody.
MAX_OBJECTS = 1_000_000


def heap_fault(stream: BinaryIO) -> str | None:
    """What is wrong with the first bad heap of the file, for sizes of eight bytes; ``None`` if nothing is."""
    end = stream.seek(0, os.SEEK_END)
    objects_left = MAX_OBJECTS
    for place in list(_places(stream)):
        stream.seek(place)
        header = stream.read(_HEADER.size)
        size = _HEADER.unpack(header)[2] if len(header) == _HEADER.size else 0
        if not _HEADER.size <= size <= end - place:
            return f"a heap of variable-length values cut short, at byte {place}"
        room = size - _HEADER.size
        while room >= _OBJECT.size:
            if objects_left == 0:
                return f"more than {MAX_OBJECTS} variable-length values"
            objects_left -= 1
            index, _, length = _OBJECT.unpack(stream.read(_OBJECT.size))
            if index:
                length = _OBJECT.size + -(-length // _ALIGNMENT) * _ALIGNMENT
            if not _OBJECT.size <= length <= room:
                return f"a damaged heap of variable-length values, at byte {place}"
            room -= length
            stream.seek(length - _OBJECT.size, os.SEEK_CUR)
    return None


def _places(stream: BinaryIO) -> Iterator[int]:
    """Where the signature stands, anywhere in the file."""
    stream.seek(0)
    start, tail = 0, b""
    while block := stream.read(_BLOCK_BYTES):
        text = tail + block
        found = text.find(_SIGNATURE)
        while found >= 0:
            yield start + found
            found = text.find(_SIGNATURE, found + 1)
        # too short for a whole signature, so that none is found twice
        tail = text[-(len(_SIGNATURE) - 1) :]
        start += len(text) - len(tail)
