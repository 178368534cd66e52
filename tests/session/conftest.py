"""Scan files as other people's scripts write them: plain h5py with its defaults."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

POINTS = 5

WriteScan = Callable[..., Path]


@pytest.fixture
def write_scan(tmp_path: Path) -> WriteScan:
    """A function that writes a sound session, changed by ``{"path" or "path@attribute": value or None}``."""

    def write(changes: dict[str, Any] | None = None, name: str = "scan.h5") -> Path:
        generator = np.random.default_rng(1)
        items: dict[str, Any] = {
            "/@schema": "pressure-scan",
            "/@schema_version": "1.0",
            "/@title": "practice scan",
            "/@device": "two-way box",
            "/positions": 0.3 + generator.random((POINTS, 3)),
            "/positions@units": "m",
            "/impulse_response": generator.normal(size=(1, POINTS, 16)).astype(np.float32),
            "/impulse_response@units": "Pa/V",
            "/impulse_response@sampling_rate_hz": 48000,
        }
        items |= changes or {}
        present = {key: value for key, value in items.items() if value is not None}
        path = tmp_path / name
        with h5py.File(path, "w") as file:
            for key, value in present.items():
                if "@" not in key:
                    file[key] = value
            for key, value in present.items():
                owner, at, attribute = key.partition("@")
                if at and owner in file:
                    file[owner].attrs[attribute] = value
        return path

    return write
