"""Files made to harm, or to look so, and the process that reads them: ``python -m fuzz.gallery FOLDER``.

``write_gallery`` makes them. Run as a script, every file goes through the command ``check`` and, in a process of its
own that is measured, through the reader; standard output is JSON of name to what came of it.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import os
import socket
import struct
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from h5py import h5d, h5p, h5s, h5t

Build = Callable[[Path], None]
Edit = Callable[[h5py.File], object]

POINTS, SAMPLES = 6, 16
CANARY = b"canary-7f3e"
# Refused by the file's rules, refused before it is opened, nothing wrong.
REFUSED, USAGE, SOUND = 4, 2, 0


def scan(edit: Edit = lambda _: None, **options: Any) -> Build:
    """A sound scan, edited."""

    def build(path: Path) -> None:
        generator = np.random.default_rng(3)
        with h5py.File(path, "w", **options) as file:
            file.attrs.update({"schema": "pressure-scan", "schema_version": "1.0", "title": "t", "device": "d"})
            file["positions"] = 0.3 + generator.random((POINTS, 3))
            file["positions"].attrs["units"] = "m"
            file["impulse_response"] = generator.normal(size=(1, POINTS, SAMPLES))
            file["impulse_response"].attrs.update({"units": "Pa/V", "sampling_rate_hz": 48000.0})
            edit(file)

    return build


def replaced(name: str, *arguments: Any, **options: Any) -> Build:
    """A dataset made anew by ``create_dataset``."""

    def edit(file: h5py.File) -> None:
        kept = dict(file[name].attrs) if name in file else {}
        if name in file:
            del file[name]
        file.create_dataset(name, *arguments, **options).attrs.update(kept)

    return scan(edit)


def linked(name: str, target: Any) -> Build:
    """A link in place of an object; the target may depend on the file."""

    def edit(file: h5py.File) -> None:
        if name in file:
            del file[name]
        file[name] = target(file) if callable(target) else target

    return scan(edit)


def beside(file: h5py.File, name: str) -> str:
    """Another file of the same folder."""
    return str(Path(file.filename).parent / name)


def attribute(owner: str, name: str, value: Any, **options: Any) -> Build:
    """An attribute made anew."""
    return scan(lambda file: file[owner].attrs.create(name, value, **options))


def typed(name: str, kind: Callable[[], h5t.TypeID], shape: tuple[int, ...] = (POINTS, 3)) -> Build:
    """A dataset of a type that h5py would not make; nothing is written."""

    def edit(file: h5py.File) -> None:
        if name in file:
            del file[name]
        group, _, own = name.rpartition("/")
        h5d.create(file.require_group(group or "/").id, own.encode(), kind(), h5s.create_simple(shape))

    return scan(edit)


def filtered(*filters: tuple[int, int, tuple[int, ...]]) -> Build:
    """Responses under filters given by number, flags and values; nothing is written, so none need exist."""

    def edit(file: h5py.File) -> None:
        del file["impulse_response"]
        plan = h5p.create(h5p.DATASET_CREATE)
        plan.set_chunk((1, POINTS, SAMPLES))
        for code, flags, values in filters:
            plan.set_filter(code, flags, values)
        space = h5s.create_simple((1, POINTS, SAMPLES))
        h5d.create(file.id, b"impulse_response", h5t.IEEE_F64LE, space, plan)

    return scan(edit)


def virtual(file: h5py.File) -> None:
    """Positions that are those of another file."""
    del file["positions"]
    layout = h5py.VirtualLayout((POINTS, 3), "f8")
    layout[:] = h5py.VirtualSource(beside(file, "canary.h5"), "positions", (POINTS, 3))
    file.create_virtual_dataset("positions", layout)


def odd_complex() -> h5t.TypeID:
    """Real and imaginary parts of 80 bits in a record of 16 bytes: numpy's idea of it is larger."""
    part = h5t.IEEE_F64LE.copy()
    part.set_precision(64)
    part.set_size(8)
    part.set_fields(60, 48, 12, 0, 48)
    part.set_ebias(2047)
    whole = h5t.create(h5t.COMPOUND, 16)
    whole.insert(b"r", 0, part)
    whole.insert(b"i", 8, part)
    return whole


