"""What one input comes to: the files of its result folder, as bytes, and the words of the closing line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.records import DroppedPoint, Facts, ReferenceAxis, Scalar, Session, Spectra, Table, Verdict
from fieldproc.results import csv_bytes, provenance, sidecar_bytes, summary_bytes
from fieldproc.settings import Settings, dump_settings

# What the curves say, in a result folder.
FINDINGS = "findings.json"


@dataclass(frozen=True, slots=True)
class Outcome:
    """Every file of the result folder by its path there, and how the input ended.

    ``failures`` are missed tolerances of ``validate``; ``untrusted`` says that some band is "do not use".
    """

    files: Mapping[str, bytes]
    message: str
    notices: tuple[str, ...] = ()
    failures: tuple[str, ...] = ()
    untrusted: bool = False


@dataclass(frozen=True, slots=True)
class Judgement:
    """How far the results may be believed: verdict (frequency, channel) and what a reader must know."""

    frequency_hz: Floats
    verdict: Integers
    channel_names: tuple[str, ...]
    notices: tuple[str, ...]
    dropped: tuple[DroppedPoint, ...] = ()
    scalars: Mapping[str, Scalar] = field(default_factory=dict)

    @property
    def untrusted(self) -> bool:
        """Is any frequency of any channel not to be used?"""
        return bool((self.verdict == Verdict.DO_NOT_USE).any())

    @property
    def words(self) -> str:
        """The span between the first and last frequency judged good in every channel, and what was dropped."""
        left_out = f"; {len(self.dropped)} points left out" if self.dropped else ""
        return self._good_span() + left_out

    def _good_span(self) -> str:
        good = np.flatnonzero((self.verdict == Verdict.GOOD).all(axis=1))
        if not good.size:
            return "no frequency is judged good"
        span = slice(good[0], good[-1] + 1)
        lowest, highest = (hertz_words(float(self.frequency_hz[at])) for at in good[[0, -1]])
        words = f"good from {lowest} to {highest} Hz"
        return words if np.all(self.verdict[span] == Verdict.GOOD) else f"{words}, with gaps"


def hertz_words(frequency_hz: float) -> str:
    """Four digits, and never a power of ten: 25.2, 19900."""
    return f"{float(f'{frequency_hz:.4g}'):g}" if frequency_hz < 1e5 else f"{frequency_hz:.4g}"


def session_facts(session: Session, spectra: Spectra, settings: Settings) -> Facts:
    """What every table of the session states beside its numbers."""
    facts: dict[str, str | float | int] = {
        # author, licence and the like
        **session.attributes,
        "session": session.name.encode(errors="backslashreplace").decode(),
        "title": session.title,
        "device": session.device,
        "session_sha256": session.sha256,
        "integrity": session.integrity,
        "calibrated": int(session.calibrated),
        **axis_facts(spectra.axis, settings),
        "absorption_air": spectra.absorption_air,
    }
    if spectra.cabinet is not None:
        facts["cabinet_size_m"] = numbers(spectra.cabinet.size_m)
        facts["cabinet_center_m"] = numbers(spectra.cabinet.center_m)
    if session.rated_impedance_ohm is not None:
        facts["rated_impedance_ohm"] = session.rated_impedance_ohm
    if session.unit == "Pa/FS":
        assert session.drive.level_dbfs is not None
        facts["drive_level_dbfs"] = session.drive.level_dbfs
    else:
        facts["drive_voltage_v"] = session.drive.voltage_v
    return dict(sorted(facts.items()))


def axis_facts(axis: ReferenceAxis, settings: Settings) -> dict[str, str | float | int]:
    """What depends on the reference axis and on how pressures are stated about it."""
    return {
        "axis_origin_m": numbers(axis.origin_m),
        "axis_direction": numbers(axis.direction),
        "up_direction": numbers(axis.up),
        "latency_removed_s": settings.extrapolation.latency_s,
        "air_absorption": air_absorption_words(settings.extrapolation.air_absorption),
    }


def air_absorption_words(included: bool) -> str:
    """What a table states of the air between loudspeaker and listener."""
    return "taken off over the distance from the axis origin" if included else "not included: lossless air"


def table_files(channels: Sequence[Mapping[str, Table]]) -> dict[str, bytes]:
    """Tables of every channel with their sidecars, by path in the result folder."""
    files = {}
    for channel, tables in enumerate(channels):
        below = channel_folder("tables", channel, len(channels))
        for name, table in tables.items():
            files[f"{below}/{name}.csv"] = csv_bytes(table)
            files[f"{below}/{name}.csv-metadata.json"] = sidecar_bytes(table)
    return files


def complete(
    files: Mapping[str, bytes],
    settings: Settings,
    facts: Facts,
    judgement: Judgement,
    message: str | None = None,
    failures: Sequence[str] = (),
) -> dict[str, bytes]:
    """The files with the settings and, last, the summary that holds the digests of all others.

    ``message`` is what the command says of the result, by default how far it may be believed.
    """
    listed = {**files, "settings.toml": dump_settings(settings).encode()}
    summary = summary_bytes(
        frequency_hz=judgement.frequency_hz,
        verdict=judgement.verdict,
        channel_names=judgement.channel_names,
        dropped=judgement.dropped,
        scalars=judgement.scalars,
        provenance=provenance(str(facts["session_sha256"]), listed),
        notices=judgement.notices,
        facts=facts,
        message=judgement.words if message is None else message,
        failures=failures,
    )
    return {**listed, "summary.json": summary}


def numbers(vector: Floats) -> str:
    """A vector as text for a fact."""
    return " ".join(f"{x:.9g}" for x in vector)


def channel_prefix(channel: int, channels: int) -> str:
    """What the summary puts before the names of single numbers of a channel, where there are several."""
    return "" if channels == 1 else f"channel_{channel}_"


def channel_folder(folder: str, channel: int, channels: int) -> str:
    """Where the files of a channel stand: a folder of its own where there are several."""
    return folder if channels == 1 else f"{folder}/channel-{channel}"
