"""Heaps of variable-length values: the library's own are sound, wherever they lie, and any damage is told."""

from __future__ import annotations

import io
import struct

import h5py
import numpy as np
import pytest

from fieldproc.session import heaps
from fieldproc.session.heaps import heap_fault


def heap(*objects: tuple[int, int], size: int | None = None) -> bytes:
    """A heap of objects (index, size of the value) with values of zeros, as the format lays them out."""
    row = b""
    for index, length in objects:
        row += struct.pack("<HHIQ", index, 1, 0, length) + bytes(
            -(-length // 8) * 8 if index else max(0, length - 16)
        )
    return b"GCOL" + bytes([1, 0, 0, 0]) + struct.pack("<Q", 16 + len(row) if size is None else size) + row


@pytest.mark.parametrize("version", ["earliest", "latest"])
def test_the_library_writes_sound_ones(version: str) -> None:
    stream = io.BytesIO()
    with h5py.File(stream, "w", libver=version) as file:
        file["texts"] = ["x" * (7 * index % 4000) for index in range(1000)]
        file["gone"] = ["y" * 100] * 100
        lists = file.create_dataset("numbers", (50,), h5py.vlen_dtype("f8"))
        lists[:] = np.array([np.ones(index) for index in range(1, 51)], dtype=object)
        file.attrs["note"] = "ü" * 20_000
        # leaves free room in its heaps
        del file["gone"]
    data = stream.getvalue()

    assert data.count(b"GCOL") > 20
    assert heap_fault(stream) is None


@pytest.mark.parametrize("block_bytes", [5, 7, 64, 1000])
def test_one_is_found_wherever_blocks_end(monkeypatch: pytest.MonkeyPatch, block_bytes: int) -> None:
    monkeypatch.setattr(heaps, "_BLOCK_BYTES", block_bytes)
    for before in range(20):
        data = bytes(before) + heap((1, 8), (0, 0))[:40] + bytes(20)

        assert heap_fault(io.BytesIO(data)) == f"a damaged heap of variable-length values, at byte {before}"


@pytest.mark.parametrize(
    ("data", "fault"),
    [
        (b"", None),
        (b"GCOL", None),
        # another version, which the library refuses by itself
        (b"GCOL\x02" + bytes(40), None),
        (heap((1, 5), (2, 16), (0, 32)), None),
        # the rest is too small for an object
        (heap((1, 8)) + bytes(8), None),
        (heap((1, 8), size=48) + bytes(8), None),
        (heap((1, 8))[:-1], "cut short, at byte 0"),
        (heap((1, 8), size=2**63), "cut short"),
        (heap((1, 8), size=0), "cut short"),
        # free room of no size: the walk would stand still
        (heap()[:8] + struct.pack("<Q", 32) + bytes(16), "damaged"),
        # the size rounds up to nothing
        (heap()[:8] + struct.pack("<QHHIQ", 32, 1, 1, 0, 2**64 - 15), "damaged"),
        (heap((1, 8))[:-16] + struct.pack("<Q", 16) + bytes(8), "damaged"),
    ],
)
def test_walks_that_end_and_walks_that_do_not(data: bytes, fault: str | None) -> None:
    found = heap_fault(io.BytesIO(data))

    assert found is None if fault is None else fault in str(found)


def test_walks_are_limited(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(heaps, "MAX_OBJECTS", 5)

    assert heap_fault(io.BytesIO(2 * heap((1, 0), (2, 0)))) is None
    assert heap_fault(io.BytesIO(3 * heap((1, 0), (2, 0)))) == "more than 5 variable-length values"
