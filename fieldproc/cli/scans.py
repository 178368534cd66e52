"""Commands that begin with scans, or with what becomes one."""

from __future__ import annotations

import argparse
from pathlib import Path

from fieldproc.cli import batch
from fieldproc.cli.places import held
from fieldproc.cli.talk import complain, done, note, say, shown_progress
from fieldproc.errors import ExitCode, SessionError, UsageError


def check(arguments: argparse.Namespace) -> ExitCode:
    """List every fault of every file."""
    from fieldproc.batch import find_inputs
    from fieldproc.session import open_input

    faultless = True
    for path in find_inputs(arguments.inputs):
        try:
            notices = open_input(path).notices
        except SessionError as error:
            complain(str(error))
            faultless = False
            continue
        note(path, notices)
        say(f"{path}: no faults found")
    return ExitCode.DONE if faultless else ExitCode.REFUSED


def run(arguments: argparse.Namespace) -> ExitCode:
    """Scans, or far fields from elsewhere, to result folders."""
    return batch.process_all(arguments, "run", figures=not arguments.tables_only)


def validate(arguments: argparse.Namespace) -> ExitCode:
    """Scans of a known point source against the closed form."""
    return batch.process_all(arguments, "validate", figures=False)


def simulate(arguments: argparse.Namespace) -> ExitCode:
    """A practice session."""
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
    say(f"{arguments.output}: {scene.title}, {len(session.positions_m)} points")
    return ExitCode.DONE


def pack(arguments: argparse.Namespace) -> ExitCode:
    """WAV files to a scan session."""
    from fieldproc.pack import load_pack_settings, pack_folder
    from fieldproc.results import require_folder
    from fieldproc.session import write_session

    settings = load_pack_settings(arguments.settings)
    require_folder(arguments.output)
    with shown_progress(arguments.folder.name, "files") as progress:
        packed = pack_folder(arguments.folder, arguments.positions, settings, progress)
    companions = {} if packed.harmonics is None else packed.harmonics.companions()
    write_session(packed.session, arguments.output, companions)
    note(arguments.output, packed.session.notices)
    say(f"{arguments.output}: {settings.title}, {len(packed.session.positions_m)} points")
    return ExitCode.DONE


def merge(arguments: argparse.Namespace) -> ExitCode:
    """A scan in pieces to one session."""
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
    note(arguments.output, merged.notices)
    say(f"{arguments.output}: {len(pieces)} pieces, {len(merged.positions_m)} points")
    return ExitCode.DONE


def plan(arguments: argparse.Namespace) -> ExitCode:
    """A proposal for a scan, or a judgement of a grid."""
    from fieldproc.results import session_folder_name, write_folder
    from fieldproc.scanplan import judge, load_judge_settings, load_plan_settings, plan, read_grid

    judged, settings, output = arguments.judge, arguments.settings, arguments.output
    if judged is None and (settings is None or output is None):
        raise UsageError("give --settings and --output for a proposal, or --judge FILE.h5 for an existing grid")
    stem, ending = (settings.stem, "plan") if judged is None else (judged.stem, "plan-judge")
    folder = None if output is None else output / f"{session_folder_name(stem)}.{ending}"
    with held(folder):
        with shown_progress(stem) as progress:
            if judged is None:
                planned = plan(load_plan_settings(settings), progress)
            else:
                planned = judge(read_grid(judged), stem, load_judge_settings(settings), progress)
        if folder is not None:
            write_folder(folder, planned.files)
    return done(planned.lines, folder)


def tune(arguments: argparse.Namespace) -> ExitCode:
    """Settings for a run recommended."""
    from fieldproc.results import session_folder_name, write_folder
    from fieldproc.settings import load_settings
    from fieldproc.tuning import tune

    path, output = arguments.input, arguments.output
    settings = load_settings(arguments.settings)
    folder = None if output is None else output / f"{session_folder_name(path.stem)}.tune"
    with held(folder):
        with shown_progress(path.name, "frequencies swept") as progress:
            tuned = tune(path, settings, progress)
        if folder is not None:
            write_folder(folder, tuned.files)
    note(path, tuned.notices)
    return done(tuned.lines, folder)
