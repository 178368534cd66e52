"""Expansions whose coefficients and quality are made up, for tests of what is done with them afterwards."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
from scanned import AIR, CHANNEL_NAMES

from fieldproc.records import Expansion, Quality


def make_quality(channels: int, mark: float, verdict: np.ndarray, points: int = 5) -> Quality:
    """Every measure has the value ``mark``; ``verdict`` (frequency,) holds for all channels."""
    sizes = {"frequency": len(verdict), "channel": channels, "point": points}
    values: dict[str, Any] = {
        one.name: np.full([sizes[label] for label in Quality.AXES[one.name]], mark) for one in fields(Quality)
    }
    values["verdict"] = np.tile(verdict[:, None], (1, channels))
    return Quality(**values)


def make_expansion(
    frequency_hz: np.ndarray,
    outgoing: np.ndarray,
    regular: np.ndarray | None = None,
    *,
    verdict: int | np.ndarray = 0,
    mark: float = -40.0,
    **stated: Any,
) -> Expansion:
    """Coefficients (frequency, channel, coefficient) about zero; ``stated`` are fields in place of the usual ones."""
    rows, channels = outgoing.shape[:2]
    separated = regular is not None
    regular = np.zeros((rows, channels, 0), dtype=np.complex128) if regular is None else regular
    usual: dict[str, Any] = {
        "outgoing_order": np.full(rows, int(np.sqrt(outgoing.shape[2])) - 1),
        "regular_order": np.full(rows, int(np.sqrt(regular.shape[2])) - 1 if separated else -1),
        "origin_m": np.zeros((rows, 3)),
        "acoustic_center_m": np.full((rows, 3), np.nan),
        "sound_speed_m_per_s": AIR.sound_speed_m_per_s,
        "air_density_kg_per_m3": AIR.density_kg_per_m3,
        "source_radius_m": 0.2,
        "channel_names": CHANNEL_NAMES[channels],
        "quality": make_quality(channels, mark, np.broadcast_to(verdict, rows).astype(np.int64)),
    }
    return Expansion(frequency_hz=frequency_hz, outgoing=outgoing, regular=regular, **{**usual, **stated})
