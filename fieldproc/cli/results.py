"""Commands that begin with results."""

from __future__ import annotations

import argparse
import csv
import math
from pathlib import Path

from fieldproc.cli.places import held
from fieldproc.cli.talk import done, note, put, say
from fieldproc.errors import ExitCode, UsageError

# A directions file of a degree grid over the sphere is 2 MB.
_MAX_DIRECTIONS_BYTES = 20_000_000


def at(arguments: argparse.Namespace) -> ExitCode:
    """Levels and phases in any direction, or an impulse response."""
    import numpy as np

    from fieldproc.pipeline import answer_directions
    from fieldproc.results import csv_bytes, sidecar_bytes, write_file

    if arguments.distance is not None and not (math.isfinite(arguments.distance) and arguments.distance > 0):
        raise UsageError(f"--distance is {arguments.distance}; give a positive number of metres")
    if arguments.air_absorption and arguments.distance is None:
        raise UsageError("--air-absorption needs --distance: a far field scaled to 1 m has no way to go")
    field_file = _field_folder(arguments.folder) / "field.h5"
    if arguments.wav is not None:
        return _write_impulses(arguments, field_file)
    angles = np.array(_angles(arguments))
    absorbed = arguments.air_absorption
    table = answer_directions(field_file, angles[:, 0], angles[:, 1], arguments.distance, air_absorption=absorbed)
    if absorbed:
        note(field_file, [f"air absorption taken off for {table.facts['absorption_air']}"])
    data = csv_bytes(table)
    if arguments.output is None:
        put(data.decode())
    else:
        write_file(arguments.output, data)
        write_file(arguments.output.with_name(f"{arguments.output.name}-metadata.json"), sidecar_bytes(table))
    return ExitCode.DONE


def _write_impulses(arguments: argparse.Namespace, field_file: Path) -> ExitCode:
    """A WAV file of the one direction; of several channels one each."""
    from fieldproc.pipeline import impulse_in_direction
    from fieldproc.results import wav_bytes, write_file

    angles = _angles(arguments)
    if len(angles) != 1 or arguments.output is not None or arguments.air_absorption:
        raise UsageError("--wav takes one direction, lossless air, and no --output beside it")
    responses = impulse_in_direction(field_file, *angles[0], arguments.distance)
    for channel, response in enumerate(responses):
        path = arguments.wav
        if len(responses) > 1:
            path = path.with_name(f"{path.stem}-channel-{channel}{path.suffix}")
        write_file(path, wav_bytes(response.samples_pa, response.sampling_rate_hz))
        facts = response.facts
        say(
            f"{path}: {len(response.samples_pa)} samples at {response.sampling_rate_hz:g} Hz, the first at "
            f"{response.start_s:.6f} s; {facts['samples']}; whole from {facts['lowest_hz']:.4g} to "
            f"{facts['highest_hz']:.4g} Hz, {facts['roll_off']}; ahead of the sound {facts['ahead_db']:.1f} dB"
        )
    return ExitCode.DONE


def _angles(arguments: argparse.Namespace) -> list[tuple[float, float]]:
    """Pairs (azimuth, elevation) in degrees, from --azimuth and --elevation or from a directions file."""
    single = (arguments.azimuth, arguments.elevation)
    if arguments.directions is not None:
        if single != (None, None):
            raise UsageError("give either --directions or --azimuth and --elevation, not both")
        return _read_angles(arguments.directions)
    if None in single:
        raise UsageError("give both --azimuth and --elevation, or --directions")
    _require_angles("--azimuth and --elevation", *single)
    return [single]


def _require_angles(where: str, azimuth_deg: float, elevation_deg: float) -> None:
    if not (math.isfinite(azimuth_deg) and abs(elevation_deg) <= 90):
        raise UsageError(f"{where}: azimuth must be finite, elevation from -90 to 90")


