"""The straight line from an input file to the files of its result folder. Computes; writes nothing."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from fieldproc.condition import condition
from fieldproc.conventions import (
    Floats,
    directions_from_angles,
    level_db,
    output_axes,
    phase_deg,
)
from fieldproc.derive import Radiation, Tables, by_name, field_tables, unscanned_told
from fieldproc.errors import NumericalError, UsageError
from fieldproc.expand import expand, mend
from fieldproc.exports import derived_files, named_by_channel
from fieldproc.extrapolate import deviations_at, extrapolate, far_field_deviations, far_field_pressure, pressure_at
from fieldproc.found import findings_files, findings_lines, joined, subject_of, told_of
from fieldproc.impulse import ImpulseResponse, impulse_response
from fieldproc.outcome import (
    FINDINGS,
    Judgement,
    Outcome,
    air_absorption_words,
    axis_facts,
    complete,
    numbers,
    session_facts,
    table_files,
)
from fieldproc.records import (
    Expansion,
    Facts,
    FarField,
    ReferenceAxis,
    Scalar,
    Session,
    Spectra,
    Table,
    verdict_legend,
)
from fieldproc.results import field_bytes, read_field
from fieldproc.session import open_input
from fieldproc.settings import AxisSettings, ExtrapolationSettings, Settings
from fieldproc.tables import BAND_FACTS, points_table, pressure_band, quality_table, rescan_table, responses_table
from fieldproc.validate import validate, validation_directions

Progress = Callable[[int, int], None]
_FAR_AWAY = (
    "far away, another origin turns phases and moves no level: for a listener at another height take "
    'extrapolation.quantity = "true pressure" and a distance, or another direction'
)


def process_session(path: Path, settings: Settings, progress: Progress, *, figures: bool = True) -> Outcome:
    """A scan session, or an imported far field, to the files of its result folder."""
    session = open_input(path)
    if isinstance(session, FarField):
        return _process_far_field(path, session, settings, figures)
    spectra = mended_spectra(session, settings)
    expansion = expand(spectra, settings, progress)
    facts = session_facts(session, spectra, settings)
    radiation = Radiation.of_expansion(expansion, spectra.axis, settings)
    tables, coverage = field_tables(radiation, expansion, spectra.axis, settings, facts)
    residual_db = expansion.quality.point_residual_db
    for channel, own in enumerate(tables):
        own |= by_name(points_table(session, spectra, residual_db, channel, facts=facts))
        if spectra.waterfall is not None:
            own |= by_name(responses_table(spectra.waterfall, spectra.axis, channel, facts=facts))
    # one visit measures all channels
    rescan = rescan_table(session, spectra, residual_db, facts=facts)
    derived, scalars = derived_files(radiation, tables, settings, facts)
    found, tables = _findings(radiation, tables, scalars, settings, facts, (expansion, spectra.axis))
    files = {"field.h5": field_bytes(expansion, spectra.axis, facts), **derived, **found}
    files |= table_files([by_name(rescan)])
    judgement = _judgement(spectra, expansion)
    told = (*judgement.notices, *unscanned_told(coverage), *_rescan_told(rescan))
    if settings.extrapolation.air_absorption:
        told = (*told, f"air absorption taken off for {spectra.absorption_air}")
    judgement = replace(judgement, notices=told, scalars=scalars)
    if figures and settings.report.figures:
        files |= _report(files, tables, settings, facts, judgement, (expansion, spectra.axis))
    files = complete(files, settings, facts, judgement)
    return Outcome(files, judgement.words, judgement.notices, untrusted=judgement.untrusted)


def retabulate(folder: Path, settings: Settings, *, figures: bool = True) -> Outcome:
    """All that needs no scan once more, about the axis of the settings, from the field file of a result folder."""
    expansion, stated, context = read_field(folder / "field.h5")
    axis = _chosen_axis(stated, settings.axis)
    facts = dict(sorted({**_facts_of(context), **axis_facts(axis, settings)}.items()))
    radiation = Radiation.of_expansion(expansion, axis, settings)
    tables, coverage = field_tables(radiation, expansion, axis, settings, facts)
    derived, scalars = derived_files(radiation, tables, settings, facts)
    found, tables = _findings(radiation, tables, scalars, settings, facts, (expansion, axis))
    files = {"field.h5": field_bytes(expansion, axis, facts), **derived, **found}
    judgement = Judgement(
        expansion.frequency_hz,
        expansion.quality.verdict,
        expansion.channel_names,
        (*expansion.notices, *unscanned_told(coverage)),
        scalars=scalars,
    )
    if figures and settings.report.figures:
        files |= _report(files, tables, settings, facts, judgement, (expansion, axis))
    files = complete(files, settings, facts, judgement)
    about = f"about {facts['axis_origin_m']} m towards {facts['axis_direction']}"
    far = settings.extrapolation.quantity == "far field"
    moved = far and not np.array_equal(axis.origin_m, stated.origin_m)
    notices = (_FAR_AWAY,) if moved else ()
    return Outcome(files, f"{judgement.words}; {about}", notices, untrusted=judgement.untrusted)


def _facts_of(context: Facts) -> Facts:
    """Facts as a run states them: a field file holds all numbers as floats."""
    return {**context, **{name: int(value) for name, value in context.items() if name == "calibrated"}}


def find_again(folder: Path, settings: Settings) -> tuple[Outcome, list[str]]:
    """What is found with these settings, from the field file of a result folder; and all of it in lines of text."""
    expansion, axis, context = read_field(folder / "field.h5")
    facts = _facts_of(context)
    # nothing is exported: one direction is enough of a balloon
    exports = settings.exports.model_copy(update={"formats": (), "balloon": ((0.0, 0.0),)})
    radiation = Radiation.of_expansion(expansion, axis, settings.model_copy(update={"exports": exports}))
    count = len(expansion.channel_names)
    scalars: dict[str, Scalar] = {}
    for channel in range(count):
        scalars |= named_by_channel(radiation.scalars(settings, facts, channel), channel, count)
    files, _ = findings_files(subject_of(radiation, settings, (expansion, axis)), scalars, settings, facts)
    judgement = Judgement(
        expansion.frequency_hz, expansion.quality.verdict, expansion.channel_names, expansion.notices, scalars=scalars
    )
    lines = findings_lines(files[FINDINGS])
    return Outcome(complete(files, settings, facts, judgement), judgement.words, untrusted=judgement.untrusted), lines


def _findings(
    radiation: Radiation,
    tables: Sequence[Tables],
    scalars: Mapping[str, Scalar],
    settings: Settings,
    facts: Facts,
    field: tuple[Expansion, ReferenceAxis] | None,
) -> tuple[dict[str, bytes], list[Tables]]:
    """Files of what is found, if that is asked for, and all tables with those of the findings."""
    if not settings.findings.enabled:
        return {}, list(tables)
    files, more = findings_files(subject_of(radiation, settings, field), scalars, settings, facts)
    return files, joined(tables, more)


def _report(
    files: Mapping[str, bytes],
    tables: Sequence[Tables],
    settings: Settings,
    facts: Facts,
    judgement: Judgement,
    source: tuple[Expansion, ReferenceAxis] | FarField,
) -> dict[str, bytes]:
    """Figures and page, from what the folder will hold and a rebuild finds there again."""
    # the drawing library takes a second to load, which --tables-only and "at" need not wait for
    from fieldproc.page import Sphere, report_files

    sphere: Sphere | None = None
    if not isinstance(source, FarField):
        sphere = Sphere.of_expansion(*source)
    elif "exports/directivity.sofa" in files:
        sphere = Sphere.of_far_field(source)
    # no digests yet, which the page does not read: files are hashed once, when all are there
    summary = json.loads(complete({}, settings, facts, judgement)["summary.json"])
    return report_files(tables, summary, settings, sphere, told_of(files))


def validate_session(path: Path, settings: Settings, progress: Progress) -> Outcome:
    """A scan of a known point source: how far its far field is from the only one it can have."""
    session = open_input(path)
    if isinstance(session, FarField):
        raise NumericalError("validate", "kind of input", "a far field", "a scan", "give the scan session itself")
    if session.known_source is None:
        raise NumericalError(
            "validate", "known source", "not stated", "/known_source/position_m", "state where the source stood"
        )
    spectra = mended_spectra(session, settings)
    expansion = expand(spectra, settings, progress)
    far_field = extrapolate(expansion, spectra.axis, validation_directions()[0], ExtrapolationSettings())
    per_volt = session.known_source.volume_velocity_m3_per_s_per_v
    strength = None if per_volt is None else per_volt * session.drive.voltage_v
    result = validate(far_field, expansion, spectra, strength, settings.validation)
    facts = session_facts(session, spectra, settings)
    validation = replace(result.table, facts={**facts, **result.table.facts})
    tables = by_name(validation, quality_table(expansion, 0, facts=facts))
    scalars = {name: Scalar(*number) for name, number in result.numbers.items()}
    judgement = replace(_judgement(spectra, expansion), scalars=scalars)
    message = (
        f"source found {1e3 * scalars['place_error'].value:.2f} mm from its stated place; largest ripple "
        f"{scalars['largest_ripple'].value:.3f} dB from {settings.validation.lowest_hz:g} to "
        f"{settings.validation.highest_hz:g} Hz"
    )
    missed = replace(judgement, notices=judgement.notices + result.failures)
    files = complete(table_files([tables]), settings, facts, missed, message, result.failures)
    return Outcome(files, message, judgement.notices, result.failures, judgement.untrusted)


def answer_directions(
    field_file: Path,
    azimuth_deg: Floats,
    elevation_deg: Floats,
    distance_m: float | None,
    *,
    air_absorption: bool = False,
) -> Table:
    """Level and phase in any directions (direction,), from a field file alone.

    One row per channel, direction and frequency, in this order of change. Without a distance: far field
    scaled to 1 m; with one, less what the air absorbs over it, if so asked.
    """
    expansion, axis, facts = read_field(field_file)
    directions = directions_from_angles(azimuth_deg, elevation_deg)
    if distance_m is None:
        pressure = far_field_pressure(expansion, axis, directions)
    else:
        pressure = pressure_at(expansion, axis, directions, distance_m, air_absorption=air_absorption)
    low_db = high_db = np.full(pressure.shape, np.nan)
    if expansion.deviations is not None:
        if distance_m is None:
            vectors = far_field_deviations(expansion, axis, directions)
        else:
            vectors = deviations_at(expansion, axis, directions, distance_m, air_absorption=air_absorption)
        low_db, high_db = pressure_band(pressure, vectors, expansion.deviations.draws)
    ordered, low_db, high_db = (np.moveaxis(values, 0, -1) for values in (pressure, low_db, high_db))
    channel, direction, row = np.indices(ordered.shape).reshape(3, -1)
    columns = {
        "channel": channel,
        "azimuth_deg": azimuth_deg[direction],
        "elevation_deg": elevation_deg[direction],
        "distance_m": np.full(channel.size, np.inf if distance_m is None else distance_m),
        "frequency_hz": expansion.frequency_hz[row],
        "level_db": level_db(ordered).ravel(),
        "phase_deg": phase_deg(ordered).ravel(),
        "level_low_db": low_db.ravel(),
        "level_high_db": high_db.ravel(),
        "verdict_code": expansion.quality.verdict[row, channel],
    }
    removed = "propagation removed" if distance_m is None else "exp(-ikr) of the distance kept"
    told = {
        "content": "level and phase in chosen directions",
        "phase": removed,
        "verdict_codes": verdict_legend(),
        "air_absorption": air_absorption_words(air_absorption),
    }
    bands: Facts = {} if expansion.deviations is None else BAND_FACTS
    return Table.of_columns("at", columns, {**facts, **told, **bands})


def impulse_in_direction(
    field_file: Path, azimuth_deg: float, elevation_deg: float, distance_m: float | None
) -> list[ImpulseResponse]:
    """Impulse response of every channel in one direction, from a field file alone; distances as of ``at``."""
    expansion, axis, _ = read_field(field_file)
    directions = directions_from_angles(np.array([azimuth_deg]), np.array([elevation_deg]))
    if distance_m is None:
        pressure = far_field_pressure(expansion, axis, directions)
    else:
        pressure = pressure_at(expansion, axis, directions, distance_m)
    first = impulse_response(expansion.frequency_hz, pressure[:, 0, 0])
    others = pressure[:, 1:, 0].T
    return [first, *(impulse_response(expansion.frequency_hz, own, start_s=first.start_s) for own in others)]


def _process_far_field(path: Path, far_field: FarField, settings: Settings, figures: bool) -> Outcome:
    """A directivity measured elsewhere enters at the tables stage: nothing of it can be expanded."""
    axis = _chosen_axis(ReferenceAxis(), settings.axis)
    turned = replace(far_field, directions=far_field.directions @ output_axes(axis.direction, axis.up).T)
    facts: Facts = {
        "session": path.stem,
        "session_sha256": far_field.sha256,
        "calibrated": 0,
        **far_field.facts,
        "axis_direction": numbers(axis.direction),
        "up_direction": numbers(axis.up),
    }
    radiation = Radiation.of_far_field(turned)
    tables = [radiation.tables(settings, facts, channel) for channel in range(len(turned.channel_names))]
    verdict = radiation.verdict
    files, scalars = derived_files(radiation, tables, settings, facts)
    found, tables = _findings(radiation, tables, scalars, settings, facts, None)
    files |= found
    judgement = Judgement(
        turned.frequency_hz,
        verdict,
        turned.channel_names,
        (*turned.notices, *radiation.filling_told, "imported far field: its errors are not known here"),
        scalars=scalars,
    )
    if figures and settings.report.figures:
        files |= _report(files, tables, settings, facts, judgement, turned)
    files = complete(files, settings, facts, judgement)
    return Outcome(files, "imported far field, tables only", judgement.notices, untrusted=judgement.untrusted)


def _rescan_told(rescan: Table) -> list[str]:
    count = len(rescan.values)
    if not count:
        return []
    return [f"{count} point{' is' if count == 1 else 's are'} worth measuring again: tables/rescan.csv"]


def _judgement(spectra: Spectra, expansion: Expansion) -> Judgement:
    return Judgement(
        expansion.frequency_hz,
        expansion.quality.verdict,
        expansion.channel_names,
        spectra.notices + expansion.notices,
        spectra.dropped,
    )


def mended_spectra(session: Session, settings: Settings) -> Spectra:
    """Conditioned and mended, about the reference axis of the settings."""
    drift = settings.mending.drift == "auto"
    spectra = condition(session, settings.spectra, settings.gate, drift=drift)
    return mend(_with_axis(spectra, settings.axis), settings)


def _with_axis(spectra: Spectra, settings: AxisSettings) -> Spectra:
    return replace(spectra, axis=_chosen_axis(spectra.axis, settings))


def _chosen_axis(stated: ReferenceAxis, settings: AxisSettings) -> ReferenceAxis:
    """The reference axis of the settings, what they leave out as the session states it."""
    choices = {"origin_m": settings.origin_m, "direction": settings.direction, "up": settings.up}
    chosen = {name: np.array(value, dtype=np.float64) for name, value in choices.items() if value != "session"}
    axis = replace(stated, **chosen)
    try:
        output_axes(axis.direction, axis.up)
    except ValueError as error:
        raise UsageError(
            f"axis: {error}; give axis.direction and axis.up (or --axis-direction, --axis-up)"
        ) from error
    return axis