def nested(depth: int) -> Build:
    """Groups in groups."""

    def edit(file: h5py.File) -> None:
        group = file.id
        for _ in range(depth):
            group = h5py.h5g.create(group, b"g")

    return scan(edit, libver="latest")


def bomb(path: Path) -> None:
    """300 MB of zeros in 0.3 MB, chunk by chunk the same deflated bytes."""
    rows, chunks = 2**18, 24

    def edit(file: h5py.File) -> None:
        kept = dict(file["impulse_response"].attrs)
        del file["impulse_response"]
        response = file.create_dataset(
            "impulse_response", (1, POINTS, rows * chunks), "f8", chunks=(1, POINTS, rows), compression="gzip"
        )
        response.attrs.update(kept)
        for index in range(chunks):
            response.id.write_direct_chunk((0, 0, index * rows), packed)

    packed = zlib.compress(bytes(8 * POINTS * rows))
    scan(edit)(path)


def chunk_cut_short(file: h5py.File) -> None:
    """A chunk that says that no filter made it, and is too small for that."""
    del file["positions"]
    positions = file.create_dataset("positions", (POINTS, 3), "f8", chunks=(POINTS, 3), compression="gzip")
    positions.attrs["units"] = "m"
    positions.id.write_direct_chunk((0, 0), zlib.compress(bytes(144)), filter_mask=1)


def one_text_shared(path: Path) -> None:
    """A thousand names, each the same 60,000 letters: every reference is overwritten by the first."""
    names = ["x" * 60_000, *(f"n{index}" for index in range(999))]
    replaced("channel", data=names, dtype=h5py.string_dtype())(path)
    with h5py.File(path) as file:
        place = file["channel"].id.get_offset()
    data = bytearray(path.read_bytes())
    data[place : place + 16_000] = data[place : place + 16] * 1000
    path.write_bytes(data)


def patched(build: Build, signature: bytes, offset: int, new: bytes) -> Build:
    """Bytes overwritten at an offset from the first place of a signature."""

    def rebuilt(path: Path) -> None:
        build(path)
        data = bytearray(path.read_bytes())
        place = data.index(signature) + offset
        data[place : place + len(new)] = new
        path.write_bytes(data)

    return rebuilt


def many_values(path: Path) -> None:
    """Heaps full of nothing: each of 65,536 objects without a value."""
    heap = b"GCOL\x01\0\0\0" + struct.pack("<Q", 16 + 16 * 65536) + struct.pack("<HH4xQ", 1, 1, 0) * 65536
    scan()(path)
    path.write_bytes(path.read_bytes() + heap * 16)


def small_sizes(path: Path) -> None:
    """Addresses and sizes of four bytes."""
    plan = h5p.create(h5p.FILE_CREATE)
    plan.set_sizes(4, 4)
    h5py.File(h5py.h5f.create(os.fsencode(path), h5py.h5f.ACC_TRUNC, plan)).close()


def sparse(build: Build, size: int) -> Build:
    """A file that claims a size and stores next to nothing."""

    def enlarged(path: Path) -> None:
        build(path)
        os.truncate(path, size)

    return enlarged


def listening(path: Path) -> None:
    """The door of a process."""
    here = Path.cwd()
    os.chdir(path.parent)
    with socket.socket(socket.AF_UNIX) as door:
        door.bind(path.name)
    os.chdir(here)


def link_to(target: str) -> Build:
    """A symbolic link of the file system."""
    return lambda path: path.symlink_to(target)


def bytes_of(data: bytes) -> Build:
    """These bytes."""
    return lambda path: path.write_bytes(data) and None


