"""What a comparison tells: notices of what is not alike, and a page of at most 100 columns."""

from __future__ import annotations

import math
from collections.abc import Mapping

from fieldproc.comparison.differences import HIGHEST_HZ, LOWEST_HZ, Spread
from fieldproc.comparison.results import Result
from fieldproc.conventions import amplitude_db
from fieldproc.errors import UsageError
from fieldproc.records import Scalar

# Facts of the tables that decide what their levels are.
_DECISIVE = {
    "quantity": "quantity",
    "reference_distance_m": "reference distance in m",
    "drive_voltage_v": "drive voltage in V",
    "drive_level_dbfs": "drive level in dBFS",
    "axis_origin_m": "origin of the axes in m",
    "axis_direction": "direction of the axis",
    "up_direction": "direction up",
    "air_absorption": "air absorption",
    "rear_wall_bounce": "rear-wall bounce",
    "early_reflections": "early reflections",
}
_CURVES = {
    "cta2034a": (
        "on_axis_db",
        "listening_window_db",
        "early_reflections_db",
        "sound_power_db",
        "in_room_estimate_db",
        "early_reflections_di_db",
        "sound_power_di_db",
    ),
    "directivity": ("sound_power_db", "directivity_index_db"),
}
_WORDS = {"directivity sound_power_db": "true sound power", "directivity directivity_index_db": "directivity index"}


def not_alike(reference: Result, other: Result) -> list[str]:
    """Notices. ``UsageError`` where channels cannot be told to belong together or levels mean different things."""
    counts = [len(result.channel_names) for result in (reference, other)]
    if counts[0] != counts[1]:
        raise UsageError(
            f"{other.name} has {counts[1]} channels, {reference.name} {counts[0]}; channel is compared with channel, "
            "so give results of as many channels"
        )
    notices = []
    if reference.channel_names != other.channel_names:
        named = [", ".join(result.channel_names) for result in (other, reference)]
        notices.append(f"{other.name}: channels are {named[0]}; compared, in this order, with {named[1]}")
    for channel in range(counts[0]):
        one, two = reference.facts(channel), other.facts(channel)
        if one.get("level_reference") != two.get("level_reference"):
            raise UsageError(
                f"{other.name} has levels re {two.get('level_reference')}, {reference.name} re "
                f"{one.get('level_reference')}: their difference means nothing; compare results of one kind"
            )
        notices += [f"{other.name}: {words}" for words in _facts_not_alike(one, two)]
    for name, scalar in reference.scalars.items():
        if name in other.scalars and other.scalars[name].note != scalar.note:
            notices.append(f"{other.name}: {name}: {other.scalars[name].note}; in the reference {scalar.note}")
    return list(dict.fromkeys(notices))


def _facts_not_alike(one: Mapping[str, str | float | int], two: Mapping[str, str | float | int]) -> list[str]:
    told = []
    for name, words in _DECISIVE.items():
        before, after = one.get(name, "not stated"), two.get(name, "not stated")
        if before == after:
            continue
        told.append(f"{words}: {after}, in the reference {before}")
        if name == "drive_voltage_v" and not isinstance(before, str) and not isinstance(after, str):
            told[-1] += f"; {amplitude_db(after / before):+.2f} dB of every level come from that alone"
    return told


def lines(
    reference: Result, other: Result, channel: int, found: Mapping[str, Spread], scalars: Mapping[str, Scalar]
) -> list[str]:
    """The page of one result and channel. ``found`` by table and column, ``scalars`` are differences."""
    band = f"{LOWEST_HZ:g} Hz to {HIGHEST_HZ / 1000:g} kHz"
    of_channel = "" if len(reference.channel_names) == 1 else f", {reference.channel_names[channel]}"
    told = [
        f"{other.name} minus {reference.name}{of_channel}",
        f"{band:<24}{'mean/dB':>9}{'95 %':>19}{'largest/dB':>13}{'at/Hz':>8}",
    ]
    for table, columns in _CURVES.items():
        for column in columns:
            if (spread := found.get(f"{table} {column}")) is not None:
                told.append(_line(_WORDS.get(f"{table} {column}", _plain(column)), spread))
    return told + [_scalar_line(name, scalar) for name, scalar in scalars.items()]


def _scalar_line(name: str, scalar: Scalar) -> str:
    """A difference of single numbers: what is below half of the last digit shown is none."""
    if not math.isfinite(scalar.value):
        return f"{name.replace('_', ' '):<38}{'not known':>9}"
    digits = 2 if abs(scalar.value) < 1000.0 else 0
    value = round(scalar.value, digits) + 0.0
    return f"{name.replace('_', ' '):<38}{value:>+9.{digits}f}  {_interval(scalar):<22} {scalar.unit}"


def _line(words: str, spread: Spread) -> str:
    if math.isnan(spread.mean.value):
        return f"{words:<24}{'nothing to compare':>28}"
    largest = f"{spread.largest_db:>+13.2f}{spread.largest_at_hz:>8.0f}"
    return f"{words:<24}{spread.mean.value:>+9.2f}{_interval(spread.mean):>19}{largest}"


def _interval(scalar: Scalar) -> str:
    known = math.isfinite(scalar.low) and math.isfinite(scalar.high)
    return f"{scalar.low:+.2f} to {scalar.high:+.2f}" if known else "not known"


def _plain(column: str) -> str:
    return column.removesuffix("_db").replace("_", " ").replace(" di", " DI").replace("in room", "in-room")
