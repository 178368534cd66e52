"""What the guard refuses beyond the files of fixtures/broken: forms that no honest writer needs."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from fieldproc.errors import UsageError
from fieldproc.session import check, guard, storage

WriteScan = Callable[..., Path]
Edit = Callable[[h5py.File], object]
POINTS = 5


def replace(path: str, **options: Any) -> Edit:
    """A dataset made anew, with the options of h5py."""

    def edit(file: h5py.File) -> None:
        if path in file:
            del file[path]
        file.create_dataset(path, **options).attrs["units"] = "m"

    return edit


def set_attribute(path: str, name: str, value: Any) -> Edit:
    return lambda file: file[path].attrs.__setitem__(name, value)


@pytest.mark.parametrize(
    ("edit", "where", "found"),
    [
        (set_attribute("/", "title", np.array([b"a", b"b"])), "/@title", "an array"),
        (set_attribute("/", "title", "x" * 65537), "/@title", "a longer text"),
        (
            set_attribute("/impulse_response", "sampling_rate_hz", 48000 + 1j),
            "/impulse_response@sampling_rate_hz",
            "a value of an unusual type",
        ),
        (set_attribute("/positions", "units", h5py.Empty("S1")), "/positions@units", '""'),
        (replace("/channel", data=h5py.Empty("f8")), "/channel", "without values"),
        (replace("/channel", data=np.array([b"x"], dtype="S65537")), "/channel", "a longer text"),
        (replace("/channel", data=np.full(300, b"x", dtype="S60000")), "/channel", "too much text"),
        (replace("/channel", data=np.array(["x" * 65537], dtype=object)), "/channel", "a longer text"),
        (
            replace("/positions", shape=(POINTS, 3), maxshape=(None, 3), chunks=(3_000_000, 3), dtype="f8"),
            "/positions",
            "chunks of 72000000 bytes",
        ),
        (lambda file: file.__setitem__("air", 1.0), "/air", "no group"),
    ],
)
def test_odd_forms_are_refused(write_scan: WriteScan, edit: Edit, where: str, found: str) -> None:
    path = write_scan()
    with h5py.File(path, "a") as file:
        edit(file)

    problems = check(path)

    assert [problem.where for problem in problems] == [where]
    assert found in problems[0].found


def test_values_that_expand_beyond_measure_are_refused(
    write_scan: WriteScan, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_scan()
    with h5py.File(path, "a") as file:
        del file["impulse_response"]
        response = file.create_dataset(
            "impulse_response", data=np.zeros((1, POINTS, 40000)), compression="gzip", chunks=(1, POINTS, 40000)
        )
        response.attrs.update({"units": "Pa/V", "sampling_rate_hz": 48000.0})

    assert check(path) == []
    monkeypatch.setattr(storage, "EXPANSION_FREE_BYTES", 1_000_000)
    assert [problem.required for problem in check(path)] == ["at most 200 times"]


def test_the_size_of_all_datasets_together_is_capped(write_scan: WriteScan, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_scan()
    with h5py.File(path) as file:
        responses_bytes = file["impulse_response"].nbytes
    original = guard.Source
    # enough for either of the two, and not for both
    monkeypatch.setattr(guard, "Source", lambda *facts: original(*facts, bytes_left=responses_bytes + POINTS))

    assert [problem.where for problem in check(path)] == ["/impulse_response"]


def test_a_list_of_unknown_names_is_cut(write_scan: WriteScan) -> None:
    path = write_scan({f"/x{index:04d}": 0 for index in range(1200)})

    with guard.open_source(path) as source:
        children, _ = guard.list_names(source, "/")

    assert len(children) == guard.MAX_NAMES


def test_a_file_that_may_not_be_read_is_a_clear_refusal(write_scan: WriteScan) -> None:
    path = write_scan()
    path.chmod(0)
    user = os.geteuid()
    # mode bits mean nothing to the superuser
    if user == 0:
        os.seteuid(65534)
    try:
        with pytest.raises(UsageError, match=r"scan\.h5: cannot be opened \(Permission denied\)"):
            check(path)
    finally:
        os.seteuid(user)


def test_two_chunks_in_one_place_are_refused(write_scan: WriteScan) -> None:
    """Patched in the index, which bears no checksum in files of this version."""
    path = write_scan()
    with h5py.File(path, "a", libver="earliest") as file:
        responses = file["impulse_response"]
        values, kept = responses[()], dict(responses.attrs)
        del file["impulse_response"]
        made = file.create_dataset("impulse_response", data=values, chunks=(1, POINTS, 8))
        made.attrs.update(kept)
        first, second = (made.id.get_chunk_info(index).byte_offset for index in range(2))
    data = path.read_bytes()
    place = data.index(second.to_bytes(8, "little"), data.index(b"TREE\x01"))
    path.write_bytes(data[:place] + first.to_bytes(8, "little") + data[place + 8 :])

    assert [problem.where for problem in check(path)] == ["/impulse_response"]


def test_no_place_of_a_directivity_is_beyond_a_room(tmp_path: Path) -> None:
    """Numbers that overflow when squared, as damage makes them."""
    path = tmp_path / "far.sofa"
    with h5py.File(path, "w") as file:
        file.attrs.update({"Conventions": "SOFA", "SOFAConventions": "GeneralFIR"})
        file["Data.IR"], file["Data.SamplingRate"] = np.ones((1, 2, 8)), [48000.0]
        file["Data.SamplingRate"].attrs["Units"] = "hertz"
        file["ReceiverPosition"] = [[1e300, 0.0, 0.0], [0.0, 1.0, 0.0]]
        file["ReceiverPosition"].attrs.update({"Type": "cartesian", "Units": "metre"})

    assert [str(problem) for problem in check(path)] == [
        "/ReceiverPosition: found a coordinate of 1e+300 m; required at most 100 m; fix: export the file again"
    ]


def test_a_file_of_holes_is_refused_before_it_is_read(write_scan: WriteScan) -> None:
    path = write_scan()
    os.truncate(path, 1 << 40)

    (problem,) = check(path)

    assert problem.where == "/"


def test_a_long_text_of_fixed_length(write_scan: WriteScan, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_scan()
    with h5py.File(path, "a") as file:
        del file.attrs["title"]
        file.attrs["title"] = np.bytes_(b"x" * 5000)
    monkeypatch.setattr(guard, "MAX_TEXT_BYTES", 4999)

    assert [(problem.where, problem.found) for problem in check(path)] == [("/@title", "a longer text")]


def test_addresses_of_another_size(tmp_path: Path) -> None:
    plan = h5py.h5p.create(h5py.h5p.FILE_CREATE)
    plan.set_sizes(4, 4)
    path = tmp_path / "small.h5"
    h5py.h5f.create(os.fsencode(path), fcpl=plan).close()

    assert [problem.required for problem in check(path)] == ["eight bytes each"]


def test_a_damaged_heap(write_scan: WriteScan) -> None:
    path = write_scan()
    with h5py.File(path, "a") as file:
        file["texts"] = ["a note"]
    data = bytearray(path.read_bytes())
    # the size of the first object, after the heap's own head and half of the object's
    place = data.rindex(b"GCOL") + 16 + 8
    data[place : place + 8] = bytes(8)
    path.write_bytes(data)

    (problem,) = check(path)

    assert problem.required == "an undamaged HDF5 file"


def failing(*_: object) -> None:
    raise RuntimeError("object header cannot be decoded")


@pytest.mark.parametrize("step", ["h5a.open", "h5a.iterate"])
def test_what_the_library_refuses_names_the_object(
    write_scan: WriteScan, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    path = write_scan()
    monkeypatch.setattr(guard, "h5a", Failing(step.partition(".")[2]))

    problems = check(path)

    assert problems
    assert all("object header cannot be decoded" in problem.found for problem in problems)


class Failing:
    """The library's attributes, one of whose functions fails."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, name: str) -> Any:
        return failing if name == self._name else getattr(h5py.h5a, name)
