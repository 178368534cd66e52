"""Damaged files through the whole command: each fails alone, or gives the numbers of the sound one."""

from __future__ import annotations

import json
from pathlib import Path

import h5py
import numpy as np
import pytest
from batch.small import write_scan, write_settings
from fuzz.server import mutated

from fieldproc.cli import main

COUNT = {"own": 34, "foreign": 16}
TABLES = ("cta2034a", "horizontal", "vertical", "directivity")


def as_others_write(source: Path, path: Path) -> None:
    """The same scan with the library's defaults: variable-length text, no checksums, no digest."""
    with h5py.File(source) as own, h5py.File(path, "w") as file:
        file.attrs.update({name: text for name, text in own.attrs.items() if name != "content_sha256"})

        def copy(name: str, item: h5py.Dataset | h5py.Group) -> None:
            if isinstance(item, h5py.Dataset):
                file.create_dataset(name, data=item[()]).attrs.update(dict(item.attrs))

        own.visititems(copy)


def test_fifty_damaged_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scans, output = tmp_path / "scans", tmp_path / "out"
    scans.mkdir()
    sound = {"own": write_scan(scans / "own-sound.h5"), "foreign": scans / "foreign-sound.h5"}
    as_others_write(sound["own"], sound["foreign"])
    generator = np.random.default_rng(2069)
    for kind, count in COUNT.items():
        for number in range(count):
            (scans / f"{kind}-{number:02d}.h5").write_bytes(mutated(sound[kind].read_bytes(), generator))
    events = tmp_path / "events.jsonl"
    settings = ["-s", str(write_settings(tmp_path)), "--tables-only", "--jobs", "2", "--events", str(events)]

    assert main(["run", str(scans), "-o", str(output), *settings]) == 3

    assert "Traceback" not in capsys.readouterr().err
    sessions = json.loads((output / "status.json").read_bytes())["sessions"]
    codes = {one["folder"]: one["exit_code"] for one in sessions}
    assert len(codes) == 52
    assert codes["own-sound"] == codes["foreign-sound"] == 0
    assert set(codes.values()) == {0, 4}
    ended = [json.loads(line) for line in events.read_text().splitlines()]
    assert max(one["seconds"] for one in ended if one["event"] == "session ended") < 10.0
    # whatever is refused leaves nothing
    assert {path.name for path in output.iterdir() if path.is_dir()} == {
        name for name, code in codes.items() if code == 0
    }
    read = [name for name, code in codes.items() if code == 0 and name.startswith("own-") and name != "own-sound"]
    assert read
    for name in read:
        for table in TABLES:
            expected = (output / f"own-sound/tables/{table}.csv").read_bytes()
            assert (output / name / f"tables/{table}.csv").read_bytes() == expected, (name, table)
