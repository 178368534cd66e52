"""The field file: exact round trip, same bytes for the same field, and refusal of anything else."""

from __future__ import annotations

import io
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from fieldproc.errors import SessionError, UsageError
from fieldproc.records import Expansion, Quality, ReferenceAxis
from fieldproc.results import field_bytes, read_field

CONTEXT = {"drive_voltage_v": 2.83, "session_sha256": "ab" * 32, "title": "Küchenregal № 2", "latency_s": np.nan}
AXIS = ReferenceAxis(origin_m=np.array([0.1, 0.0, -1 / 3]))


def expansion(seed: int = 1, regular_order: int = 1) -> Expansion:
    rng = np.random.default_rng(seed)
    frequencies, channels, points = 5, 2, 7

    def complexes(columns: int) -> np.ndarray:
        return rng.normal(size=(frequencies, channels, columns, 2)).view(complex)[..., 0]

    sizes = {"frequency": frequencies, "channel": channels, "point": points}
    quality: dict[str, Any] = {
        name: rng.normal(size=[sizes[axis] for axis in axes]) for name, axes in Quality.AXES.items()
    }
    quality["verdict"] = rng.integers(0, 3, (frequencies, channels))
    quality["condition"][2] = np.inf
    quality["residual_db"][0, 1] = np.nan
    return Expansion(
        frequency_hz=np.geomspace(20, 20000, frequencies),
        outgoing=complexes(9),
        regular=complexes((regular_order + 1) ** 2),
        outgoing_order=np.array([0, 1, 1, 2, 2]),
        regular_order=np.full(frequencies, regular_order),
        origin_m=rng.normal(size=(frequencies, 3)),
        acoustic_center_m=rng.normal(size=(frequencies, 3)),
        sound_speed_m_per_s=343.2,
        air_density_kg_per_m3=1.204,
        source_radius_m=0.25,
        channel_names=("woofer", "Hochtöner"),
        quality=Quality(**quality),
        absorption_db_per_m=rng.normal(size=frequencies),
        notices=("temperature not stated: 20 degrees taken",),
    )


def written(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "field.h5"
    path.write_bytes(data)
    return path


def changed(change: Any) -> bytes:
    """The good file with ``change(file)`` done to it."""
    buffer = io.BytesIO(field_bytes(expansion(), AXIS, CONTEXT))
    with h5py.File(buffer, "r+", libver=("v110", "v110")) as file:
        change(file)
    return buffer.getvalue()


@pytest.mark.parametrize("regular_order", [1, -1], ids=["separated", "outgoing only"])
def test_round_trip_is_exact(tmp_path: Path, regular_order: int) -> None:
    before = expansion(regular_order=regular_order)
    after, axis, context = read_field(written(tmp_path, field_bytes(before, AXIS, CONTEXT)))
    for record, twin, kind in ((before, after, Expansion), (before.quality, after.quality, Quality)):
        for name in [field.name for field in fields(kind) if field.name != "quality"]:
            np.testing.assert_array_equal(getattr(twin, name), getattr(record, name))
        for name in kind.AXES:
            assert getattr(twin, name).dtype == getattr(record, name).dtype
    for name in ReferenceAxis.AXES:
        np.testing.assert_array_equal(getattr(axis, name), getattr(AXIS, name))
    assert np.isnan(context.pop("latency_s"))
    assert context == {name: value for name, value in CONTEXT.items() if name != "latency_s"}


def test_absorption_that_is_not_known_stays_so(tmp_path: Path) -> None:
    after, _, _ = read_field(written(tmp_path, field_bytes(replace(expansion(), absorption_db_per_m=None), AXIS, {})))
    assert after.absorption_db_per_m is None


def test_no_notices_and_no_context(tmp_path: Path) -> None:
    before = replace(expansion(), notices=())
    after, _, context = read_field(written(tmp_path, field_bytes(before, AXIS, {})))
    assert after.notices == ()
    assert context == {}


def test_same_field_same_bytes() -> None:
    reordered = dict(reversed(CONTEXT.items()))
    assert field_bytes(expansion(), AXIS, CONTEXT) == field_bytes(expansion(), AXIS, reordered)
    assert field_bytes(expansion(), AXIS, CONTEXT) != field_bytes(expansion(seed=2), AXIS, CONTEXT)


def test_everything_is_checksummed_and_of_fixed_length() -> None:
    data = field_bytes(expansion(), AXIS, CONTEXT)
    seen = []

    def check(name: str, item: h5py.Group | h5py.Dataset) -> None:
        for attribute in item.attrs:
            # Variable-length text would be of kind O.
            assert item.attrs.get_id(attribute).dtype.kind in "Sf", attribute
        if isinstance(item, h5py.Dataset):
            seen.append(name)
            assert item.fletcher32, name

    with h5py.File(io.BytesIO(data), "r") as file:
        assert file.attrs["schema"].decode() == "spherical-field"
        assert file.attrs["schema_version"].decode() == "1.0"
        file.visititems(check)
    # Signature of a version 2 object header, the kind that carries a checksum; version 1 has none.
    assert data.count(b"OHDR") >= len(seen)
    assert {"outgoing", "regular", "quality/verdict", "axis/origin_m", "channel_names"} <= set(seen)


def test_flipped_bits_never_give_other_numbers(tmp_path: Path) -> None:
    good = field_bytes(expansion(), AXIS, CONTEXT)
    rng = np.random.default_rng(7)
    refused = 0
    for position in rng.integers(0, len(good), 120):
        data = bytearray(good)
        data[position] ^= 1 << int(rng.integers(0, 8))
        path = written(tmp_path, bytes(data))
        try:
            found, axis, context = read_field(path)
        except SessionError:
            refused += 1
            continue
        # Padding that nothing reads may change.
        assert field_bytes(found, axis, context) == good
    assert refused > 60


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda file: file.__delitem__("outgoing"), "outgoing: found no such dataset"),
        (lambda file: file.__delitem__("quality/condition"), "quality/condition: found no such dataset"),
        (lambda file: file.__delitem__("context"), "context: found no such group"),
        (lambda file: file.attrs.__delitem__("source_radius_m"), "attribute source_radius_m: found nothing"),
        (lambda file: file.attrs.__setitem__("schema", np.bytes_("pressure-scan")), "pressure-scan 1.0"),
        (lambda file: file.attrs.__setitem__("schema_version", np.bytes_("9.0")), "spherical-field 9.0"),
        (lambda file: file.attrs.__setitem__("schema", "variable length"), "fixed-length text"),
    ],
    ids=["array", "quality", "context", "scalar", "other schema", "other version", "variable-length text"],
)
def test_what_is_missing_or_wrong_is_named(tmp_path: Path, change: Any, message: str) -> None:
    path = written(tmp_path, changed(change))
    with pytest.raises(SessionError, match=message):
        read_field(path)


