"""The summary: what came out, how far to believe it, what was left out, and from what it was made."""

from __future__ import annotations

import hashlib
import json
import math
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import threadpoolctl

from fieldproc.conventions import Floats, Integers
from fieldproc.records import DroppedPoint, Scalar, Verdict


def summary_bytes(
    *,
    frequency_hz: Floats,
    verdict: Integers,
    channel_names: Sequence[str],
    dropped: Sequence[DroppedPoint],
    scalars: Mapping[str, Scalar],
    provenance: Mapping[str, Any],
    notices: Sequence[str],
    facts: Mapping[str, str | float | int],
    message: str = "",
    failures: Sequence[str] = (),
) -> bytes:
    """``summary.json``: strict JSON with sorted keys; a number that is not finite is ``null``.

    ``verdict`` has shape (frequency, channel). The verdict of the whole is the one all frequencies share,
    else "caution": read the bands. ``facts`` is what else the caller states, ``message`` what the command said of
    the result, ``failures`` the tolerances it missed. The document holds its own digest (``summary_sha256``).
    """
    document = {
        "verdict": _overall(verdict),
        "bands": [
            band
            for channel in range(len(channel_names))
            for band in _bands(frequency_hz, verdict[:, channel], channel)
        ],
        "channels": list(channel_names),
        "dropped_points": [asdict(point) for point in dropped],
        "scalars": {name: asdict(scalar) for name, scalar in scalars.items()},
        "provenance": dict(provenance),
        "notices": list(notices),
        "facts": dict(facts),
        "message": message,
        "failures": list(failures),
    }
    return signed_bytes(_strict(document))


def signed_bytes(document: Mapping[str, Any]) -> bytes:
    """A summary as its file, with its own digest (``summary_sha256``) brought up to date."""
    provenance = {**document["provenance"], "summary_sha256": summary_sha256(document)}
    signed = {**document, "provenance": provenance}
    text = json.dumps(signed, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode()


def summary_sha256(document: Mapping[str, Any]) -> str:
    """Digest of a summary as read from its file: of compact JSON with sorted keys, the digest itself left out."""
    of = {name: value for name, value in document["provenance"].items() if name != "summary_sha256"}
    text = json.dumps({**document, "provenance": of}, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()


def provenance(input_sha256: str, outputs: Mapping[str, bytes]) -> dict[str, Any]:
    """Versions of what computed, and SHA-256 of the input and of every output by its path in the folder."""
    return {
        "input_sha256": input_sha256,
        "outputs_sha256": {name: hashlib.sha256(data).hexdigest() for name, data in outputs.items()},
        "versions": versions(),
        "code_sha256": code_sha256(),
    }


@cache
def code_sha256() -> str:
    """Digest of every file of this package: what it does can change without its version."""
    package = Path(__file__).parents[1]
    digest = hashlib.sha256()
    for path in sorted(path for path in package.rglob("*") if path.suffix in (".py", ".html", ".css", ".js")):
        digest.update(f"{path.relative_to(package).as_posix()}\0".encode())
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def versions() -> dict[str, str]:
    """Versions of everything here that numbers depend on."""
    return {**_packages(), "blas": _blas()}


@cache
def _packages() -> Mapping[str, str]:
    return {
        "fieldproc": version("fieldproc"),
        "python": platform.python_version(),
        "numpy": version("numpy"),
        "scipy": version("scipy"),
        "h5py": version("h5py"),
        "hdf5": h5py.version.hdf5_version,
    }


def _blas() -> str:
    """Libraries that multiply matrices here, with version and kernel: results agree to the last bit only
    where these do."""
    libraries = [pool for pool in threadpoolctl.threadpool_info() if pool["user_api"] == "blas"]
    return ", ".join(
        sorted({f"{pool['internal_api']} {pool['version']} {pool.get('architecture', '')}" for pool in libraries})
    )


def _overall(verdict: Integers) -> str:
    codes = np.unique(verdict)
    return Verdict(codes[0] if codes.size == 1 else Verdict.CAUTION).words


def _bands(frequency_hz: Floats, verdict: Integers, channel: int) -> list[dict[str, Any]]:
    """Runs of neighbouring frequencies with one verdict, first and last frequency included."""
    starts = np.flatnonzero(np.diff(verdict, prepend=verdict[0] - 1))
    ends = np.append(starts[1:], verdict.size) - 1
    return [
        {
            "channel": channel,
            "lowest_hz": float(frequency_hz[start]),
            "highest_hz": float(frequency_hz[end]),
            "verdict": Verdict(verdict[start]).words,
        }
        for start, end in zip(starts, ends, strict=True)
    ]


def _strict(value: Any) -> Any:
    """The same document with ``None`` for every float that JSON cannot hold."""
    if isinstance(value, Mapping):
        return {key: _strict(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_strict(item) for item in value]
    if isinstance(value, np.generic):
        return _strict(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
