"""Writing and reading back gives the same session, and no damaged byte gets past the checksums."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldproc.errors import FieldprocError, OutputError, SessionError
from fieldproc.records import (
    Air,
    Cabinet,
    Drive,
    ImpulseResponses,
    KnownSource,
    Microphone,
    Noise,
    ReferenceAxis,
    Room,
    Session,
    Sigma,
    TransferFunctions,
)
from fieldproc.session import read_session, write_session
from fieldproc.session.guard import open_source
from fieldproc.session.schema import OBJECTS

# Set by reading, not by writing.
OF_THE_FILE = ("name", "sha256", "integrity", "notices")


def assert_same(one: Any, other: Any) -> None:
    """Equal to the last bit, record by record."""
    if dataclasses.is_dataclass(one):
        assert type(one) is type(other)
        for field in dataclasses.fields(one):
            if not (isinstance(one, Session) and field.name in OF_THE_FILE):
                assert_same(getattr(one, field.name), getattr(other, field.name))
    elif isinstance(one, np.ndarray):
        assert one.dtype == other.dtype
        np.testing.assert_array_equal(one, other)
    else:
        assert one == other


def make_session(
    generator: np.random.Generator,
    sizes: tuple[int, int, int],
    unit: str = "Pa/V",
    dtype: str = "f4",
    **fields: Any,
) -> Session:
    channels, points, length = sizes
    response: ImpulseResponses | TransferFunctions
    if dtype[0] == "f":
        response = ImpulseResponses(generator.normal(size=sizes).astype(dtype), 44100.0, -1e-3)
    else:
        values = generator.normal(size=(length, channels, points)) * (1 + 2j)
        response = TransferFunctions(values.astype(dtype), 10.0 + np.arange(length))
    scales: dict[str, Any] = {
        "V/V": {"microphone": Microphone(sensitivity_v_per_pa=0.05)},
        "Pa/FS": {"drive": Drive(level_dbfs=-12.0)},
    }
    base: dict[str, Any] = {
        "name": "made",
        "title": "Übung",
        "device": "box",
        "attributes": {"comment": "a\nb", "license": ""},
        "positions_m": generator.normal(size=(points, 3)),
        "response": response,
        "unit": unit,
        "channel_names": tuple(f"Weg {index} ü" for index in range(channels)),
        "valid": np.arange(points) != 1,
        "surface": np.full(points, -1),
    }
    return Session(**(base | scales.get(unit, {}) | fields))


def full_session(generator: np.random.Generator) -> Session:
    points = 40
    return make_session(
        generator,
        (2, points, 300),
        "V/V",
        "f8",
        surface=np.arange(points) % 2,
        axis=ReferenceAxis(np.array([0.1, 0.0, 0.2]), np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0])),
        air=Air(np.full(points, 344.0), np.linspace(20.0, 21.0, points), 40.0, 99e3),
        microphone=Microphone(0.0125, np.array([0.0, 1e3]), np.array([1.0, 0.9 + 0.1j])),
        drive=Drive(2.0, -3.0, generator.normal(size=(points, 50)), 96000.0),
        cabinet=Cabinet(np.array([0.3, 0.2, 0.4]), np.array([-0.1, 0.0, 0.0])),
        rated_impedance_ohm=4.0,
        measured_at_s=np.arange(points) * 1.5,
        noise=Noise(generator.normal(size=(2, 3, 20)), 44100.0),
        room=Room(np.full(points, np.inf), np.array([1.0, 2.0, np.inf, 1.0, 2.0, 0.5])),
        known_source=KnownSource(np.zeros(3), 1e-4),
        sigma=Sigma(1e-3, 0.1, 2e-3, 0.5, 1e-6),
    )


def test_full_session_survives_and_is_verified(tmp_path: Path) -> None:
    session = full_session(np.random.default_rng(3))
    path = tmp_path / "full.h5"

    write_session(session, path)
    back = read_session(path)

    assert_same(session, back)
    assert (back.name, back.integrity, back.notices) == ("full", "verified", ())
    assert [entry.name for entry in tmp_path.iterdir()] == ["full.h5"]


@settings(max_examples=30, deadline=None)
@given(
    sizes=st.tuples(st.integers(1, 3), st.integers(2, 6), st.integers(1, 9)),
    unit=st.sampled_from(["Pa/V", "V/V", "Pa/FS"]),
    dtype=st.sampled_from(["f4", "f8", "c8", "c16"]),
    seed=st.integers(0, 2**32 - 1),
)
def test_any_session_survives(
    tmp_path_factory: pytest.TempPathFactory, sizes: tuple[int, int, int], unit: str, dtype: str, seed: int
) -> None:
    session = make_session(np.random.default_rng(seed), sizes, unit, dtype)
    path = tmp_path_factory.mktemp("scan") / "any.h5"

    write_session(session, path)

    assert_same(session, read_session(path))


def test_same_session_same_bytes(tmp_path: Path) -> None:
    for name in ("one.h5", "two.h5"):
        write_session(full_session(np.random.default_rng(4)), tmp_path / name)

    assert (tmp_path / "one.h5").read_bytes() == (tmp_path / "two.h5").read_bytes()


def test_every_dataset_bears_a_checksum_and_no_text_is_variable(tmp_path: Path) -> None:
    write_session(full_session(np.random.default_rng(5)), tmp_path / "scan.h5")

    with h5py.File(tmp_path / "scan.h5") as file:
        datasets = [file[item.path] for item in OBJECTS if item.path in file]
        layouts = {dataset.id.get_create_plist().get_layout() for dataset in datasets if dataset.ndim == 0}
        texts = [type(value) for value in file.attrs.values()]
        assert all(dataset.fletcher32 for dataset in datasets if dataset.ndim)
        # A compact value lies in the object header, under the header's checksum.
        assert layouts == {h5py.h5d.COMPACT}
        assert set(texts) == {np.bytes_}
        assert len(datasets) == len(OBJECTS) - 2


def test_no_flipped_bit_passes(tmp_path: Path) -> None:
    generator = np.random.default_rng(6)
    session = make_session(generator, (1, 6, 40))
    path = tmp_path / "scan.h5"
    write_session(session, path)
    sound = path.read_bytes()
    refused = 0
    for place in generator.integers(len(sound), size=250):
        damaged = bytearray(sound)
        damaged[place] ^= 1 << int(generator.integers(8))
        path.write_bytes(damaged)
        try:
            back = read_session(path)
        except FieldprocError:
            refused += 1
        else:
            # Unused bytes of the file may change; what it says may not.
            assert_same(session, back)
    assert refused > 50


def test_rewritten_content_fails_its_digest(tmp_path: Path) -> None:
    path = tmp_path / "scan.h5"
    write_session(make_session(np.random.default_rng(7), (1, 6, 40)), path)
    with h5py.File(path, "a") as file:
        file["impulse_response"][0, 2, 3] += 1.0

    with pytest.raises(SessionError, match="/@content_sha256: found content that does not match"):
        read_session(path)


def test_digest_does_not_depend_on_storage(tmp_path: Path) -> None:
    write_session(make_session(np.random.default_rng(8), (1, 6, 40)), tmp_path / "packed.h5")
    with h5py.File(tmp_path / "packed.h5") as packed, h5py.File(tmp_path / "plain.h5", "w") as plain:
        for item in OBJECTS:
            if item.path in packed:
                values = packed[item.path]
                plain[item.path] = values[()].astype(values.dtype.newbyteorder(">"))
                plain[item.path].attrs.update(values.attrs)
        plain.attrs.update(packed.attrs)

    assert read_session(tmp_path / "plain.h5").integrity == "verified"


def test_what_no_reader_accepts_is_not_written(tmp_path: Path) -> None:
    session = make_session(np.random.default_rng(9), (1, 6, 8), microphone=Microphone(), unit="V/V")

    with pytest.raises(SessionError, match="/microphone/sensitivity_v_per_pa"):
        write_session(session, tmp_path / "scan.h5")
    assert list(tmp_path.iterdir()) == []


def test_failing_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "scan.h5"
    write_session(make_session(np.random.default_rng(10), (1, 6, 8)), path)
    before = path.read_bytes()

    def full_disk(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full_disk)
    with pytest.raises(OutputError, match="No space left"):
        write_session(make_session(np.random.default_rng(11), (1, 6, 8)), path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


def test_a_file_that_changes_while_it_is_read_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "scan.h5"
    write_session(make_session(np.random.default_rng(12), (1, 6, 8)), path)

    def read_while_it_grows() -> None:
        with open_source(path), path.open("ab") as stream:
            stream.write(b"more")

    with pytest.raises(SessionError, match="changed while it was read"):
        read_while_it_grows()
