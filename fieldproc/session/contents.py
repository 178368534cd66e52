"""What a scan session file holds, between the file and the ``Session`` record."""

from __future__ import annotations

import hashlib
import json
import struct
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fieldproc import errors


@dataclass(slots=True)
class Contents:
    """Datasets by path, in the file's own units, and attributes by (path, name); text is str."""

    arrays: dict[str, NDArray[Any]] = field(default_factory=dict)
    attributes: dict[tuple[str, str], str | float] = field(default_factory=dict)

    def text(self, path: str, name: str) -> str:
        """A text attribute that is known to exist."""
        return str(self.attributes[path, name])

    def number(self, path: str, name: str) -> float:
        """A number attribute that is known to exist."""
        return float(self.attributes[path, name])


def content_digest(contents: Contents) -> str:
    """SHA-256 over the content, whatever chunks, filters and byte order it is stored with.

    Every item is a label and its bytes, each preceded by its length as 8 little-endian bytes. Datasets
    come first, sorted by path: label "PATH TYPE SHAPE" (numpy's little-endian type code; JSON list) and
    the values in C order; text as a JSON list under the type "text". Attributes follow, sorted: label
    "PATH@NAME", and the text in UTF-8 or the number as float64. ``content_sha256`` itself is left out.
    """
    digest = hashlib.sha256()

    def feed(part: bytes | memoryview) -> None:
        digest.update(struct.pack("<Q", len(part)))
        digest.update(part)

    for path, array in sorted(contents.arrays.items()):
        shape = json.dumps(array.shape)
        if array.dtype.kind == "U":
            feed(f"{path} text {shape}".encode())
            feed(json.dumps(array.reshape(-1).tolist()).encode())
        else:
            values = np.ascontiguousarray(array, dtype=array.dtype.newbyteorder("<"))
            feed(f"{path} {values.dtype.str} {shape}".encode())
            feed(values.reshape(-1).view(np.uint8).data)
    for (path, name), value in sorted(contents.attributes.items()):
        if name != "content_sha256":
            feed(f"{path}@{name}".encode())
            feed(value.encode() if isinstance(value, str) else struct.pack("<d", value))
    return digest.hexdigest()


def printable(text: str) -> str:
    """Text from a file, safe in a message: control and direction characters escaped, long text cut."""
    safe = errors.printable(text)
    return safe if len(safe) <= 80 else safe[:77] + "..."
