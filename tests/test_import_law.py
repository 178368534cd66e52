"""Who may import whom, who may touch files, figures, terminal and environment: read from the source."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "fieldproc"

FOUNDATION = frozenset({"records", "settings", "conventions", "errors", "side_by_side", "child"})
STAGES = ("session", "condition", "expand", "extrapolate", "impulse", "tables", "report", "validate")
# Parts of the package that each part may import besides itself.
ALLOWED: dict[str, frozenset[str]] = {
    "conventions": frozenset(),
    "errors": frozenset(),
    "child": frozenset({"errors"}),
    # by name, in the server that children are forked from
    "mortal": frozenset(),
    "side_by_side": frozenset(),
    # other machines work for the stages, and know none of them
    "cluster": frozenset({"errors", "results", "side_by_side"}),
    "records": frozenset({"conventions"}),
    "settings": frozenset({"errors"}),
    "waves": frozenset({"conventions"}),
    **dict.fromkeys(STAGES, FOUNDATION | {"waves"}),
    # stricter than a stage: it judges the wave functions, so it must not be built from them
    "simulate": FOUNDATION,
    # stricter than a stage: it makes what the first of them reads
    "pack": FOUNDATION,
    # composed of stages, like the pipeline: it rehearses a run's expansion on a grid, and writes what a session reads
    "scanplan": FOUNDATION | {"waves", "expand", "results", "session"},
    # composed of stages, like the pipeline, whose spectra and expansion it puts settings to the proof with
    "tuning": FOUNDATION | {"waves", "expand", "outcome", "pipeline", "report", "results", "session"},
    # composed of writers and figures: what it compares was computed before
    "comparison": FOUNDATION | {"outcome", "report", "results"},
    # composed of figures and results, like the pipeline: a page is rebuilt from a result folder alone
    "page": FOUNDATION | {"derive", "outcome", "report", "results", "session", "tables"},
    # composed of stages, like the pipeline: it puts them to the test on the machine at hand
    "doctor": FOUNDATION | {"condition", "expand", "extrapolate", "results", "simulate", "waves"},
    # stricter than a stage: a writer has no mathematics of its own
    "results": FOUNDATION,
    "outcome": FOUNDATION | {"results"},
    # composed of a far field and its tables, like what they are derived from
    "findings": FOUNDATION | {"extrapolate", "tables", "waves"},
    "derive": FOUNDATION | {"expand", "extrapolate", "impulse", "outcome", "tables"},
    "found": FOUNDATION | {"derive", "extrapolate", "findings", "outcome"},
    "exports": FOUNDATION | {"derive", "impulse", "outcome", "results", "tables", "waves"},
    "pipeline": FOUNDATION | {*STAGES, "derive", "exports", "found", "outcome", "page", "results"} - {"report"},
    "batch": FOUNDATION | {"cluster", "outcome", "page", "pipeline", "results", "waves"},
    "cli": FOUNDATION
    | {"__version__", "batch", "outcome", "pack", "pipeline", "results", "scanplan", "session", "simulate", "tuning"}
    | {"cluster", "comparison", "doctor", "page"},
    "__main__": frozenset({"cli"}),
    "__init__": frozenset(),
}
ONLY_IN = {
    "h5py": {"session", "results"},
    "matplotlib": {"report"},
    "argparse": {"cli"},
    "cloudpickle": {"cluster"},
    "distributed": {"cluster"},
}
# How a module could look around the law.
NOWHERE = {"importlib.import_module", "__import__"}
ENVIRONMENT = {"os.environ", "os.environb", "os.getenv", "os.getenvb", "os.putenv"}
TERMINAL = {"print", "input", "sys.argv", "sys.stdin", "sys.stdout", "sys.stderr"}
RANDOM = "numpy.random."
SEEDED = {f"{RANDOM}default_rng", f"{RANDOM}Generator"}
HEAVY = ("numpy", "scipy", "pydantic", "h5py", "matplotlib", "numba", "rich", "distributed")


def used_names(tree: ast.AST) -> Iterator[str]:
    """Full dotted names of everything imported, and of every name or attribute with aliases resolved."""
    aliases: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name
                bound = alias.asname or alias.name.partition(".")[0]
                aliases[bound] = alias.name if alias.asname else bound
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                name = f"{'.' * node.level}{node.module or ''}.{alias.name}"
                yield name
                aliases[alias.asname or alias.name] = name
    for node in ast.walk(tree):
        dotted = ast.unparse(node) if isinstance(node, ast.Name | ast.Attribute) else ""
        # an attribute of a call or of an index is not a module's
        if all(part.isidentifier() for part in dotted.split(".")):
            root, dot, rest = dotted.partition(".")
            yield aliases.get(root, root) + dot + rest


def violations(part: str, source: str) -> set[str]:
    """What a module of one part of the package (``expand``, ``cli``) does against the law."""
    found = set()
    for name in used_names(ast.parse(source)):
        top, _, below = name.partition(".")
        if name.startswith("."):
            found.add(f"relative import {name}")
        elif top == "fieldproc" and below:
            ours = below.partition(".")[0]
            if ours not in ALLOWED[part] | {part}:
                found.add(f"{part} imports {ours}")
        elif part not in ONLY_IN.get(top, {part}):
            found.add(f"{part} imports {top}")
        elif name in ENVIRONMENT and part != "cli":
            found.add(f"reads the environment: {name}")
        elif name in NOWHERE:
            found.add(f"imports by name: {name}")
        elif name in TERMINAL and part != "cli":
            found.add(f"prints or reads the command line: {name}")
        elif name.startswith(RANDOM) and name not in SEEDED:
            found.add(f"global random state: {name}")
    return found


def part_of(path: Path) -> str:
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


MODULES = sorted(PACKAGE.rglob("*.py"))


def test_every_part_of_the_package_is_under_the_law() -> None:
    assert {part_of(path) for path in MODULES} == set(ALLOWED)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_module_keeps_the_law(path: Path) -> None:
    assert violations(part_of(path), path.read_text(encoding="utf-8")) == set()


@pytest.mark.parametrize(
    ("part", "source", "broken"),
    [
        ("waves", "from fieldproc.records import Session", "waves imports records"),
        ("expand", "from fieldproc.session import open_input", "expand imports session"),
        ("expand", "def late():\n    import fieldproc.tables as t", "expand imports tables"),
        ("expand", "from fieldproc import condition", "expand imports condition"),
        ("expand", "from ..session import open_input", "relative import ..session.open_input"),
        ("simulate", "from fieldproc.waves.radial import spherical_bessel", "simulate imports waves"),
        ("simulate", "from fieldproc.expand import expand", "simulate imports expand"),
        ("pack", "from fieldproc.session import read_session", "pack imports session"),
        ("results", "from fieldproc.tables import tabulate", "results imports tables"),
        ("tables", "import h5py", "tables imports h5py"),
        ("validate", "from matplotlib.figure import Figure", "validate imports matplotlib"),
        ("batch", "import argparse", "batch imports argparse"),
        ("pipeline", "print('done')", "prints or reads the command line: print"),
        ("pipeline", "import sys\nsys.stderr.write('x')", "prints or reads the command line: sys.stderr"),
        ("batch", "from sys import argv", "prints or reads the command line: sys.argv"),
        ("batch", "import os\nos.environ['HOME']", "reads the environment: os.environ"),
        ("results", "from os import getenv as g", "reads the environment: os.getenv"),
        ("expand", "import importlib as i\ni.import_module('h5py')", "imports by name: importlib.import_module"),
        ("simulate", "import numpy as np\nnp.random.normal()", "global random state: numpy.random.normal"),
        ("simulate", "from numpy.random import seed", "global random state: numpy.random.seed"),
        ("simulate", "import numpy.random as r\nr.rand(3)", "global random state: numpy.random.rand"),
    ],
)
def test_the_law_can_be_broken(part: str, source: str, broken: str) -> None:
    assert violations(part, source) == {broken}


def test_what_the_law_allows() -> None:
    source = "import numpy as np\nfrom fieldproc.waves.basis import wave_field\nnp.random.default_rng(1).normal()"
    assert violations("expand", source) == set()


def loaded_by(module: str) -> set[str]:
    """Which heavy libraries a fresh interpreter has loaded after importing ``module``."""
    probe = f"import json, sys, {module}; print(json.dumps(sorted(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", probe], capture_output=True, check=True, text=True)
    return set(HEAVY) & set(json.loads(run.stdout))


def test_the_command_starts_without_heavy_libraries() -> None:
    assert loaded_by("fieldproc.cli") == set()
    # the probe sees what is there: settings need pydantic, conventions numpy
    assert loaded_by("fieldproc.settings, fieldproc.conventions") == {"pydantic", "numpy"}
