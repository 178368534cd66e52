"""The curves of ANSI/CTA-2034-A (2015), in squared pressure, from two polars of 36 angles.

Angle groups after p. 12 of the standard, sound power weights after its Appendix C. Where the text leaves
a choice the facts of the table name the one taken.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fieldproc.conventions import POLAR_ANGLES_DEG, Complexes, Floats, level_db, power_db
from fieldproc.records import FarField
from fieldproc.settings import TableSettings
from fieldproc.tables.polar import polars_of

RearWall = Literal["three", "all"]
EarlyReflections = Literal["groups", "pooled"]

# The standard's measurement grid.
_STEP_DEG = 10.0


@dataclass(frozen=True, slots=True)
class Group:
    """Angles, in degrees, whose curves are averaged in squared pressure."""

    horizontal: tuple[int, ...] = ()
    vertical: tuple[int, ...] = ()


def _both_sides(*angles: int) -> tuple[int, ...]:
    return tuple(sign * angle for angle in angles for sign in (1, -1))


# 9 curves; 0 degrees is one of them, once.
LISTENING_WINDOW = Group(horizontal=(0, *_both_sides(10, 20, 30)), vertical=_both_sides(10))
# p. 12, "Early Reflections". Positive vertical angles are up, so the floor is below zero.
FLOOR_BOUNCE = Group(vertical=(-20, -30, -40))
CEILING_BOUNCE = Group(vertical=(40, 50, 60))
FRONT_WALL_BOUNCE = Group(horizontal=(0, *_both_sides(10, 20, 30)))
SIDE_WALL_BOUNCE = Group(horizontal=_both_sides(40, 50, 60, 70, 80))
# p. 12 lists the rear wall twice: 3 angles under "Early Reflections", 19 under "Horizontal Reflections".
REAR_WALL_BOUNCE: Mapping[RearWall, Group] = {
    "three": Group(horizontal=(180, *_both_sides(90))),
    "all": Group(horizontal=(180, *_both_sides(90, 100, 110, 120, 130, 140, 150, 160, 170))),
}
# 36 + 34: both planes share 0 and 180 degrees.
ALL_MEASUREMENTS = Group(
    horizontal=POLAR_ANGLES_DEG,
    vertical=tuple(angle for angle in POLAR_ANGLES_DEG if angle not in (0, 180)),
)


def appendix_c_weight(angle_deg: int) -> float:
    """Part of the sphere that one measurement at this angle from the axis stands for (Appendix C).

    Closed form: four great circles at t degrees from the axis bound a spherical square of area
    A(t) = 4 asin(sin^2 t). The ring between the squares half a step inside and outside the angle is shared
    by four measurements, left, right, up and down.
    """
    # The rear half mirrors the front.
    angle = min(abs(angle_deg), 180 - abs(angle_deg))
    inner = _square_area(angle - _STEP_DEG / 2) if angle > 0 else 0.0
    # Past 90 degrees the squares are those of the rear: the ring at 90 has two equal halves.
    ring = 2.0 * (_square_area(90.0) - inner) if angle == 90 else _square_area(angle + _STEP_DEG / 2) - inner
    return ring / 4.0 / (4.0 * np.pi)


def curve_columns(far_field: FarField, settings: TableSettings, channel: int) -> dict[str, Floats]:
    """:func:`standard_curves` of one channel of a far field, read as the settings say."""
    polars = polars_of(far_field, channel)
    return standard_curves(polars.horizontal_pa, polars.vertical_pa, settings.rear_wall, settings.early_reflections)


def standard_curves(
    horizontal_pa: Complexes, vertical_pa: Complexes, rear_wall: RearWall, early_reflections: EarlyReflections
) -> dict[str, Floats]:
    """Every column of ``cta2034a.csv`` but the frequency, in dB re 20 uPa (directivity indices in dB).

    Pressures have shape (frequency, angle), angles as ``POLAR_ANGLES_DEG``. A nan direction makes nan of
    the averages that need it and of no others.
    """
    horizontal, vertical = np.abs(horizontal_pa) ** 2, np.abs(vertical_pa) ** 2

    def mean(group: Group) -> Floats:
        average: Floats = _select(horizontal, vertical, group).mean(axis=1)
        return average

    groups = _reflections(rear_wall)
    floor, ceiling, front, side, rear = (mean(group) for group in groups)
    listening_window = mean(LISTENING_WINDOW)
    # By default five groups with equal weight; among 26 pooled curves the side walls outvote the floor.
    of_groups = np.mean([floor, ceiling, front, side, rear], axis=0)
    early = mean(_pooled(groups)) if early_reflections == "pooled" else of_groups
    sound_power = _sound_power(horizontal, vertical)
    in_room = 0.12 * listening_window + 0.44 * early + 0.44 * sound_power
    curves = {
        "on_axis_db": horizontal[:, POLAR_ANGLES_DEG.index(0)],
        "listening_window_db": listening_window,
        "floor_bounce_db": floor,
        "ceiling_bounce_db": ceiling,
        "front_wall_bounce_db": front,
        "side_wall_bounce_db": side,
        "rear_wall_bounce_db": rear,
        "early_reflections_db": early,
        "vertical_reflections_db": np.mean([floor, ceiling], axis=0),
        # p. 12, "Horizontal Reflections": here the rear wall has all its angles, whatever is chosen above.
        "horizontal_reflections_db": np.mean([front, side, mean(REAR_WALL_BOUNCE["all"])], axis=0),
        "sound_power_db": sound_power,
    }
    levels = {name: level_db(np.sqrt(mean_square)) for name, mean_square in curves.items()}
    levels["early_reflections_di_db"] = _ratio_db(listening_window, early)
    levels["sound_power_di_db"] = _ratio_db(listening_window, sound_power)
    levels["in_room_estimate_db"] = level_db(np.sqrt(in_room))
    return levels


def choices(rear_wall: RearWall, early_reflections: EarlyReflections) -> dict[str, str]:
    """How the open points of the standard were read, for the facts of the table."""
    rear = {"three": "180 and +-90 degrees (3 curves)", "all": "90 to 180 degrees, both sides (19 curves)"}
    pool = _pooled(_reflections(rear_wall))
    early = {
        "groups": "five group averages with equal weight",
        "pooled": f"all {len(pool.horizontal) + len(pool.vertical)} curves of the five groups with equal weight",
    }
    return {
        "standard": "ANSI/CTA-2034-A (2015): angle groups p. 12, sound power weights Appendix C",
        "averages": "mean of squared pressure",
        "rear_wall_bounce": f"{rear[rear_wall]}; the standard (p. 12) gives both readings",
        "horizontal_reflections": "mean of front, side and rear wall, the rear wall from all 19 rear angles",
        "early_reflections": early[early_reflections],
        "sound_power": "sum of weighted squared pressure of 70 curves, divided by the sum of the weights",
        "directivity_indices": "listening window minus early reflections, listening window minus sound power",
        "in_room_estimate": ("0.12 listening window, 0.44 early reflections, 0.44 sound power, as squared pressure"),
    }


def _reflections(rear_wall: RearWall) -> tuple[Group, ...]:
    """The five groups of the early reflections: floor, ceiling, front, side and rear wall."""
    return FLOOR_BOUNCE, CEILING_BOUNCE, FRONT_WALL_BOUNCE, SIDE_WALL_BOUNCE, REAR_WALL_BOUNCE[rear_wall]


def _pooled(groups: Iterable[Group]) -> Group:
    """All curves of the groups in one; no two of them share any."""
    members = tuple(groups)
    return Group(
        horizontal=tuple(angle for group in members for angle in group.horizontal),
        vertical=tuple(angle for group in members for angle in group.vertical),
    )


def _square_area(half_angle_deg: float) -> float:
    return float(4.0 * np.arcsin(np.sin(np.radians(half_angle_deg)) ** 2))


def _select(horizontal: Floats, vertical: Floats, group: Group) -> Floats:
    """The group's curves, shape (frequency, curve)."""
    return np.concatenate(
        [
            horizontal[:, [POLAR_ANGLES_DEG.index(angle) for angle in group.horizontal]],
            vertical[:, [POLAR_ANGLES_DEG.index(angle) for angle in group.vertical]],
        ],
        axis=1,
    )


def _sound_power(horizontal: Floats, vertical: Floats) -> Floats:
    """Weighted mean square of the 70 measurements.

    The weights sum to 0.99637, for 0 and 180 degrees occur once and not four times; without the division a
    source equally loud everywhere would lose 0.016 dB.
    """
    angles = ALL_MEASUREMENTS.horizontal + ALL_MEASUREMENTS.vertical
    weights = np.array([appendix_c_weight(angle) for angle in angles])
    power: Floats = _select(horizontal, vertical, ALL_MEASUREMENTS) @ weights / weights.sum()
    return power


def _ratio_db(numerator: Floats, denominator: Floats) -> Floats:
    # Silence over silence is nan, anything over silence is inf.
    with np.errstate(divide="ignore", invalid="ignore"):
        return power_db(numerator / denominator)
