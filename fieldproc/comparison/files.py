"""The result folder of ``fieldproc compare``, as bytes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fieldproc.comparison.differences import Spread, difference, difference_tables, joint_verdict, spreads
from fieldproc.comparison.results import COMPARED_TABLES, Result, read_result
from fieldproc.comparison.words import lines, not_alike
from fieldproc.conventions import Integers
from fieldproc.errors import UsageError
from fieldproc.outcome import table_files
from fieldproc.records import Scalar, Table
from fieldproc.results import provenance, summary_bytes


@dataclass(frozen=True, slots=True)
class Compared:
    """The files of the result folder by their path there, what to tell line by line, and notes."""

    files: Mapping[str, bytes]
    lines: tuple[str, ...]
    notices: tuple[str, ...]


def compare(paths: Sequence[Path], *, figures: bool = True) -> Compared:
    """Every result folder minus the first.

    ``UsageError`` where there are not two, where one is no result folder, or where they cannot be compared;
    ``SessionError`` where their files are broken.
    """
    if len(paths) < 2:
        raise UsageError("give two result folders or more: the first is the reference of the others")
    names = _told_apart([path.resolve() for path in paths])
    reference, *others = (read_result(path, name) for path, name in zip(paths, names, strict=True))
    notices = [notice for other in others for notice in not_alike(reference, other)]
    tables: list[dict[str, Table]] = [{} for _ in reference.channel_names]
    scalars: dict[str, Scalar] = {}
    told: list[str] = []
    for number, other in enumerate(others, start=1):
        ending = "" if len(others) == 1 else f"_{number}"
        of_scalars = _scalar_differences(reference, other)
        scalars |= {f"difference_{name}{ending}": scalar for name, scalar in of_scalars.items()}
        for channel, of_channel in enumerate(tables):
            made = difference_tables(reference, other, channel, ending)
            found = _spreads(reference, other, channel, ending, made)
            of_channel |= made
            scalars |= _means(found, ending, "" if len(tables) == 1 else f"_channel_{channel}")
            # scalars are those of the whole session
            told += ["", *lines(reference, other, channel, found, of_scalars if channel == 0 else {})]
    files = {**table_files(tables), "compare.txt": ("\n".join(told[1:]) + "\n").encode()}
    verdicts = _verdicts(reference, others)
    if figures:
        files |= _figure_files(reference, others, tables, verdicts)
    return Compared(_complete(files, reference, others, verdicts, scalars, notices), tuple(told[1:]), tuple(notices))


def _told_apart(paths: Sequence[Path]) -> list[str]:
    """Names of the folders; where two are alike with those of the folders they are in, else with numbers."""
    names = [path.name for path in paths]
    if len(set(names)) < len(names):
        names = [f"{path.parent.name}/{path.name}" for path in paths]
    if len(set(names)) < len(names):
        names = [f"{name} ({number})" for number, name in enumerate(names, start=1)]
    return names


def _scalar_differences(reference: Result, other: Result) -> dict[str, Scalar]:
    """Of the scalars that both have, in one unit."""
    return {
        name: difference(scalar, other.scalars[name])
        for name, scalar in reference.scalars.items()
        if name in other.scalars and other.scalars[name].unit == scalar.unit
    }


def _spreads(
    reference: Result, other: Result, channel: int, ending: str, made: Mapping[str, Table]
) -> dict[str, Spread]:
    """By compared table and column."""
    of_table = {name: made[f"difference_{name}{ending}"] for name in COMPARED_TABLES}
    pair = (reference, other)
    verdicts = {name: joint_verdict(pair, channel, table.column("frequency_hz")) for name, table in of_table.items()}
    return spreads(of_table, verdicts)


def _means(found: Mapping[str, Spread], ending: str, of_channel: str) -> dict[str, Scalar]:
    """Mean and largest differences for the summary."""
    scalars = {}
    for where, spread in found.items():
        table, column = where.split()
        name = f"{table}_{column.removesuffix('_db')}{of_channel}{ending}"
        scalars[f"mean_difference_{name}"] = spread.mean
        scalars[f"largest_difference_{name}"] = Scalar(spread.largest_db, "dB")
    return scalars


def _verdicts(reference: Result, others: Sequence[Result]) -> Integers:
    """What the worst of all results says of the frequencies of the reference, (frequency, channel)."""
    channels = range(len(reference.channel_names))
    return np.stack([joint_verdict((reference, *others), at, _frequency_hz(reference)) for at in channels], axis=1)


def _frequency_hz(reference: Result) -> np.ndarray:
    return reference.channels[0]["cta2034a"].column("frequency_hz")


def _figure_files(
    reference: Result, others: Sequence[Result], tables: Sequence[Mapping[str, Table]], verdicts: Integers
) -> dict[str, bytes]:
    # the drawing library takes a second to load
    from fieldproc.report import draw_differences

    files: dict[str, bytes] = {}
    for channel, of_channel in enumerate(tables):
        several = len(tables) > 1
        curves = [table for name, table in of_channel.items() if name.startswith("difference_cta2034a")]
        quality = Table.of_columns(
            "quality", {"frequency_hz": _frequency_hz(reference), "verdict_code": verdicts[:, channel]}, {}
        )
        title = f"Differences from {reference.name}" + (f", {reference.channel_names[channel]}" if several else "")
        drawn = draw_differences(curves, [other.name for other in others], quality, title)
        below = f"figures/channel-{channel}" if several else "figures"
        files |= {f"{below}/{name}": data for name, data in drawn.items()}
    return files


def _complete(
    files: Mapping[str, bytes],
    reference: Result,
    others: Sequence[Result],
    verdicts: Integers,
    scalars: Mapping[str, Scalar],
    notices: Sequence[str],
) -> dict[str, bytes]:
    """The files and, last, the summary that holds the digests of all others."""
    facts: dict[str, str] = {"reference": reference.name, "reference_summary_sha256": reference.sha256}
    for number, other in enumerate(others, start=1):
        facts |= {f"result_{number}": other.name, f"result_{number}_summary_sha256": other.sha256}
    summary = summary_bytes(
        frequency_hz=_frequency_hz(reference),
        verdict=verdicts,
        channel_names=reference.channel_names,
        dropped=(),
        scalars=scalars,
        provenance=provenance(reference.sha256, files),
        notices=notices,
        facts=facts,
    )
    return {**files, "summary.json": summary}
