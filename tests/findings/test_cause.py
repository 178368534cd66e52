from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from findings.planted import GRID_HZ, curve_of, peak_db

from fieldproc.findings.cause import correctable, explain
from fieldproc.findings.curves import Curve
from fieldproc.findings.departures import DepartureLimits, departures_of

BUMP = peak_db(1000.0, 4.0, 3.0)
# An index that rises by 6 dB in a smooth way.
INDEX = 6.0 / (1.0 + (1500.0 / GRID_HZ) ** 1.5)


def curves(in_window: float, in_power: float, errors_db: np.ndarray | None = None) -> dict[str, Curve]:
    """The bump by these shares in listening window and sound power; errors are the power's alone."""
    window, power = 80.0 + in_window * BUMP, 80.0 - INDEX + in_power * BUMP
    early = 80.0 - 0.7 * INDEX + 0.5 * (in_window + in_power) * BUMP
    draws = 0 if errors_db is None else len(errors_db)
    none = None if errors_db is None else np.zeros_like(errors_db)
    return {
        "on_axis": curve_of(window + 0.1, none, draws),
        "listening_window": curve_of(window, none, draws),
        "early_reflections": curve_of(early, none, draws),
        "sound_power": curve_of(power, errors_db, draws),
        "in_room_estimate": curve_of(0.12 * window + 0.44 * early + 0.44 * power, none, draws),
    }


@pytest.mark.parametrize(
    ("in_window", "in_power", "searched", "cause"),
    [
        (1.0, 1.0, "listening_window", "radiation-independent"),
        (1.0, 0.9, "listening_window", "radiation-independent"),
        (1.0, 0.2, "listening_window", "direction-dependent"),
        (0.5, -0.5, "listening_window", "direction-dependent"),
        (0.05, 1.0, "in_room_estimate", "reflection-driven"),
    ],
)
def test_causes(in_window: float, in_power: float, searched: str, cause: str) -> None:
    seen = curves(in_window, in_power)
    (departure,) = [one for one in departures_of(seen[searched], DepartureLimits()) if not one.broad]
    found = explain(departure, seen)
    assert found.cause == cause
    assert found.correctable == (cause == "radiation-independent")
    evidence = found.evidence
    difference = evidence.sizes_db["listening_window"] - evidence.sizes_db["sound_power"]
    assert evidence.index_change_db == pytest.approx(difference, abs=1e-9)
    # sizes are linear, and the weights take a smooth index for nothing but a few hundredths of a decibel
    assert evidence.index_change_db == pytest.approx((in_window - in_power) * 2.7, abs=0.35)


def test_an_index_that_errors_hide_tells_nothing() -> None:
    seen = curves(1.0, 1.0, errors_db=np.tile(BUMP, (32, 1)))
    (departure,) = departures_of(seen["listening_window"], DepartureLimits())
    assert explain(departure, seen).cause == "not clear"
    small = curves(1.0, 1.0, errors_db=np.tile(0.05 * BUMP, (32, 1)))
    assert explain(departure, small).cause == "radiation-independent"


def test_an_equaliser_may_act_where_the_index_is_smooth() -> None:
    everywhere = correctable(curves(1.0, 1.0))
    np.testing.assert_allclose(everywhere, 1.0, atol=1e-9)
    moved = correctable(curves(1.0, 0.0))
    assert moved[np.argmin(np.abs(GRID_HZ - 1000.0))] == 0.0
    assert np.all(moved[(GRID_HZ < 500.0) | (GRID_HZ > 2000.0)] > 0.9)
    seen = curves(1.0, 1.0)
    seen["sound_power"] = replace(seen["sound_power"], usable=GRID_HZ < 4000.0)
    assert np.all(correctable(seen)[GRID_HZ >= 4000.0] == 0.0)


def test_every_curve_has_a_say() -> None:
    """A ripple on axis alone, and one in early reflections alone: the index changes with neither."""
    seen = curves(0.0, 0.0)
    seen["on_axis"] = curve_of(80.0 + BUMP)
    (departure,) = departures_of(seen["on_axis"], DepartureLimits())
    assert explain(departure, seen).cause == "direction-dependent"
    assert explain(departure, seen).evidence.index_change_db == pytest.approx(0.0, abs=0.1)
    seen = curves(0.0, 0.0)
    seen["early_reflections"] = curve_of(seen["early_reflections"].level_db + BUMP)
    departure = max(departures_of(seen["early_reflections"], DepartureLimits()), key=lambda one: one.size_db)
    assert explain(departure, seen).cause == "reflection-driven"
