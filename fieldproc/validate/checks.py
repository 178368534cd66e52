"""What is checked against a tolerance, and what is said of a check that failed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from fieldproc.conventions import Booleans, Floats
from fieldproc.records import Correction
from fieldproc.settings import ValidationSettings

Columns = Mapping[str, Floats]


def failures(
    columns: Columns,
    judged: Booleans,
    misplaced_m: float,
    put_right: Sequence[Correction],
    settings: ValidationSettings,
) -> tuple[str, ...]:
    """Every check that failed: what, the worst value, where, and the tolerance. What is nan could not be judged."""
    band = {name: column[judged] for name, column in columns.items()}
    return (*_of_frequencies(band, settings), *_of_scan(band, misplaced_m, put_right, settings))


def _of_frequencies(band: Columns, settings: ValidationSettings) -> Iterator[str]:
    checks = (
        ("level ripple over angle", band["ripple_db"], "dB", settings.ripple_db),
        ("phase over angle", band["phase_error_deg"], "degrees", settings.phase_deg),
        (
            "sound that is not of degree 0 about the found place",
            band["off_monopole_db"],
            "dB",
            settings.off_monopole_db,
        ),
        ("level over distance", band["distance_error_db"], "dB", settings.distance_db),
        ("level off the stated strength", np.abs(band["level_error_db"]), "dB", settings.level_db),
    )
    for words, value, unit, limit in checks:
        # nan = there was nothing to compare with
        if np.any(value > limit):
            at = int(np.nanargmax(value))
            yield f"{words}: {value[at]:.3g} {unit} at {band['frequency_hz'][at]:.4g} Hz, limit {limit:g} {unit}"


def _of_scan(
    band: Columns, misplaced_m: float, put_right: Sequence[Correction], settings: ValidationSettings
) -> Iterator[str]:
    if misplaced_m > settings.place_m:
        yield f"place: found {1e3 * misplaced_m:.2f} mm from the stated place, limit {1e3 * settings.place_m:g} mm"
    share = band.get("covered_share")
    if share is not None and share.mean() < settings.covered_share:
        at, limit = int(share.argmin()), 100 * settings.covered_share
        yield (
            f"stated uncertainty: {100 * share.mean():.0f} % of the errors of the level are within their 95 % bands "
            f"({100 * share[at]:.0f} % at {band['frequency_hz'][at]:.4g} Hz), limit {limit:g} %"
        )
    limits = {"dB": settings.put_right_db, "mm": 1e3 * settings.put_right_m, "us": 1e6 * settings.put_right_s}
    for one in put_right:
        if abs(one.value) > limits[one.unit]:
            yield f"put right: {one.name} {one.value:+.3g} {one.unit}, limit {limits[one.unit]:g} {one.unit}"
