"""The straight line from an input file to the files of its result folder. Computes; writes nothing."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fieldproc.condition import condition
from fieldproc.conventions import (
    POLAR_ANGLES_DEG,
    Floats,
    Integers,
    angles_from_directions,
    horizontal_directions,
    level_db,
    output_axes,
    phase_deg,
    vertical_directions,
)
from fieldproc.errors import NumericalError
from fieldproc.expand import expand
from fieldproc.extrapolate import extrapolate, far_field_pressure, pressure_at
from fieldproc.records import (
    DroppedPoint,
    Expansion,
    FarField,
    ReferenceAxis,
    Session,
    Spectra,
    Table,
    Verdict,
)
from fieldproc.report import draw
from fieldproc.results import (
    Scalar,
    csv_bytes,
    field_bytes,
    provenance,
    read_field,
    sidecar_bytes,
    summary_bytes,
)
from fieldproc.session import open_input
from fieldproc.settings import AxisSettings, ExtrapolationSettings, Settings, dump_settings
from fieldproc.tables import points_table, quality_table, tabulate
from fieldproc.validate import validate, validation_directions

Facts = Mapping[str, str | float | int]
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one input came to: every file of its folder, and what the closing line says.

    ``failures`` are missed tolerances of ``validate``; ``untrusted`` says that some band is "do not use".
    """

    files: Mapping[str, bytes]
    message: str
    failures: tuple[str, ...] = ()
    untrusted: bool = False


def process_session(path: Path, settings: Settings, progress: Progress, *, figures: bool = True) -> Outcome:
    """A scan session, or an imported far field, to the files of its result folder."""
    source = open_input(path)
    if isinstance(source, FarField):
        return _process_far_field(path, source, settings, figures)
    spectra = _with_axis(condition(source, settings.spectra), settings.axis)
    expansion = expand(spectra, settings, progress)
    far_field = extrapolate(expansion, spectra.axis, _standard_directions(), settings.extrapolation)
    facts = _facts(source, spectra, settings)
    tables = [
        _scan_tables(source, spectra, expansion, far_field, settings, facts, channel)
        for channel in range(len(far_field.channel_names))
    ]
    files = {"field.h5": field_bytes(expansion, spectra.axis, facts)}
    files |= _render(tables, far_field.channel_names, source.title, figures and settings.report.figures)
    verdict = expansion.quality.verdict
    summary = _summary(
        files,
        settings,
        facts,
        far_field,
        verdict,
        spectra.notices + expansion.notices,
        dropped=spectra.dropped,
    )
    return Outcome(summary, _trust(far_field.frequency_hz, verdict), untrusted=bool((verdict == 2).any()))


def validate_session(path: Path, settings: Settings, progress: Progress) -> Outcome:
    """A scan of a known point source: how far its far field is from the only one it can have."""
    session = open_input(path)
    if isinstance(session, FarField):
        raise NumericalError("validate", "kind of input", "a far field", "a scan", "give the scan session itself")
    if session.known_source is None:
        raise NumericalError(
            "validate",
            "known source",
            "not stated",
            "/known_source/position_m",
            "state where the source stood",
        )
    spectra = _with_axis(condition(session, settings.spectra), settings.axis)
    expansion = expand(spectra, settings, progress)
    far_field = extrapolate(expansion, spectra.axis, validation_directions()[0], ExtrapolationSettings())
    rotation = output_axes(spectra.axis.direction, spectra.axis.up)
    stated_m = rotation @ (session.known_source.position_m - spectra.axis.origin_m)
    per_volt = session.known_source.volume_velocity_m3_per_s_per_v
    strength = None if per_volt is None else per_volt * session.drive.voltage_v
    verdict = expansion.quality.verdict
    result = validate(far_field, verdict[:, 0], stated_m, strength, settings.validation)
    facts = _facts(session, spectra, settings)
    table = replace(result.table, facts={**facts, **result.table.facts})
    quality = _quality(expansion, facts, 0)
    files = _render([{"validation": table, "quality": quality}], ("",), session.title, figures=False)
    found_m = rotation.T @ result.place_m + spectra.axis.origin_m
    misplaced_m = float(np.linalg.norm(found_m - session.known_source.position_m))
    scalars = {f"found_{name}": Scalar(float(x), "m") for name, x in zip("xyz", found_m, strict=True)}
    scalars |= {"place_error": Scalar(misplaced_m, "m")}
    scalars |= _worst_in_band(table, settings)
    notices = spectra.notices + expansion.notices + result.failures
    summary = _summary(files, settings, facts, far_field, verdict, notices, dropped=spectra.dropped, scalars=scalars)
    message = (
        f"source found {1e3 * misplaced_m:.2f} mm from its stated place; largest ripple "
        f"{scalars['largest_ripple'].value:.3f} dB from {settings.validation.lowest_hz:g} to "
        f"{settings.validation.highest_hz:g} Hz"
    )
    return Outcome(summary, message, failures=result.failures, untrusted=bool((verdict == 2).any()))


