"""The words of the command line."""

from __future__ import annotations

import argparse
import math
from pathlib import Path

from fieldproc import __version__
from fieldproc.cli import doctor, results, scans

# The scenes that come with the package; their module is too heavy for --help.
SCENES = ("point-source", "monopole-cluster", "two-way")
# Their values may begin with a minus sign.
VECTOR_OPTIONS = ("--axis-origin", "--axis-direction", "--axis-up", "--target")


def command_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="fieldproc",
        description="Far field and standard curves of a loudspeaker from near-field scans in an ordinary room.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"fieldproc {__version__}")
    # ``here``: no file of others is read in this process; ``preload``: what the child that reads them needs
    parser.set_defaults(here=False, preload=("fieldproc.pipeline",))
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    check = commands.add_parser("check", help="list everything that is wrong with scan files")
    check.add_argument("inputs", nargs="+", type=Path, metavar="FILE")
    check.set_defaults(act=scans.check, preload=("fieldproc.session",))

    run = commands.add_parser("run", help="process scans into far field, tables and figures")
    _add_processing_arguments(run)
    run.add_argument("--tables-only", action="store_true", help="leave out figures")
    run.set_defaults(act=scans.run, here=True)

    validate = commands.add_parser("validate", help="compare scans of a known point source with the closed form")
    _add_processing_arguments(validate)
    validate.set_defaults(act=scans.validate, here=True)

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
    at.set_defaults(act=results.at)

    tables = commands.add_parser("tables", help="tables, numbers and exports about another axis, from results alone")
    tables.add_argument("folder", type=Path, metavar="OUT/SESSION")
    tables.add_argument("--axis-origin", type=vector, metavar="X,Y,Z", help="where angles count from, metres")
    tables.add_argument("--axis-direction", type=vector, metavar="X,Y,Z", help="what is in front")
    tables.add_argument("--axis-up", type=vector, metavar="X,Y,Z", help="what is above")
    tables.add_argument("-s", "--settings", type=Path, metavar="SETTINGS.toml", help="default: those of the folder")
    tables.add_argument("-o", "--output", type=Path, metavar="OUT", help="default: beside the folder")
    tables.add_argument("--tables-only", action="store_true", help="leave out figures")
    tables.set_defaults(act=results.tables)

    findings = commands.add_parser("findings", help="what the curves say of a loudspeaker, and what to do about it")
    findings.add_argument("folder", type=Path, metavar="OUT/SESSION")
    findings.add_argument("--target", type=target, metavar="TARGET", help="trend, flat, or dB per octave in the room")
    findings.add_argument("--sampling-rate", type=above_zero, metavar="HZ", help="of the equaliser (48000)")
    findings.add_argument("--one-band", action="store_true", help="the single best section")
    findings.add_argument("-s", "--settings", type=Path, metavar="SETTINGS.toml", help="default: those of the folder")
    findings.add_argument("-o", "--output", type=Path, metavar="OUT", help="default: beside the folder")
    findings.set_defaults(act=results.findings)

    simulate = commands.add_parser("simulate", help="make a practice session whose truth is a closed form")
    simulate.add_argument("scene", metavar="SCENE", help=f"{', '.join(SCENES)}, or a scene file in TOML")
    simulate.add_argument("-o", "--output", type=Path, required=True, metavar="FILE.h5")
    simulate.add_argument("--seed", type=int, default=1, help="of noise and position errors (default 1)")
    simulate.set_defaults(act=scans.simulate, here=True)

    pack = commands.add_parser("pack", help="a folder of WAV impulse responses or sweeps becomes a scan session")
    pack.add_argument("folder", type=Path, metavar="FOLDER")
    pack.add_argument("--positions", type=Path, required=True, metavar="FILE.csv", help="header file,x_m,y_m,z_m")
    pack.add_argument("-s", "--settings", type=Path, required=True, metavar="PACK.toml")
    pack.add_argument("-o", "--output", type=Path, required=True, metavar="SESSION.h5")
    pack.set_defaults(act=scans.pack)

    plan = commands.add_parser("plan", help="propose the points of a scan and their order, or judge existing ones")
    plan.add_argument("-s", "--settings", type=Path, metavar="PLAN.toml", help="what to plan from")
    plan.add_argument("--judge", type=Path, metavar="FILE.h5", help="a scan or a plan to judge")
    plan.add_argument("-o", "--output", type=Path, metavar="OUT", help="needed unless judging")
    plan.set_defaults(act=scans.plan)

    tune = commands.add_parser("tune", help="sweep degrees and origin of a scan, and recommend settings for a run")
    tune.add_argument("input", type=Path, metavar="FILE", help="a scan")
    tune.add_argument("-o", "--output", type=Path, metavar="OUT", help="without it, only the table is told")
    tune.add_argument("-s", "--settings", type=Path, metavar="SETTINGS.toml", help="all but the orders counts")
    tune.set_defaults(act=scans.tune)

    compare = commands.add_parser("compare", help="differences of result folders from the first of them")
    compare.add_argument("results", nargs="+", type=Path, metavar="OUT/SESSION")
    compare.add_argument("-o", "--output", type=Path, metavar="OUT", help="without it, only the table is told")
    compare.set_defaults(act=results.compare)

    report = commands.add_parser("report", help="figures and page of a result once more, or an overview")
    report.add_argument("folder", type=Path, metavar="OUT/SESSION", help="with --index OUT itself, of all results")
    report.add_argument("--index", action="store_true", help="write OUT/index.html, over all results in OUT")
    report.add_argument("-o", "--output", type=Path, metavar="FILE.html", help="the page alone, elsewhere")
    report.set_defaults(act=results.report)

    merge = commands.add_parser("merge", help="scans of one loudspeaker in pieces become one session")
    merge.add_argument("inputs", nargs="+", type=Path, metavar="FILE")
    merge.add_argument("-o", "--output", type=Path, required=True, metavar="MERGED.h5")
    merge.add_argument("-s", "--settings", type=Path, metavar="MERGE.toml")
    merge.add_argument("--correct-gain", action="store_true", help="bring gain and delay to those of the first")
    merge.set_defaults(act=scans.merge)

    examine = commands.add_parser("doctor", help="is this installation fit for work? versions, means, a self-test")
    examine.add_argument("--json", action="store_true", help="one JSON document on standard output")
    examine.add_argument("-o", "--output", type=Path, default=Path(), metavar="OUT", help="default: where you are")
    examine.set_defaults(act=doctor.doctor, here=True)
    return parser


