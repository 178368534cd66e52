"""The summary: strict JSON, the same for the same input, bands that tile the frequencies."""

from __future__ import annotations

import hashlib
import json
import sys
from typing import Any

import numpy as np
import pytest

from fieldproc.records import DroppedPoint, Scalar
from fieldproc.results import provenance, summary_bytes

FREQUENCY_HZ = np.array([20.0, 40.0, 80.0, 160.0, 320.0])


def document(verdict: np.ndarray, **changes: Any) -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise AssertionError(constant)

    return json.loads(summary(verdict, **changes), parse_constant=refuse)


def summary(verdict: np.ndarray, **changes: Any) -> bytes:
    values: dict[str, Any] = {
        "frequency_hz": FREQUENCY_HZ,
        "verdict": verdict,
        "channel_names": [f"channel {k}" for k in range(verdict.shape[1])],
        "dropped": [DroppedPoint(4, "clipped")],
        "scalars": {"sensitivity": Scalar(87.5, "dB", 87.1, 87.9), "lowest": Scalar(np.nan, "Hz")},
        "provenance": provenance("00" * 32, {"tables/quality.csv": b"abc"}),
        "notices": ["temperature not stated"],
        "facts": {"drive_voltage_v": 2.83},
    }
    return summary_bytes(**(values | changes))


def test_bands_are_runs_of_one_verdict_per_channel() -> None:
    found = document(np.array([[2, 0], [2, 0], [0, 0], [1, 0], [0, 0]]))
    bands = [(b["channel"], b["lowest_hz"], b["highest_hz"], b["verdict"]) for b in found["bands"]]
    assert bands == [
        (0, 20.0, 40.0, "do not use"),
        (0, 80.0, 80.0, "good"),
        (0, 160.0, 160.0, "caution"),
        (0, 320.0, 320.0, "good"),
        (1, 20.0, 320.0, "good"),
    ]


@pytest.mark.parametrize(
    ("codes", "overall"),
    [([0, 0, 0, 0, 0], "good"), ([2, 2, 2, 2, 2], "do not use"), ([0, 0, 2, 0, 0], "caution")],
)
def test_overall_verdict(codes: list[int], overall: str) -> None:
    assert document(np.array(codes)[:, np.newaxis])["verdict"] == overall


def test_numbers_that_json_cannot_hold_are_null() -> None:
    scalars = document(np.zeros((5, 1), dtype=int))["scalars"]
    assert scalars["lowest"] == {"value": None, "unit": "Hz", "low": None, "high": None, "note": ""}
    assert scalars["sensitivity"] == {"value": 87.5, "unit": "dB", "low": 87.1, "high": 87.9, "note": ""}


def test_provenance_and_what_was_left_out() -> None:
    found = document(np.zeros((5, 1), dtype=int), dropped=[DroppedPoint(np.int64(4), "clipped")])  # type: ignore[arg-type]
    assert found["dropped_points"] == [{"index": 4, "reason": "clipped"}]
    assert found["provenance"]["input_sha256"] == "00" * 32
    assert found["provenance"]["outputs_sha256"] == {"tables/quality.csv": hashlib.sha256(b"abc").hexdigest()}
    versions = found["provenance"]["versions"]
    assert set(versions) == {"fieldproc", "python", "numpy", "scipy", "h5py", "hdf5", "blas"}
    assert versions["numpy"] == np.__version__
    assert versions["python"] == sys.version.split()[0]
    assert found["notices"] == ["temperature not stated"]


def test_same_input_same_bytes_whatever_the_order() -> None:
    verdict = np.zeros((5, 1), dtype=int)
    forward = {"b": Scalar(1.0, "dB"), "a": Scalar(2.0, "dB")}
    backward = dict(reversed(forward.items()))
    assert summary(verdict, scalars=forward) == summary(verdict, scalars=backward)
