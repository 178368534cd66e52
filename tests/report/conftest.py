"""Tables of an invented two-way loudspeaker, near enough to a real one to judge a figure by."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import j1

from fieldproc.conventions import POLAR_ANGLES_DEG, Floats
from fieldproc.records import Table, Verdict

MakeTables = Callable[[Floats], dict[str, Table]]

FACTS = {"drive_voltage_v": 2.83, "reference_distance_m": 1.0, "calibrated": 1}
CURVES = (
    "on_axis_db",
    "listening_window_db",
    "early_reflections_db",
    "sound_power_db",
    "in_room_estimate_db",
    "early_reflections_di_db",
    "sound_power_di_db",
)


def source_levels_db(frequency_hz: Floats, angle_deg: Floats) -> Floats:
    """A 132 mm piston that hands over to a 25 mm one at 2 kHz; shape (frequency, angle)."""
    f = frequency_hz[:, np.newaxis]
    angle = np.radians(angle_deg)[np.newaxis, :]
    low = 1 / (1 + (f / 2000.0) ** 4)
    intensity = np.zeros(np.broadcast_shapes(f.shape, angle.shape))
    for radius_m, share in ((0.066, low), (0.0125, 1 - low)):
        argument = 2 * np.pi * f / 343.0 * radius_m * np.sin(np.abs(angle)) + 1e-9
        intensity += share * (2 * j1(argument) / argument) ** 2
    rear_db = -20.0 * (1 - np.cos(angle)) / 2 / (1 + (350.0 / f) ** 1.5)
    ripple_db = 0.8 * np.sin(9 * np.log(f)) / (1 + (300.0 / f) ** 2)
    bass_db = -10 * np.log10(1 + (62.0 / f) ** 4) - 10 * np.log10(1 + (24.0 / f) ** 4)
    return 87.0 + 10 * np.log10(intensity + 1e-5) + rear_db + ripple_db + bass_db


def default_frequencies_hz() -> Floats:
    return 20.0 * 2.0 ** (np.arange(240) / 24)


def polar_table(name: str, frequency_hz: Floats, level_db: Floats) -> Table:
    header = ("frequency_hz", *(f"level_{angle:+04d}_db" for angle in POLAR_ANGLES_DEG))
    return Table(name, header, np.column_stack([frequency_hz, level_db]), FACTS)


def cta_table(frequency_hz: Floats) -> Table:
    """Curves averaged over a cone each: shapes as in a real table, not the averages of the standard."""

    def mean_db(widest_deg: float, power: float) -> Floats:
        angle = np.linspace(0.0, widest_deg, 40)
        weight = np.sin(np.radians(angle)) ** power + 1e-3
        energy = 10 ** (source_levels_db(frequency_hz, angle) / 10)
        mean: Floats = 10 * np.log10((energy * weight).sum(axis=1) / weight.sum())
        return mean

    axis = source_levels_db(frequency_hz, np.zeros(1))[:, 0]
    window, early, power = mean_db(25.0, 1.0), mean_db(90.0, 0.6), mean_db(180.0, 1.0)
    room = 10 * np.log10(0.12 * 10 ** (window / 10) + 0.44 * 10 ** (early / 10) + 0.44 * 10 ** (power / 10))
    columns = [frequency_hz, axis, window, early, power, room, window - early, window - power]
    return Table("cta2034a", ("frequency_hz", *CURVES), np.stack(columns, axis=1), FACTS)


def quality_table(frequency_hz: Floats) -> Table:
    """Not to be used below 50 Hz and above 8 kHz, caution up to 80 Hz and from 5.6 kHz."""
    code = np.full(len(frequency_hz), Verdict.GOOD, dtype=np.float64)
    code[(frequency_hz < 80.0) | (frequency_hz > 5600.0)] = Verdict.CAUTION
    code[(frequency_hz < 50.0) | (frequency_hz > 8000.0)] = Verdict.DO_NOT_USE
    return Table("quality", ("frequency_hz", "verdict_code"), np.column_stack([frequency_hz, code]), {})


def all_tables(frequency_hz: Floats) -> dict[str, Table]:
    angles = np.array(POLAR_ANGLES_DEG, dtype=np.float64)
    horizontal = source_levels_db(frequency_hz, angles)
    # Two sources above one another: a tilted lobe around the crossover, upwards.
    tilt = np.exp(-(np.log2(frequency_hz / 2200.0) ** 2))[:, np.newaxis]
    vertical = horizontal - 9.0 * tilt * (1 - np.cos(np.radians(3 * angles - 40.0)))
    return {
        "cta2034a": cta_table(frequency_hz),
        "horizontal": polar_table("horizontal", frequency_hz, horizontal),
        "vertical": polar_table("vertical", frequency_hz, vertical),
        "quality": quality_table(frequency_hz),
    }


@pytest.fixture(scope="session")
def make_tables() -> MakeTables:
    """``all_tables`` itself, for other frequencies than the default ones."""
    return all_tables


@pytest.fixture(scope="session")
def tables() -> dict[str, Table]:
    return all_tables(default_frequencies_hz())