def _read_angles(path: Path) -> list[tuple[float, float]]:
    """Pairs (azimuth, elevation) of a directions file; ``UsageError`` names the first bad line."""
    try:
        if path.stat().st_size > _MAX_DIRECTIONS_BYTES:
            raise UsageError(f"{path}: larger than {_MAX_DIRECTIONS_BYTES} bytes; split the directions")
        rows = list(csv.reader(path.read_text(encoding="utf-8-sig").splitlines()))
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise UsageError(f"{path}: not a CSV file ({error})") from error
    if not rows or [name.strip() for name in rows[0]] != ["azimuth_deg", "elevation_deg"]:
        raise UsageError(f"{path}: the first line must be azimuth_deg,elevation_deg")
    angles = []
    for number, row in enumerate(rows[1:], start=2):
        try:
            azimuth, elevation = (float(cell) for cell in row)
        except ValueError:
            raise UsageError(f"{path}: line {number} is {','.join(row)!r}; two numbers are needed") from None
        _require_angles(f"{path}: line {number}", azimuth, elevation)
        angles.append((azimuth, elevation))
    if not angles:
        raise UsageError(f"{path}: no directions below the header")
    return angles


def tables(arguments: argparse.Namespace) -> ExitCode:
    """All that needs no scan once more, about another axis."""
    from fieldproc.pipeline import retabulate
    from fieldproc.results import session_folder_name, write_folder
    from fieldproc.settings import AxisSettings, load_settings

    folder = _field_folder(arguments.folder)
    used = folder / "settings.toml"
    settings = load_settings(arguments.settings or (used if used.is_file() else None))
    stated = {"origin_m": arguments.axis_origin, "direction": arguments.axis_direction, "up": arguments.axis_up}
    chosen = {name: vector for name, vector in stated.items() if vector is not None}
    axis = AxisSettings.model_validate({**settings.axis.model_dump(), **chosen})
    settings = settings.model_copy(update={"axis": axis})
    output = folder.resolve().parent if arguments.output is None else arguments.output
    place = output / f"{session_folder_name(folder.resolve().name)}.tables"
    with held(place):
        outcome = retabulate(folder, settings, figures=not arguments.tables_only)
        write_folder(place, outcome.files)
    note(folder, outcome.notices)
    return done([f"{folder}: {outcome.message}"], place)


def findings(arguments: argparse.Namespace) -> ExitCode:
    """What the curves say, told and written."""
    from fieldproc.pipeline import find_again
    from fieldproc.results import session_folder_name, write_folder
    from fieldproc.settings import EqualizerSettings, load_settings

    folder = _field_folder(arguments.folder)
    used = folder / "settings.toml"
    settings = load_settings(arguments.settings or (used if used.is_file() else None))
    stated = {"target": arguments.target, "sampling_rate_hz": arguments.sampling_rate}
    chosen = {name: value for name, value in stated.items() if value is not None}
    if arguments.one_band:
        chosen["most_sections"] = 1
    equalizer = EqualizerSettings.model_validate({**settings.equalizer.model_dump(), **chosen})
    output = folder.resolve().parent if arguments.output is None else arguments.output
    place = output / f"{session_folder_name(folder.resolve().name)}.findings"
    with held(place):
        outcome, lines = find_again(folder, settings.model_copy(update={"equalizer": equalizer}))
        write_folder(place, outcome.files)
    return done(lines, place)


def _field_folder(folder: Path) -> Path:
    """A folder that holds a field file."""
    if (folder / "field.h5").is_file():
        return folder
    raise UsageError(
        f"{folder}: holds no field.h5; give the result folder of a scan (that of an imported far field has none)"
    )


def compare(arguments: argparse.Namespace) -> ExitCode:
    """Differences of results from the first of them."""
    from fieldproc.comparison import compare
    from fieldproc.results import session_folder_name, write_folder

    first, output = arguments.results[0], arguments.output
    folder = None if output is None else output / f"{session_folder_name(first.resolve().name)}.compare"
    with held(folder):
        compared = compare(arguments.results, figures=folder is not None)
        if folder is not None:
            write_folder(folder, compared.files)
    note(first, compared.notices)
    return done(compared.lines, folder)


def report(arguments: argparse.Namespace) -> ExitCode:
    """Figures and page once more, or the overview of a batch."""
    from fieldproc.batch import locked
    from fieldproc.page import INDEX, PAGE, overview_bytes, rebuild
    from fieldproc.results import write_file

    folder, output = arguments.folder, arguments.output
    if arguments.index:
        if output is not None:
            raise UsageError("--index takes no --output: its links lead to the results beside it")
        write_file(folder / INDEX, overview_bytes(folder))
        return done([], folder / INDEX)
    if output is not None:
        write_file(output, rebuild(folder).files[PAGE])
        return done([], output)
    with locked(folder.resolve().parent):
        rebuild(folder).write()
    return done([], folder / PAGE)
