"""Records of a known chain as WAV files: stimuli, loudspeakers with distortion, converters, and their folders."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from scipy.io import wavfile

RATE_HZ = 48000.0


def exponential_sweep(
    duration_s: float,
    start_hz: float,
    end_hz: float,
    fade_s: float = 0.0,
    *,
    minus_one: bool = True,
    clock_ppm: float = 0.0,
) -> tuple[np.ndarray, float]:
    """Samples and L = T / ln(f2/f1): sin(2 pi f1 L (exp(t/L) - 1)), or without the -1, on a clock that runs fast."""
    rate_s = duration_s / np.log(end_hz / start_hz)
    rate_hz = RATE_HZ * (1 + clock_ppm * 1e-6)
    time_s = np.arange(round(duration_s * rate_hz)) / rate_hz
    sweep = np.sin(2 * np.pi * start_hz * rate_s * (np.exp(time_s / rate_s) - minus_one))
    if fade_s:
        rise = np.clip(np.minimum(time_s / fade_s, 10 * (duration_s - time_s) / fade_s), 0, 1)
        sweep *= 0.5 - 0.5 * np.cos(np.pi * rise)
    return sweep, rate_s


def slow_deconvolution(record: np.ndarray, stimulus: np.ndarray, samples: int) -> np.ndarray:
    """First samples of the response that best turns the stimulus into the record: the convolution, solved."""
    padded = np.concatenate([stimulus, np.zeros(max(0, len(record) - len(stimulus)))])
    columns = [np.concatenate([np.zeros(lag), padded])[: len(record)] for lag in range(samples)]
    return np.linalg.lstsq(np.stack(columns, axis=1), record, rcond=None)[0]


def spectrum(samples: np.ndarray, start_s: float, frequency_hz: np.ndarray) -> np.ndarray:
    """Fourier transform of samples, the first at ``start_s``, as the sum it is."""
    time_s = start_s + np.arange(samples.shape[-1]) / RATE_HZ
    return samples @ np.exp(-2j * np.pi * np.outer(time_s, frequency_hz))


def write_wav(path: Path, samples: np.ndarray, bits: int | str = "float") -> None:
    """Samples (sample,) or (channel, sample) of full scale 1 as 16, 24, 32 bit or 32-bit floating-point WAV."""
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = np.atleast_2d(samples).T
    if bits == "float":
        wavfile.write(path, int(RATE_HZ), columns.astype(np.float32))
        return
    whole = np.clip(np.rint(columns * 2.0 ** (int(bits) - 1)), -(2 ** (int(bits) - 1)), 2 ** (int(bits) - 1) - 1)
    if bits == 24:
        data = b"".join(int(value).to_bytes(3, "little", signed=True) for value in whole.ravel())
        size = columns.shape[1] * 3
        head = struct.pack("<HHIIHH", 1, columns.shape[1], int(RATE_HZ), int(RATE_HZ) * size, size, 24)
        body = b"WAVEfmt " + struct.pack("<I", 16) + head + b"data" + struct.pack("<I", len(data)) + data
        path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
        return
    wavfile.write(path, int(RATE_HZ), whole.astype(np.int16 if bits == 16 else np.int32))


def write_positions(path: Path, rows: list[str], header: str = "file,x_m,y_m,z_m") -> Path:
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path