def _add_processing_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("inputs", nargs="+", type=Path, metavar="FILE", help="scan files or folders of them")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="OUT")
    parser.add_argument("-s", "--settings", type=Path, metavar="SETTINGS.toml")
    parser.add_argument("--strict", action="store_true", help="exit 1 when a band is not to be used")
    parser.add_argument("-j", "--jobs", type=positive, default=1, metavar="N", help="sessions at a time (default 1)")
    parser.add_argument("--again", action="store_true", help="also what is done already")
    parser.add_argument("--dry-run", action="store_true", help="tell what would be done, and why; do nothing")
    parser.add_argument("--json", action="store_true", help="with --dry-run: the plan as JSON")
    parser.add_argument("--events", type=Path, metavar="FILE", help="append what happens to FILE, as JSON lines")
    parser.add_argument(
        "--patience", type=above_zero, default=30.0, metavar="MIN", help="end a session that is silent so long (30)"
    )
    parser.add_argument("--memory", type=above_zero, metavar="GIB", help="the most a session may take (no limit)")
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", help="of a Dask cluster that does the work, tcp://host:port"
    )
    parser.add_argument("--no-lock", action="store_true", help="for file systems without locks")


def target(text: str) -> str | float:
    """A name, or a slope."""
    if text in ("trend", "flat"):
        return text
    slope = float(text)
    if not math.isfinite(slope):
        raise ValueError
    return slope


def positive(text: str) -> int:
    """A whole number from 1."""
    number = int(text)
    if number < 1:
        raise ValueError
    return number


def above_zero(text: str) -> float:
    """A number above 0."""
    number = float(text)
    if not (math.isfinite(number) and number > 0):
        raise ValueError
    return number


def vector(text: str) -> tuple[float, float, float]:
    """Three numbers, as x,y,z."""
    x, y, z = (float(part) for part in text.split(","))
    if not all(math.isfinite(part) for part in (x, y, z)):
        raise ValueError
    return x, y, z
