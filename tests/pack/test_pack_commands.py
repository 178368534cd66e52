"""The commands pack and merge: files, exit codes, and a packed scan that a run would take."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from pack.wave_files import exponential_sweep, write_positions, write_wav

from fieldproc.cli import main
from fieldproc.records import ImpulseResponses
from fieldproc.session import read_session

SETTINGS = """
title = "Box"
device = "a box"
units = "Pa/V"

[recording]
kind = "sweeps"
stimulus = "stimulus.wav"
recorded_per_full_scale = 10.0
played_per_full_scale = 4.0
samples = 512
{more}

[air]
temperature_c = 21.5
"""


def folder_of_sweeps(folder: Path, more: str = "") -> list[str]:
    """Two records and what the command needs to pack them."""
    stimulus, _ = exponential_sweep(0.5, 20.0, 20000.0, fade_s=0.02)
    record = np.concatenate([np.zeros(100), 0.1 * stimulus, np.zeros(2000)])
    write_wav(folder / "stimulus.wav", stimulus)
    write_wav(folder / "a.wav", record, 24)
    write_wav(folder / "b.wav", 0.5 * record, 24)
    positions = write_positions(folder / "p.csv", ["a.wav,0.3,0,0,0", "b.wav,0,0.4,0,1"], "file,x_m,y_m,z_m,surface")
    (folder / "pack.toml").write_text(SETTINGS.format(more=more), encoding="utf-8")
    return ["pack", str(folder), "--positions", str(positions), "-s", str(folder / "pack.toml")]


def test_a_folder_becomes_a_session_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = folder_of_sweeps(tmp_path / "scan")
    output = tmp_path / "box.h5"
    assert main([*command, "-o", str(output)]) == 0
    printed = capsys.readouterr()
    assert printed.out == f"{output}: Box, 2 points\n"
    assert "scan: 2 of 2 files" in printed.err.splitlines()
    assert "note: the stimulus is an exponential sweep" in printed.err
    session = read_session(output)
    assert session.integrity == "verified"
    assert (session.title, session.device, session.unit) == ("Box", "a box", "Pa/V")
    assert session.surface.tolist() == [0, 1]
    assert isinstance(session.response, ImpulseResponses)
    first, second = session.response.values[0]
    # 0.1 of the stimulus comes back: 0.1 * 10 / 4, as a pulse cut off at 20 kHz, 100 samples after time zero
    assert np.argmax(first) == 4096 + 100
    assert first.max() == pytest.approx(0.25 * 20 / 24, rel=0.05)
    np.testing.assert_allclose(first, 2 * second, atol=1e-6)
    # the same folder gives the same bytes
    before = output.read_bytes()
    assert main([*command, "-o", str(output)]) == 0
    assert output.read_bytes() == before


def test_faults_leave_nothing_behind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = folder_of_sweeps(tmp_path / "scan")
    (tmp_path / "scan" / "b.wav").unlink()
    output = tmp_path / "out" / "box.h5"
    assert main([*command, "-o", str(output)]) == 4
    assert "line 3, file: found 'b.wav', which is not there" in capsys.readouterr().err
    assert not output.parent.exists()
    (tmp_path / "scan" / "pack.toml").write_text("titel = 1", encoding="utf-8")
    assert main([*command, "-o", str(output)]) == 2
    assert "did you mean title?" in capsys.readouterr().err


def test_pieces_become_one_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = folder_of_sweeps(tmp_path / "scan")
    pieces = [tmp_path / "a.h5", tmp_path / "b.h5"]
    for piece, rows in zip(pieces, (["a.wav,0.3,0,0"], ["b.wav,0.3,0,0"]), strict=True):
        write_positions(tmp_path / "scan" / "p.csv", rows)
        assert main([*command, "-o", str(piece)]) == 0
    names = [str(piece) for piece in pieces]
    output = tmp_path / "merged.h5"
    capsys.readouterr()
    # both stand at one place, the second at half the level
    assert main(["merge", *names, "-o", str(output)]) == 4
    assert "b against a: found -6.021 dB and +0.00 us" in capsys.readouterr().err
    assert not output.exists()
    assert main(["merge", *names, "-o", str(output), "--correct-gain"]) == 0
    printed = capsys.readouterr()
    assert printed.out == f"{output}: 2 pieces, 2 points\n"
    assert "note: b: gain and delay were corrected to those of a" in printed.err
    merged = read_session(output)
    assert merged.attributes["comment"].endswith(
        f"Merged from a (SHA-256 {read_session(pieces[0]).sha256}), b (SHA-256 {read_session(pieces[1]).sha256})."
    )
    assert isinstance(merged.response, ImpulseResponses)
    np.testing.assert_allclose(merged.response.values[0, 1], merged.response.values[0, 0], atol=1e-5)
    (tmp_path / "merge.toml").write_text("largest_gain_db = 7.0\n", encoding="utf-8")
    assert main(["merge", *names, "-o", str(output), "-s", str(tmp_path / "merge.toml")]) == 0


def test_merge_refuses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = folder_of_sweeps(tmp_path / "scan")
    piece = tmp_path / "a.h5"
    assert main([*command, "-o", str(piece)]) == 0
    assert main(["merge", str(piece), "-o", str(tmp_path / "m.h5")]) == 2
    assert "two scans or more" in capsys.readouterr().err
    assert main(["merge", str(piece), str(piece), "-o", str(piece)]) == 2
    assert "is one of the pieces" in capsys.readouterr().err
    assert main(["merge", str(piece), str(tmp_path / "none.h5"), "-o", str(tmp_path / "m.h5")]) == 2


def test_harmonics_go_with_the_scan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    command = folder_of_sweeps(tmp_path / "scan", "harmonics = 3\nharmonic_samples = 512")
    output = tmp_path / "box.h5"
    assert main([*command, "-o", str(output)]) == 0
    with h5py.File(output) as file:
        response = file["/companion/harmonic_response"]
        assert response.shape == (2, 1, 2, 512)
        assert (response.attrs["units"], response.attrs["sampling_rate_hz"]) == (b"Pa/V", 48000.0)
        assert file["/companion/harmonic_order"][()].tolist() == [2, 3]
        np.testing.assert_allclose(file["/companion/harmonic_start_s"][()] * 48000, -128, atol=1)
        assert response.fletcher32
    # the reader finds nothing unknown, and the digest holds
    session = read_session(output)
    assert (session.integrity, session.notices) == ("verified", ())
    assert "unknown" not in capsys.readouterr().err