def answer_directions(field_file: Path, directions: Floats, distance_m: float | None) -> Table:
    """Level and phase in any output-axis directions, from a field file alone; one row per channel,
    direction and frequency. Without a distance: far field scaled to 1 m."""
    expansion, axis, facts = read_field(field_file)
    if distance_m is None:
        pressure = far_field_pressure(expansion, axis, directions)
    else:
        pressure = pressure_at(expansion, axis, directions, distance_m)
    azimuth_deg, elevation_deg = angles_from_directions(directions)
    # rows run over channels, then directions, then frequencies
    ordered = np.moveaxis(pressure, 0, -1)
    channel, direction, row = np.indices(ordered.shape).reshape(3, -1)
    values = np.column_stack(
        [
            channel,
            azimuth_deg[direction],
            elevation_deg[direction],
            np.full(channel.size, np.inf if distance_m is None else distance_m),
            expansion.frequency_hz[row],
            level_db(ordered).ravel(),
            phase_deg(ordered).ravel(),
        ]
    )
    header = (
        "channel",
        "azimuth_deg",
        "elevation_deg",
        "distance_m",
        "frequency_hz",
        "level_db",
        "phase_deg",
    )
    return Table("at", header, values, facts)


def _process_far_field(path: Path, far_field: FarField, settings: Settings, figures: bool) -> Outcome:
    """A directivity measured elsewhere enters at the tables stage: nothing of it can be expanded."""
    axis = _chosen_axis(ReferenceAxis(), settings.axis)
    turned = replace(far_field, directions=far_field.directions @ output_axes(axis.direction, axis.up).T)
    facts: Facts = {
        "session": path.stem,
        "session_sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        "calibrated": 0,
        "axis_direction": _words(axis.direction),
        "up_direction": _words(axis.up),
    }
    tables = [
        {table.name: table for table in tabulate(turned, settings.tables, facts, channel)}
        for channel in range(len(turned.channel_names))
    ]
    files = _render(tables, turned.channel_names, path.stem, figures and settings.report.figures)
    # its errors are whatever they were elsewhere: at best "caution", "do not use" where there is nothing
    absent = ~np.isfinite(turned.pressure_pa).any(axis=2)
    verdict = np.where(absent, int(Verdict.DO_NOT_USE), int(Verdict.CAUTION))
    notices = (*turned.notices, "imported far field: its errors are not known here")
    summary = _summary(files, settings, facts, turned, verdict, notices)
    return Outcome(summary, "imported far field, tables only", untrusted=bool(absent.any()))


def _scan_tables(
    session: Session,
    spectra: Spectra,
    expansion: Expansion,
    far_field: FarField,
    settings: Settings,
    facts: Facts,
    channel: int,
) -> dict[str, Table]:
    tables = (
        *tabulate(far_field, settings.tables, facts, channel),
        _quality(expansion, facts, channel),
        points_table(session, spectra, expansion.quality.point_residual_db, channel, facts=facts),
    )
    return {table.name: table for table in tables}


def _quality(expansion: Expansion, facts: Facts, channel: int) -> Table:
    return quality_table(
        expansion.frequency_hz,
        expansion.quality,
        expansion.outgoing_order,
        expansion.regular_order,
        channel,
        facts=facts,
    )


def _render(channels: list[dict[str, Table]], names: tuple[str, ...], title: str, figures: bool) -> dict[str, bytes]:
    """Tables with their sidecars, and figures, by path in the result folder."""
    files = {}
    for channel, tables in enumerate(channels):
        below = f"channel-{channel}/" if len(channels) > 1 else ""
        for table in tables.values():
            files[f"tables/{below}{table.name}.csv"] = csv_bytes(table)
            files[f"tables/{below}{table.name}.csv-metadata.json"] = sidecar_bytes(table)
        if figures:
            heading = f"{title}, {names[channel]}" if len(channels) > 1 else title
            drawn = draw(tables, heading)
            files |= {f"figures/{below}{name}": data for name, data in drawn.items()}
    return files


