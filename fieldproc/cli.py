"""The command: argv to settings, batch and exit code. No numerics; heavy imports wait until they are needed."""

from __future__ import annotations

import argparse
import csv
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from fieldproc import __version__
from fieldproc.errors import ExitCode, FieldprocError, SessionError, UsageError

if TYPE_CHECKING:
    from fieldproc.batch import Report
    from fieldproc.outcome import Outcome
    from fieldproc.pipeline import Progress

# The scenes that come with the package; their module is too heavy for --help.
SCENES = ("point-source", "monopole-cluster", "two-way")
# A directions file of a degree grid over the sphere is 2 MB.
_MAX_DIRECTIONS_BYTES = 20_000_000


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point of the command; returns the exit code."""
    arguments = _parser().parse_args(argv)
    try:
        code: ExitCode = arguments.act(arguments)
    except FieldprocError as error:
        _complain(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        _complain("interrupted")
        return ExitCode.INTERRUPTED
    except BrokenPipeError:
        # whoever read our output has gone; there is nobody left to tell
        sys.stderr.close()
        return ExitCode.NOT_WRITTEN
    except MemoryError:
        _complain("out of memory; lower the orders or free memory")
        return ExitCode.LIMIT
    except Exception as error:
        import traceback

        traceback.print_exc()
        _complain(f"a bug of ours ({type(error).__name__}); the lines above say where, please report them")
        return ExitCode.BUG
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="fieldproc",
        description="Far field and standard curves of a loudspeaker from near-field scans in an ordinary room.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"fieldproc {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    check = commands.add_parser("check", help="list everything that is wrong with scan files")
    check.add_argument("inputs", nargs="+", type=Path, metavar="FILE")
    check.set_defaults(act=_check)

    run = commands.add_parser("run", help="process scans into far field, tables and figures")
    _add_processing_arguments(run)
    run.add_argument("--tables-only", action="store_true", help="leave out figures")
    run.set_defaults(act=_run)

    validate = commands.add_parser("validate", help="compare scans of a known point source with the closed form")
    _add_processing_arguments(validate)
    validate.set_defaults(act=_validate)

    at = commands.add_parser("at", help="level and phase in any direction, from a result folder alone")
    at.add_argument("folder", type=Path, metavar="OUT/SESSION")
    at.add_argument("--azimuth", type=float, metavar="DEG", help="positive to the loudspeaker's left")
    at.add_argument("--elevation", type=float, metavar="DEG", help="positive up")
    at.add_argument("--directions", type=Path, metavar="FILE.csv", help="header azimuth_deg,elevation_deg")
    at.add_argument("--distance", type=float, metavar="M", help="true pressure at this distance")
    at.add_argument("--air-absorption", action="store_true", help="less what the air absorbs over the distance")
    at.add_argument("-o", "--output", type=Path, metavar="FILE.csv", help="default: standard output")
    at.add_argument(
        "--wav", type=Path, metavar="FILE.wav", help="impulse response in one direction, in place of levels"
    )
    at.set_defaults(act=_at)

    tables = commands.add_parser("tables", help="tables, numbers and exports about another axis, from results alone")
    tables.add_argument("folder", type=Path, metavar="OUT/SESSION")
    tables.add_argument("--axis-origin", type=_vector, metavar="X,Y,Z", help="where angles count from, metres")
    tables.add_argument("--axis-direction", type=_vector, metavar="X,Y,Z", help="what is in front")
    tables.add_argument("--axis-up", type=_vector, metavar="X,Y,Z", help="what is above")
    tables.add_argument("-s", "--settings", type=Path, metavar="SETTINGS.toml", help="default: those of the folder")
    tables.add_argument("-o", "--output", type=Path, metavar="OUT", help="default: beside the folder")
    tables.add_argument("--tables-only", action="store_true", help="leave out figures")
    tables.set_defaults(act=_tables)

    simulate = commands.add_parser("simulate", help="make a practice session whose truth is a closed form")
    simulate.add_argument("scene", metavar="SCENE", help=f"{', '.join(SCENES)}, or a scene file in TOML")
    simulate.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.h5")
    simulate.add_argument("--seed", type=int, default=1, help="of noise and position errors (default 1)")
    simulate.set_defaults(act=_simulate)

    pack = commands.add_parser("pack", help="a folder of WAV impulse responses or sweeps becomes a scan session")
    pack.add_argument("folder", type=Path, metavar="FOLDER")
    pack.add_argument("--positions", type=Path, required=True, metavar="FILE.csv", help="header file,x_m,y_m,z_m")
    pack.add_argument("-s", "--settings", type=Path, required=True, metavar="PACK.toml")
    pack.add_argument("-o", "--output", type=Path, required=True, metavar="SESSION.h5")
    pack.set_defaults(act=_pack)

    plan = commands.add_parser("plan", help="propose the points of a scan and their order, or judge existing ones")
    plan.add_argument("-s", "--settings", type=Path, metavar="PLAN.toml", help="what to plan from")
    plan.add_argument("--judge", type=Path, metavar="FILE.h5", help="a scan or a plan to judge")
    plan.add_argument("-o", "--output", type=Path, metavar="OUT", help="needed unless judging")
    plan.set_defaults(act=_plan)

    tune = commands.add_parser("tune", help="sweep degrees and origin of a scan, and recommend settings for a run")
    tune.add_argument("input", type=Path, metavar="FILE", help="a scan")
    tune.add_argument("-o", "--output", type=Path, metavar="OUT", help="without it, only the table is told")
    tune.add_argument("-s", "--settings", type=Path, metavar="SETTINGS.toml", help="all but the orders counts")
    tune.set_defaults(act=_tune)

    compare = commands.add_parser("compare", help="differences of result folders from the first of them")
    compare.add_argument("results", nargs="+", type=Path, metavar="OUT/SESSION")
    compare.add_argument("-o", "--output", type=Path, metavar="OUT", help="without it, only the table is told")
    compare.set_defaults(act=_compare)

    report = commands.add_parser("report", help="figures and page of a result once more, or an overview")
    report.add_argument("folder", type=Path, metavar="OUT/SESSION", help="with --index OUT itself, of all results")
    report.add_argument("--index", action="store_true", help="write OUT/index.html, over all results in OUT")
    report.add_argument("-o", "--output", type=Path, metavar="FILE.html", help="the page alone, elsewhere")
    report.set_defaults(act=_report)

    merge = commands.add_parser("merge", help="scans of one loudspeaker in pieces become one session")
    merge.add_argument("inputs", nargs="+", type=Path, metavar="FILE")
    merge.add_argument("-o", "--output", type=Path, required=True, metavar="MERGED.h5")
    merge.add_argument("-s", "--settings", type=Path, metavar="MERGE.toml")
    merge.add_argument("--correct-gain", action="store_true", help="bring gain and delay to those of the first")
    merge.set_defaults(act=_merge)
    return parser


def _add_processing_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("inputs", nargs="+", type=Path, metavar="FILE", help="scan files or folders of them")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="OUT")
    parser.add_argument("-s", "--settings", type=Path, metavar="SETTINGS.toml")
    parser.add_argument("--strict", action="store_true", help="exit 1 when a band is not to be used")


def _check(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.batch import find_inputs
    from fieldproc.session import open_input

    faultless = True
    for path in find_inputs(arguments.inputs):
        try:
            notices = open_input(path).notices
        except SessionError as error:
            _complain(str(error))
            faultless = False
            continue
        _note(path, notices)
        _say(f"{path}: no faults found")
    return ExitCode.DONE if faultless else ExitCode.REFUSED


def _run(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.pipeline import process_session
    from fieldproc.settings import load_settings

    settings = load_settings(arguments.settings)

    def process(path: Path, progress: Progress) -> Outcome:
        return process_session(path, settings, progress, figures=not arguments.tables_only)

    return _process_all(arguments, "run", process)


def _validate(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.pipeline import validate_session
    from fieldproc.settings import load_settings

    settings = load_settings(arguments.settings)
    return _process_all(arguments, "validate", lambda path, progress: validate_session(path, settings, progress))


def _process_all(
    arguments: argparse.Namespace, command: str, process: Callable[[Path, Progress], Outcome]
) -> ExitCode:
    from fieldproc.batch import find_inputs, result_folders, run_batch

    folders = result_folders(find_inputs(arguments.inputs), arguments.output, command)

    def with_progress(path: Path) -> Outcome:
        with _progress(path.name) as progress:
            return process(path, progress)

    return run_batch(folders, with_progress, _tell, arguments.strict)


def _tell(report: Report) -> None:
    _note(report.path, report.notices)
    if report.code == ExitCode.DONE:
        _say(f"{report.path}: {report.message}")
    else:
        _complain(report.message if str(report.path) in report.message else f"{report.path}: {report.message}")


def _vector(text: str) -> tuple[float, float, float]:
    """Three numbers, as x,y,z."""
    x, y, z = (float(part) for part in text.split(","))
    if not all(math.isfinite(part) for part in (x, y, z)):
        raise ValueError
    return x, y, z


def _tables(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.pipeline import retabulate
    from fieldproc.results import require_place, session_folder_name, write_folder
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
    require_place(place)
    outcome = retabulate(folder, settings, figures=not arguments.tables_only)
    write_folder(place, outcome.files)
    _note(folder, outcome.notices)
    return _done([f"{folder}: {outcome.message}"], place)


def _field_folder(folder: Path) -> Path:
    """A folder that holds a field file."""
    if (folder / "field.h5").is_file():
        return folder
    raise UsageError(
        f"{folder}: holds no field.h5; give the result folder of a scan (that of an imported far field has none)"
    )


def _at(arguments: argparse.Namespace) -> ExitCode:
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
        _note(field_file, [f"air absorption taken off for {table.facts['absorption_air']}"])
    data = csv_bytes(table)
    if arguments.output is None:
        sys.stdout.write(data.decode())
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
        _say(
            f"{path}: {len(response.samples_pa)} samples at {response.sampling_rate_hz:g} Hz, the first at "
            f"{response.start_s:.6f} s; {facts['quantity']}; whole from {facts['lowest_hz']:.4g} to "
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


def _simulate(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.results import require_folder
    from fieldproc.session import write_session
    from fieldproc.simulate import NAMED_SCENES, load_scene, simulate

    if arguments.scene in NAMED_SCENES:
        scene = NAMED_SCENES[arguments.scene]()
    elif Path(arguments.scene).suffix == ".toml":
        scene = load_scene(Path(arguments.scene))
    else:
        raise UsageError(f"no scene {arguments.scene!r}; named scenes: {', '.join(NAMED_SCENES)}, or a .toml file")
    require_folder(arguments.output)
    try:
        session = simulate(scene, arguments.seed)
    except ValueError as error:
        raise UsageError(f"{arguments.scene}: {error}") from error
    write_session(session, arguments.output)
    _say(f"{arguments.output}: {scene.title}, {len(session.positions_m)} points")
    return ExitCode.DONE


def _pack(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.pack import load_pack_settings, pack_folder
    from fieldproc.results import require_folder
    from fieldproc.session import write_session

    settings = load_pack_settings(arguments.settings)
    require_folder(arguments.output)
    with _progress(arguments.folder.name, "files") as progress:
        packed = pack_folder(arguments.folder, arguments.positions, settings, progress)
    companions = {} if packed.harmonics is None else packed.harmonics.companions()
    write_session(packed.session, arguments.output, companions)
    _note(arguments.output, packed.session.notices)
    _say(f"{arguments.output}: {settings.title}, {len(packed.session.positions_m)} points")
    return ExitCode.DONE


def _plan(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.results import require_place, session_folder_name, write_folder
    from fieldproc.scanplan import judge, load_judge_settings, load_plan_settings, plan, read_grid

    judged, settings, output = arguments.judge, arguments.settings, arguments.output
    if judged is None and (settings is None or output is None):
        raise UsageError("give --settings and --output for a proposal, or --judge FILE.h5 for an existing grid")
    stem, ending = (settings.stem, "plan") if judged is None else (judged.stem, "plan-judge")
    folder = None if output is None else output / f"{session_folder_name(stem)}.{ending}"
    if folder is not None:
        require_place(folder)
    with _progress(stem) as progress:
        if judged is None:
            planned = plan(load_plan_settings(settings), progress)
        else:
            planned = judge(read_grid(judged), stem, load_judge_settings(settings), progress)
    if folder is not None:
        write_folder(folder, planned.files)
    return _done(planned.lines, folder)


def _tune(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.results import require_place, session_folder_name, write_folder
    from fieldproc.settings import load_settings
    from fieldproc.tuning import tune

    path, output = arguments.input, arguments.output
    settings = load_settings(arguments.settings)
    folder = None if output is None else output / f"{session_folder_name(path.stem)}.tune"
    if folder is not None:
        require_place(folder)
    with _progress(path.name, "frequencies swept") as progress:
        tuned = tune(path, settings, progress)
    if folder is not None:
        write_folder(folder, tuned.files)
    _note(path, tuned.notices)
    return _done(tuned.lines, folder)


def _compare(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.comparison import compare
    from fieldproc.results import require_place, session_folder_name, write_folder

    first, output = arguments.results[0], arguments.output
    folder = None if output is None else output / f"{session_folder_name(first.resolve().name)}.compare"
    if folder is not None:
        require_place(folder)
    compared = compare(arguments.results, figures=folder is not None)
    if folder is not None:
        write_folder(folder, compared.files)
    _note(first, compared.notices)
    return _done(compared.lines, folder)


def _done(lines: Sequence[str], folder: Path | None) -> ExitCode:
    """Told in full, and where the files are."""
    for line in lines:
        _say(line)
    if folder is not None:
        _say(f"-> {folder}")
    return ExitCode.DONE


def _report(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.page import INDEX, PAGE, overview_bytes, rebuild
    from fieldproc.results import write_file

    folder, output = arguments.folder, arguments.output
    if arguments.index:
        place = output or folder / INDEX
        write_file(place, overview_bytes(folder))
        return _done([], place)
    rebuilt = rebuild(folder)
    if output is None:
        rebuilt.write()
        return _done([], folder / PAGE)
    write_file(output, rebuilt.files[PAGE])
    return _done([], output)


def _merge(arguments: argparse.Namespace) -> ExitCode:
    from fieldproc.pack import load_merge_settings, merge_sessions
    from fieldproc.records import Session
    from fieldproc.results import require_folder
    from fieldproc.session import open_input, write_session

    settings = load_merge_settings(arguments.settings)
    if arguments.correct_gain:
        settings = settings.model_copy(update={"correct_gain": True})
    if arguments.output.resolve() in [path.resolve() for path in arguments.inputs]:
        raise UsageError(f"{arguments.output}: is one of the pieces; give the merged scan a name of its own")
    require_folder(arguments.output)
    pieces = []
    for path in arguments.inputs:
        piece = open_input(path)
        if not isinstance(piece, Session):
            raise UsageError(f"{path}: holds a far field; only scans can be merged")
        pieces.append(piece)
    merged = merge_sessions(pieces, settings)
    write_session(merged, arguments.output)
    _note(arguments.output, merged.notices)
    _say(f"{arguments.output}: {len(pieces)} pieces, {len(merged.positions_m)} points")
    return ExitCode.DONE


@contextmanager
def _progress(name: str, what: str = "frequencies") -> Iterator[Progress]:
    """A bar with the time left when a person watches, a plain line every tenth of the work when not."""
    if sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import Progress as Bar

        with Bar(console=Console(stderr=True), transient=True) as bar:
            task = bar.add_task(_printable(name), total=None)
            yield lambda done, total: bar.update(task, completed=done, total=total)
        return

    def plain(done: int, total: int) -> None:
        if done == total or (10 * done) // total > (10 * (done - 1)) // total:
            print(f"{_printable(name)}: {done} of {total} {what}", file=sys.stderr, flush=True)

    yield plain


def _say(text: str) -> None:
    print(_printable(text))


def _note(path: Path, notices: Sequence[str]) -> None:
    for notice in notices:
        print(_printable(f"{path}: note: {notice}"), file=sys.stderr)


def _complain(text: str) -> None:
    print("\n".join(f"fieldproc: {_printable(line)}" for line in text.splitlines()), file=sys.stderr)


def _printable(text: str) -> str:
    """Control characters and bidirectional marks escaped: a name from a file must not drive the terminal."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
