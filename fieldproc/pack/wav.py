"""One WAV file to samples at full scale 1."""

from __future__ import annotations

import struct
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.io import wavfile

from fieldproc.conventions import Floats
from fieldproc.errors import Problem

# A record of a minute, eight channels of 32 bits at 192 kHz, is 0.37 GB; more is no single record.
_MAX_BYTES = 2**30
# So many samples in a row at full scale: a converter at its stop, not the top of a wave.
_CLIPPED_RUN = 4
_FULL_SCALE = 1.0 - 2.0**-15


class WavFault(Exception):
    """A WAV file that cannot be used; carries the problem."""

    def __init__(self, found: str, required: str, fix: str) -> None:
        self.found, self.required, self.fix = found, required, fix
        super().__init__(found)

    def problem(self, where: str) -> Problem:
        """The problem of the file at ``where``."""
        return Problem(where, self.found, self.required, self.fix)


@dataclass(frozen=True, slots=True)
class Recording:
    """Samples (channel, sample), full scale 1."""

    values: Floats
    sampling_rate_hz: float

    def channel(self, number: int) -> Floats:
        """One channel; ``WavFault`` if there is none of that number."""
        if number >= len(self.values):
            raise WavFault(f"{len(self.values)} channels", f"channel {number} (from 0)", "correct the channel number")
        return np.asarray(self.values[number])


def read_wav(path: Path) -> Recording:
    """Integer samples of 8 to 64 bits, or floating-point ones. Raises ``WavFault``."""
    required, fix = "a whole WAV file of integer or floating-point samples", "export the record again"
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise WavFault(f"{path.stat().st_size} bytes", f"at most {_MAX_BYTES}", "cut the record")
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always", wavfile.WavFileWarning)
            rate, samples = wavfile.read(path)
    except OSError as error:
        raise WavFault(f"a file that cannot be read ({error.strerror})", required, fix) from error
    except (ValueError, struct.error, EOFError, OverflowError, ZeroDivisionError, TypeError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise WavFault(f"a file that cannot be read ({reason})", required, fix) from error
    # chunks of other programs are no fault, an early end is
    if any("EOF" in str(one.message) for one in told):
        raise WavFault("a file that ends too early", required, fix)
    if not rate or not samples.size:
        raise WavFault("no samples", required, fix)
    values = np.atleast_2d(samples.T)
    if values.dtype.kind == "u":
        scaled = (values - 128.0) / 128.0
    elif values.dtype.kind == "i":
        scaled = values / float(2 ** (8 * values.dtype.itemsize - 1))
    else:
        scaled = values.astype(np.float64)
    return Recording(scaled, float(rate))


def is_clipped(samples: Floats) -> bool:
    """Does a record (sample,) of full scale 1 stay at its stop for several samples in a row?"""
    # equal to the one before: floating-point records may exceed full scale without a stop
    at_stop = (np.abs(samples[1:]) >= _FULL_SCALE) & (np.diff(samples) == 0)
    runs = np.convolve(at_stop, np.ones(_CLIPPED_RUN - 1), mode="valid")
    return bool(np.any(runs > _CLIPPED_RUN - 1.5))