HEAP_TEXTS = replaced("channel", data=["full range"], dtype=h5py.string_dtype())
ELSEWHERE = [("canary.bin", 0, POINTS * 24)]

# name: (what to build, exit code, what the line must name, what it must say)
GALLERY: dict[str, tuple[Build, int, str, str]] = {
    "external_link": (
        linked("positions", lambda file: h5py.ExternalLink(beside(file, "canary.h5"), "/positions")),
        REFUSED,
        "/positions",
        "object of this file",
    ),
    "external_group": (
        linked("air", lambda file: h5py.ExternalLink(beside(file, "canary.h5"), "/")),
        REFUSED,
        "/air",
        "object of this file",
    ),
    "external_link_to_pipe": (
        linked("valid", lambda file: h5py.ExternalLink(beside(file, "canary.pipe"), "/valid")),
        REFUSED,
        "/valid",
        "object of this file",
    ),
    "soft_link_to_external": (
        scan(
            lambda file: (
                file.move("positions", "p"),
                file.__setitem__("q", h5py.ExternalLink("canary.h5", "/positions")),
                file.__setitem__("positions", h5py.SoftLink("/q")),
            )
        ),
        REFUSED,
        "/positions",
        "object of this file",
    ),
    "soft_loop": (linked("positions", h5py.SoftLink("/positions")), REFUSED, "/positions", "object of this file"),
    "soft_dangling": (linked("surface", h5py.SoftLink("/nothing")), REFUSED, "/surface", "object of this file"),
    "hard_cycle": (linked("positions", lambda file: file["/"]), REFUSED, "/positions", "dataset"),
    "external_storage": (
        replaced("positions", (POINTS, 3), "f8", external=ELSEWHERE),
        REFUSED,
        "/positions",
        "values in this file",
    ),
    "external_storage_of_noise": (
        replaced("surface", (POINTS,), "i8", external=[("canary.bin", 0, 48)]),
        REFUSED,
        "/surface",
        "values in this file",
    ),
    "virtual_dataset": (scan(virtual, libver="latest"), REFUSED, "/positions", "values in this file"),
    "named_type": (linked("positions", lambda _: np.dtype("f8")), REFUSED, "/positions", "a dataset"),
    "rank_32": (replaced("positions", data=np.zeros((1,) * 32)), REFUSED, "/positions", "shape (point, xyz=3)"),
    "text_of_2_gigabytes": (typed("channel", lambda: _text_type(2**31 - 1), (1,)), REFUSED, "/channel", "65536"),
    "unit_of_64_kilobytes": (
        attribute("positions", "units", np.bytes_(b"m" * 64000)),
        REFUSED,
        "/positions@units",
        '"m" or "cm" or "mm"',
    ),
    "unit_is_a_reference": (
        scan(lambda file: file["positions"].attrs.create("units", file["positions"].ref, dtype=h5py.ref_dtype)),
        REFUSED,
        "/positions@units",
        "text or a number",
    ),
    "unit_is_a_region": (
        scan(
            lambda file: file["positions"].attrs.create(
                "units", file["positions"].regionref[0:2], dtype=h5py.regionref_dtype
            )
        ),
        REFUSED,
        "/positions@units",
        "text or a number",
    ),
    "title_of_many_texts": (
        attribute("/", "title", ["x"] * 1000, dtype=h5py.string_dtype()),
        REFUSED,
        "/@title",
        "one text",
    ),
    "positions_are_references": (typed("positions", lambda: h5t.STD_REF_OBJ), REFUSED, "/positions", "IEEE float"),
    "positions_are_regions": (typed("positions", lambda: h5t.STD_REF_DSETREG), REFUSED, "/positions", "IEEE float"),
    "positions_are_bits": (typed("positions", lambda: h5t.STD_B64LE), REFUSED, "/positions", "IEEE float"),
    "positions_are_times": (typed("positions", lambda: h5t.UNIX_D64LE), REFUSED, "/positions", "IEEE float"),
    "positions_are_opaque": (typed("positions", lambda: h5t.create(h5t.OPAQUE, 8)), REFUSED, "/positions", "IEEE"),
    "positions_are_arrays": (
        typed("positions", lambda: h5t.array_create(h5t.IEEE_F64LE, (3,)), (POINTS,)),
        REFUSED,
        "/positions",
        "IEEE float",
    ),
    "positions_are_80_bits": (typed("positions", lambda: h5t.NATIVE_LDOUBLE), REFUSED, "/positions", "IEEE float"),
    "valid_is_an_enumeration": (
        typed("valid", lambda: h5t.py_create(h5py.enum_dtype({"NO": 0, "YES": 7}, "i1"), logical=True), (POINTS,)),
        REFUSED,
        "/valid",
        "boolean",
    ),
    "response_of_odd_complex": (
        typed("impulse_response", odd_complex, (1, POINTS, SAMPLES)),
        REFUSED,
        "/impulse_response",
        "complex (r, i)",
    ),
    "responses_of_any_length": (
        replaced("impulse_response", (1, POINTS, 1), h5py.vlen_dtype("f8")),
        REFUSED,
        "/impulse_response",
        "IEEE float",
    ),
    "filter_unknown": (filtered((32015, 1, ())), REFUSED, "/impulse_response", "deflate, shuffle, fletcher32"),
    "filter_scale_offset": (filtered((6, 0, (2, 0))), REFUSED, "/impulse_response", "deflate, shuffle"),
    "filter_bits": (filtered((5, 0, ())), REFUSED, "/impulse_response", "deflate, shuffle"),
    "filter_lzf": (
        replaced("impulse_response", data=np.zeros((1, POINTS, 99)), compression="lzf"),
        REFUSED,
        "/impulse_response",
        "deflate, shuffle",
    ),
    "filter_checksum_twice": (filtered((3, 0, ()), (3, 0, ())), REFUSED, "/impulse_response", "at most once"),
    "filter_deflate_thrice": (
        filtered((1, 1, (9,)), (1, 1, (9,)), (1, 1, (9,))),
        REFUSED,
        "/impulse_response",
        "at most once",
    ),
    "bomb": (bomb, REFUSED, "/impulse_response", "at most 200 times"),
    "chunks_by_the_billion": (
        replaced("impulse_response", (1, POINTS, 2**28), "f4", chunks=(1, 1, 1)),
        REFUSED,
        "/impulse_response",
        "all values",
    ),
    "chunk_cut_short": (scan(chunk_cut_short), REFUSED, "/positions", "all values"),
    "ten_exabytes": (
        replaced("noise/impulse_response", (1, 2**40, 2**20), "f8", chunks=(1, 1, 64)),
        REFUSED,
        "/noise/impulse_response",
        "at most 16 GiB",
    ),
    "one_text_shared": (one_text_shared, REFUSED, "/channel", "at most 16777216 bytes"),
    # the library would walk this heap for ever
    "heap_without_end": (patched(HEAP_TEXTS, b"GCOL", 16, bytes(16)), REFUSED, "/", "undamaged"),
    "heap_overflowing": (
        patched(HEAP_TEXTS, b"GCOL", 24, struct.pack("<Q", 2**64 - 16)),
        REFUSED,
        "/",
        "undamaged",
    ),
    "heap_beyond_the_file": (
        patched(HEAP_TEXTS, b"GCOL", 8, struct.pack("<Q", 2**40)),
        REFUSED,
        "/",
        "undamaged",
    ),
    "values_by_the_million": (many_values, REFUSED, "/", "undamaged"),
    "sizes_of_four_bytes": (small_sizes, REFUSED, "/", "eight bytes"),
    "superblock_99": (patched(scan(), b"\x89HDF", 8, b"\x63"), REFUSED, "/", "whole HDF5 file"),
    "end_beyond_the_file": (
        patched(scan(libver="earliest"), b"\x89HDF", 40, struct.pack("<Q", 2**50)),
        REFUSED,
        "/",
        "whole HDF5 file",
    ),
    "another_format": (bytes_of(b"PK\x03\x04" + bytes(500)), REFUSED, "/", "whole HDF5 file"),
    "terabyte_of_holes": (sparse(scan(), 2**40), REFUSED, "/", "at most 200 times"),
    "terabyte_of_nothing": (sparse(bytes_of(b""), 2**40), REFUSED, "/", "at most 200 times"),
    "pipe": (os.mkfifo, REFUSED, "/", "an HDF5 file"),
    "door": (listening, USAGE, "door", "give an existing file"),
    "zeros_of_the_kernel": (link_to("/dev/zero"), REFUSED, "/", "an HDF5 file"),
    "folder": (Path.mkdir, USAGE, "folder", "no scan files"),
    "link_to_nothing": (link_to("nowhere.h5"), USAGE, "link_to_nothing", "give an existing file"),
    "link_in_a_circle": (link_to("link_in_a_circle"), USAGE, "link_in_a_circle", "give an existing file"),
    # no harm in them
    "link_to_a_scan": (link_to("user_block"), SOUND, "", "no faults found"),
    "user_block": (scan(userblock_size=512), SOUND, "", "no faults found"),
    "nested_groups": (nested(2000), SOUND, "/g", "no faults found"),
    "wide_group": (
        scan(lambda file: [file.id.links.create_soft(f"n{i}".encode(), b"x") for i in range(20_000)]),
        SOUND,
        " more",
        "no faults found",
    ),
    "group_in_itself": (linked("air", lambda file: file["/"]), SOUND, "/air/positions", "no faults found"),
    "names_with_controls": (
        scan(lambda file: [file.create_group(f"a{i}{c}fieldproc: x") for i, c in enumerate("\n\x1b\u202e\x9b\r=")]),
        SOUND,
        "/a0\\nfieldproc: x",
        "no faults found",
    ),
}


