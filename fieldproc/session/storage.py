"""How the values of a dataset lie in the file, judged before any of them is read.

Faults are three texts: what was found, what is required, and how to mend it.
"""

from __future__ import annotations

import math
from typing import Any

from h5py import h5d, h5t, h5z

Fault = tuple[str, str, str]

# A chunk is expanded whole, however little of it the dataset uses.
MAX_CHUNK_BYTES = 64 * 2**20
# Deflate alone reaches 1030:1 on zeros. Small datasets may; beyond 256 MiB it is no measurement.
MAX_EXPANSION = 200
EXPANSION_FREE_BYTES = 256 * 2**20

_FILTERS = {h5z.FILTER_DEFLATE: "deflate", h5z.FILTER_SHUFFLE: "shuffle", h5z.FILTER_FLETCHER32: "fletcher32"}
_CHECKSUM_BYTES = 4
_LAYOUTS = (h5d.COMPACT, h5d.CONTIGUOUS, h5d.CHUNKED)


def storage_fault(dataset: Any, size: int) -> Fault | None:
    """Layout, filters, and that all values were written and none comes from elsewhere.

    ``dataset`` is the library's low-level handle, ``size`` what its values take in memory, in bytes.
    """
    plan = dataset.get_create_plist()
    layout = plan.get_layout()
    if layout not in _LAYOUTS or plan.get_external_count():
        return "virtual or external storage", "values in this file", "store the values themselves"
    filters = [plan.get_filter(index)[0] for index in range(plan.get_nfilters())]
    if len(set(filters)) != len(filters) or not set(filters) <= set(_FILTERS):
        named = ", ".join(_FILTERS.get(code, str(code)) for code in filters)
        return f"filters {named}", "deflate, shuffle, fletcher32, each at most once", "store with these only"
    stored = dataset.get_storage_size()
    kind = dataset.get_type()
    if layout == h5d.CHUNKED:
        chunk = plan.get_chunk()
        chunk_bytes = math.prod(chunk) * int(kind.get_size())
        if chunk_bytes > max(MAX_CHUNK_BYTES, size):
            return f"chunks of {chunk_bytes} bytes", f"at most {MAX_CHUNK_BYTES}", "use smaller chunks"
        complete = _chunks_are_whole(dataset, chunk, chunk_bytes, filters)
    else:
        # Variable-length text counts what is in the file, references, at least as large as in memory.
        complete = stored >= size if kind.get_class() == h5t.STRING else stored == size
    if not complete:
        return "values that were never written", "all values", "write the whole dataset"
    return expansion_fault(stored, size)


def expansion_fault(stored: int, size: int) -> Fault | None:
    """Bytes that stand for too many others."""
    if size <= EXPANSION_FREE_BYTES or size <= MAX_EXPANSION * stored:
        return None
    return f"{stored} bytes that expand to {size}", f"at most {MAX_EXPANSION} times", "store it less compressed"


def _chunks_are_whole(dataset: Any, chunk: tuple[int, ...], chunk_bytes: int, filters: list[int]) -> bool:
    """Is every chunk of the grid there once, at a place of its own and in its full size? Gaps read as zeros."""
    corners, places = set(), set()

    def is_odd(stored: Any) -> bool | None:
        corners.add(stored.chunk_offset)
        places.add(stored.byte_offset)
        # A filter that made a chunk no smaller may have been left out of it; a checksum may not.
        used = {code for bit, code in enumerate(filters) if not stored.filter_mask >> bit & 1}
        checked = h5z.FILTER_FLETCHER32 in used
        whole = h5z.FILTER_DEFLATE in used or stored.size == chunk_bytes + _CHECKSUM_BYTES * checked
        on_grid = all(
            at % c == 0 and at < n for at, c, n in zip(stored.chunk_offset, chunk, dataset.shape, strict=True)
        )
        # What is not None ends the iteration.
        return None if whole and on_grid and checked == (h5z.FILTER_FLETCHER32 in filters) else True

    odd = dataset.chunk_iter(is_odd)
    expected = math.prod(math.ceil(n / c) for n, c in zip(dataset.shape, chunk, strict=True))
    return not odd and len(corners) == len(places) == expected
