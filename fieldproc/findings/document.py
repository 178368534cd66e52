"""``findings.json``: every finding with its numbers, and the sentences made of them."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from fieldproc.findings.departures import Departure
from fieldproc.findings.find import Findings
from fieldproc.findings.words import sentences
from fieldproc.records import Scalar

# Levels over frequency stand in the tables, and weights are of no use without them.
_LEFT_OUT = ((Findings, "curves"), (Departure, "weights"))


def findings_bytes(
    channel_names: Sequence[str], found: Sequence[Findings], scalars: Sequence[Mapping[str, Scalar]]
) -> bytes:
    """Strict JSON with sorted keys: one entry per channel; what is not finite is ``null``."""
    channels = [
        {
            "channel": name,
            "sentences": [{"topic": topic, "told": told} for topic, told in sentences(own, numbers).items()],
            "findings": _plain(own),
        }
        for name, own, numbers in zip(channel_names, found, scalars, strict=True)
    ]
    text = json.dumps({"channels": channels}, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return f"{text}\n".encode()


def _plain(value: Any) -> Any:
    """What JSON can hold of a finding: records by their fields, frequencies and levels of curves left out."""
    if is_dataclass(value) and not isinstance(value, type):
        names = [one.name for one in fields(value) if (type(value), one.name) not in _LEFT_OUT]
        return {name: _plain(getattr(value, name)) for name in names}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return [_plain(item) for item in value.tolist()]
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