def _text_type(size: int) -> h5t.TypeID:
    kind = h5t.C_S1.copy()
    kind.set_size(size)
    return kind


def write_gallery(folder: Path) -> None:
    """Every file, and the canaries that none of them may lead to."""
    os.mkfifo(folder / "canary.pipe")
    (folder / "canary.bin").write_bytes(CANARY * 100)
    with h5py.File(folder / "canary.h5", "w") as file:
        file["positions"] = np.frombuffer(CANARY * 100, dtype=np.uint8)[: POINTS * 24].view("f8").reshape(POINTS, 3)
    for name, (build, *_) in GALLERY.items():
        build(folder / name)


def main() -> None:
    """Every file, by the command ``check`` in a forked process, which is measured."""
    # all that the command imports late, so that no child has to
    from fieldproc.cli import scans
    from fieldproc.cli.talk import complain
    from fieldproc.errors import FieldprocError

    # what the command imports late, so that no child has to
    for late in ("fieldproc.batch", "fieldproc.session"):
        importlib.import_module(late)
    folder = Path(sys.argv[1])
    told = {}
    for name in GALLERY:
        heard = folder / f"{name}.heard"
        start = time.perf_counter()
        child = os.fork()
        if child == 0:
            code = 70
            try:
                with (
                    heard.open("w") as stream,
                    contextlib.redirect_stdout(stream),
                    contextlib.redirect_stderr(stream),
                ):
                    try:
                        code = scans.check(argparse.Namespace(inputs=[folder / name]))
                    except FieldprocError as error:
                        complain(str(error))
                        code = error.exit_code
            finally:
                os._exit(code)
        _, status, usage = os.wait4(child, 0)
        told[name] = {
            "code": os.waitstatus_to_exitcode(status),
            "seconds": time.perf_counter() - start,
            "bytes": usage.ru_maxrss * 1024,
            "output": heard.read_text(),
        }
    json.dump(told, sys.stdout)


if __name__ == "__main__":
    main()
