"""WAV files, read back by a general library and by the reader of recordings."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile

from fieldproc.errors import UsageError
from fieldproc.pack.wav import read_wav
from fieldproc.results import wav_bytes

RATE_HZ = 48000.0


def samples() -> np.ndarray:
    """Of a sound pressure: small, and beyond 1."""
    return np.random.default_rng(5).normal(size=1001) * np.logspace(-9.0, 2.0, 1001)


def test_every_sample_reads_back_exactly(tmp_path: Path) -> None:
    data = wav_bytes(samples(), RATE_HZ)
    expected = samples().astype(np.float32)
    rate, found = wavfile.read(io.BytesIO(data))
    assert rate == 48000
    assert found.dtype == np.float32
    np.testing.assert_array_equal(found, expected)
    (tmp_path / "on_axis.wav").write_bytes(data)
    recording = read_wav(tmp_path / "on_axis.wav")
    assert recording.sampling_rate_hz == RATE_HZ
    np.testing.assert_array_equal(recording.values, expected[None].astype(np.float64))
    assert wav_bytes(samples(), RATE_HZ) == data


@pytest.mark.parametrize("rate_hz", [44100.5, 0.0, -48000.0, np.nan, np.inf])
def test_a_rate_that_the_format_cannot_state(rate_hz: float) -> None:
    with pytest.raises(UsageError, match="a whole number of hertz"):
        wav_bytes(samples(), rate_hz)
