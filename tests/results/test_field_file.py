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
from fieldproc.records import Deviations, Expansion, Quality, ReferenceAxis
from fieldproc.results import field_bytes, field_file, read_field

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
        points_m=rng.normal(size=(11, 3)),
        notices=("temperature not stated: 20 degrees taken",),
    )


# Coefficients of every frequency of the expansion; the third has no fit, the fourth only the first three vectors.
COUNTS = (1, 4, 0, 4, 9)
CAUSES = ("apparatus 0", "Verzögerung")
DRAWS = 4


def deviations(draws: int = DRAWS) -> Deviations:
    """As a run has them: complex numbers of single precision, rows of their own length."""
    rng = np.random.default_rng(5)
    whole = rng.normal(size=(5, 2, draws + len(CAUSES), 9, 2)).astype(np.float32).view(np.complex64)[..., 0]
    vectors = (None, None, 0, draws - 1, None)
    rows = tuple(row[:, :some, :count] for row, some, count in zip(whole, vectors, COUNTS, strict=True))
    return Deviations(rows, tuple(row[:, :, :1] for row in rows), draws, CAUSES)


def with_deviations(draws: int = DRAWS) -> Expansion:
    return replace(expansion(), deviations=deviations(draws))


def written(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "field.h5"
    path.write_bytes(data)
    return path


def changed(change: Any, of: Expansion | None = None) -> bytes:
    """The good file with ``change(file)`` done to it."""
    buffer = io.BytesIO(field_bytes(expansion() if of is None else of, AXIS, CONTEXT))
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


def test_what_is_not_known_stays_so(tmp_path: Path) -> None:
    before = replace(expansion(), absorption_db_per_m=None, points_m=None)
    after, _, _ = read_field(written(tmp_path, field_bytes(before, AXIS, {})))
    assert after.absorption_db_per_m is None
    assert after.points_m is None


def test_deviations_that_were_not_asked_for_stay_so(tmp_path: Path) -> None:
    data = field_bytes(expansion(), AXIS, CONTEXT)
    assert read_field(written(tmp_path, data))[0].deviations is None
    with h5py.File(io.BytesIO(data), "r") as file:
        assert "deviations" not in file


def test_deviations_come_back_row_by_row(tmp_path: Path) -> None:
    before = deviations()
    data = field_bytes(with_deviations(), AXIS, CONTEXT)
    after = read_field(written(tmp_path, data))[0].deviations
    assert after is not None
    assert (after.draws, after.causes) == (DRAWS, CAUSES)
    vectors = DRAWS + len(CAUSES)
    assert [row.shape for row in after.outgoing] == [(2, vectors if count else 0, count) for count in COUNTS]
    for row, twin in zip(before.outgoing, after.outgoing, strict=True):
        assert twin.dtype == np.complex64
        np.testing.assert_array_equal(twin[:, : row.shape[1]], row)
        # vectors that a row lacks change nothing
        assert not twin[:, row.shape[1] :].any()
    # those of the room's waves are not kept
    assert [row.shape[2] for row in after.regular] == [0] * 5
    assert data == field_bytes(with_deviations(), AXIS, CONTEXT)
    # and what was read can be written again
    again = field_bytes(replace(expansion(), deviations=after), AXIS, CONTEXT)
    assert again == data


def test_deviations_of_a_field_without_any_fit(tmp_path: Path) -> None:
    none = np.zeros((2, 0, 0), dtype=np.complex64)
    before = replace(expansion(), deviations=Deviations((none,) * 5, (none,) * 5, DRAWS, CAUSES))
    after = read_field(written(tmp_path, field_bytes(before, AXIS, CONTEXT)))[0].deviations
    assert after is not None
    assert [row.shape for row in after.outgoing] == [(2, 0, 0)] * 5
    assert (after.draws, after.causes) == (DRAWS, CAUSES)


def test_too_many_deviations_lose_some_of_those_drawn_at_random(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """18 coefficients, 2 channels, 8 bytes: 288 a vector, and two causes stay."""
    before = deviations(draws=10)
    for most, draws in ((12 * 288, 10), (12 * 288 - 1, 9), (5 * 288, 3), (288, 1), (0, 1)):
        monkeypatch.setattr(field_file, "_MOST_DEVIATION_BYTES", most)
        after = read_field(written(tmp_path, field_bytes(with_deviations(10), AXIS, CONTEXT)))[0].deviations
        assert after is not None
        assert (after.draws, after.causes) == (draws, CAUSES)
        for row, twin in zip(before.outgoing, after.outgoing, strict=True):
            whole = np.pad(row, ((0, 0), (0, 12 - row.shape[1]), (0, 0)))
            if row.shape[2]:
                np.testing.assert_array_equal(twin, np.concatenate([whole[:, :draws], whole[:, 10:]], axis=1))


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
    data = field_bytes(with_deviations(), AXIS, CONTEXT)
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
    assert {"outgoing", "regular", "quality/verdict", "axis/origin_m", "channel_names", "deviations/outgoing"} <= set(
        seen
    )


def test_flipped_bits_never_give_other_numbers(tmp_path: Path) -> None:
    good = field_bytes(with_deviations(), AXIS, CONTEXT)
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


def _whole(shape: tuple[int, ...], dtype: str = "c8") -> Any:
    return _replace("deviations/outgoing", data=np.ones(shape, dtype), chunks=shape, fletcher32=True)


def _integers(name: str, values: list[int], dtype: str = "i8") -> Any:
    return _replace(f"deviations/{name}", data=np.array(values, dtype), chunks=(len(values),), fletcher32=True)


def _no_draws(file: h5py.File) -> None:
    del file["deviations/draws"]
    file.create_dataset("deviations/draws", data=np.zeros(0, "i8"))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda file: file.__delitem__("deviations/outgoing"), "deviations/outgoing: found no such dataset"),
        (lambda file: file.__delitem__("deviations/causes"), "deviations/causes: found no such dataset"),
        (_whole((18, 2, 6), "c16"), "deviations/outgoing: found another type"),
        (_whole((17, 2, 6)), r"shape \(17, 2, 6\), which should be \(18, 2, 6\)"),
        (_whole((18, 1, 6)), r"shape \(18, 1, 6\)"),
        (_whole((18, 2, 5)), r"shape \(18, 2, 5\)"),
        (_whole((18, 2)), r"shape \(18, 2\)"),
        (_integers("counts", [1, 4, 0, 4, 4]), r"which should be \(13, 2, 6\)"),
        (_integers("counts", [1, 4, 4, 9]), r"counts \(4,\), not 5 squares"),
        (_integers("counts", [1, 4, -1, 4, 10]), "not 5 squares"),
        (_integers("counts", [1, 3, 1, 4, 9]), "not 5 squares"),
        (_integers("counts", [1, 1, 0, 0, 16]), "squares of at most 9"),
        (_integers("counts", [1, 4, 0, 4, 9], "i4"), "deviations/counts: found another type"),
        (_integers("draws", [5]), r"which should be \(18, 2, 7\)"),
        (_integers("draws", [-2]), r"draws \[-2\]"),
        (_integers("draws", [4, 4]), r"draws \[4, 4\]"),
        (_no_draws, r"draws \[\]"),
    ],
    ids=[
        "no vectors",
        "no causes",
        "double precision",
        "too few",
        "channels",
        "vectors",
        "axes",
        "sum of counts",
        "frequencies",
        "negative count",
        "no square",
        "beyond the coefficients",
        "short integers",
        "draws",
        "negative draws",
        "several draws",
        "empty draws",
    ],
)
def test_clashing_deviations_are_refused(tmp_path: Path, change: Any, message: str) -> None:
    path = written(tmp_path, changed(change, with_deviations()))
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