def _replace(name: str, **creation: Any) -> Any:
    def change(file: h5py.File) -> None:
        del file[name]
        file.create_dataset(name, **creation)

    return change


def _link(file: h5py.File) -> None:
    del file["frequency_hz"]
    file["frequency_hz"] = h5py.ExternalLink("elsewhere.h5", "/frequency_hz")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (_replace("frequency_hz", data=np.ones(5)), "frequency_hz: found no checksum"),
        (_replace("frequency_hz", shape=(10**13,), dtype="f8", chunks=(1024,), fletcher32=True), "bytes"),
        (_replace("frequency_hz", shape=(5,), dtype="f8", chunks=(5,), fletcher32=True), "parts missing"),
        (_replace("frequency_hz", data=np.ones(5), chunks=(5,), fletcher32=True, compression=9), "no checksum"),
        (_replace("frequency_hz", data=np.ones(5, "f4"), chunks=(5,), fletcher32=True), "another type"),
        (_replace("frequency_hz", data=np.ones(4), chunks=(4,), fletcher32=True), "frequency=4"),
        (_replace("outgoing_order", data=np.full(5, 3), chunks=(5,), fletcher32=True), "outgoing_order up to 3"),
        (_link, "frequency_hz: found no such dataset"),
    ],
    ids=["unchecked", "huge", "never written", "compressed", "float32", "clash", "order", "external link"],
)
def test_hostile_datasets_are_refused(tmp_path: Path, change: Any, message: str) -> None:
    path = written(tmp_path, changed(change))
    with pytest.raises(SessionError, match=message):
        read_field(path)


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    def change(file: h5py.File) -> None:
        del file["outgoing"]
        del file["axis/up"]

    with pytest.raises(SessionError) as caught:
        read_field(written(tmp_path, changed(change)))
    assert [problem.where for problem in caught.value.problems] == ["outgoing", "axis/up"]


def test_other_files(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        read_field(tmp_path / "field.h5")
    with pytest.raises(SessionError, match="unreadable HDF5"):
        read_field(written(tmp_path, b"frequency_hz,level_db\n"))
    good = field_bytes(expansion(), AXIS, CONTEXT)
    with pytest.raises(SessionError, match="unreadable HDF5"):
        read_field(written(tmp_path, good[: len(good) // 2]))