def _summary(
    files: dict[str, bytes],
    settings: Settings,
    facts: Facts,
    far_field: FarField,
    verdict: Integers,
    notices: tuple[str, ...],
    *,
    dropped: tuple[DroppedPoint, ...] = (),
    scalars: Mapping[str, Scalar] | None = None,
) -> dict[str, bytes]:
    """The files with settings and, last, the summary that holds the digests of all others."""
    files = {**files, "settings.toml": dump_settings(settings).encode()}
    return {
        **files,
        "summary.json": summary_bytes(
            frequency_hz=far_field.frequency_hz,
            verdict=verdict,
            channel_names=far_field.channel_names,
            dropped=dropped,
            scalars=scalars or {},
            provenance=provenance(str(facts["session_sha256"]), files),
            notices=notices,
            facts=facts,
        ),
    }


def _standard_directions() -> Floats:
    """The polar directions of both planes."""
    angles = np.array(POLAR_ANGLES_DEG, dtype=np.float64)
    return np.concatenate([horizontal_directions(angles), vertical_directions(angles)])


def _with_axis(spectra: Spectra, settings: AxisSettings) -> Spectra:
    return replace(spectra, axis=_chosen_axis(spectra.axis, settings))


def _chosen_axis(stated: ReferenceAxis, settings: AxisSettings) -> ReferenceAxis:
    """The reference axis of the settings, what they leave out as the session states it."""
    chosen = {
        name: np.array(value, dtype=np.float64)
        for name, value in (
            ("origin_m", settings.origin_m),
            ("direction", settings.direction),
            ("up", settings.up),
        )
        if value != "session"
    }
    axis = replace(stated, **chosen)
    try:
        output_axes(axis.direction, axis.up)
    except ValueError as error:
        raise NumericalError("settings", "axis", str(error), "two directions at an angle", "set axis.up") from error
    return axis


def _facts(session: Session, spectra: Spectra, settings: Settings) -> Facts:
    """What every table of the session states beside its numbers."""
    facts: dict[str, str | float | int] = {
        "session": session.name,
        "title": session.title,
        "device": session.device,
        "session_sha256": session.sha256,
        "integrity": session.integrity,
        "calibrated": int(not any("relative" in notice for notice in session.notices)),
        "axis_origin_m": _words(spectra.axis.origin_m),
        "axis_direction": _words(spectra.axis.direction),
        "up_direction": _words(spectra.axis.up),
        "latency_removed_s": settings.extrapolation.latency_s,
    }
    if session.unit == "Pa/FS":
        assert session.drive.level_dbfs is not None
        facts["drive_level_dbfs"] = session.drive.level_dbfs
    else:
        facts["drive_voltage_v"] = session.drive.voltage_v
    return facts


def _worst_in_band(table: Table, settings: Settings) -> dict[str, Scalar]:
    frequency_hz = table.column("frequency_hz")
    band = (frequency_hz >= settings.validation.lowest_hz) & (frequency_hz <= settings.validation.highest_hz)
    judged = band & (table.column("verdict_code") != Verdict.DO_NOT_USE)
    return {
        "largest_ripple": Scalar(float(np.nanmax(table.column("ripple_db")[judged])), "dB"),
        "largest_phase_error": Scalar(float(np.nanmax(table.column("phase_error_deg")[judged])), "deg"),
    }


def _trust(frequency_hz: Floats, verdict: Integers) -> str:
    """Closing words: the span between the first and last frequency judged good in every channel."""
    good = np.flatnonzero((verdict == Verdict.GOOD).all(axis=1))
    if not good.size:
        return "no frequency is judged good; see summary.json"
    held = np.all(verdict[good[0] : good[-1] + 1] == Verdict.GOOD)
    words = f"good from {frequency_hz[good[0]]:.4g} to {frequency_hz[good[-1]]:.4g} Hz"
    return words if held else f"{words}, with gaps; see summary.json"


def _words(vector: Floats) -> str:
    return " ".join(f"{x:.9g}" for x in vector)
