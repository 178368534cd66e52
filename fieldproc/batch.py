"""Several inputs, one after another: every one is tried, and one failure costs only itself."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldproc.errors import ExitCode, FieldprocError, UsageError
from fieldproc.outcome import Outcome
from fieldproc.results import require_place, session_folder_name, write_folder

_SUFFIXES = (".h5", ".hdf5", ".sofa")


@dataclass(frozen=True, slots=True)
class Report:
    """How one input ended."""

    path: Path
    folder: Path
    code: ExitCode
    message: str
    notices: tuple[str, ...] = ()


def find_inputs(arguments: Sequence[Path]) -> list[Path]:
    """Files as given; a folder stands for the scan files directly in it, in name order."""
    inputs: list[Path] = []
    for argument in arguments:
        if not argument.is_dir():
            inputs.append(argument)
            continue
        found = sorted(path for path in argument.iterdir() if path.suffix.lower() in _SUFFIXES)
        if not found:
            raise UsageError(f"{argument}: no scan files ({', '.join(_SUFFIXES)}) in this folder")
        inputs += found
    return inputs


def result_folders(inputs: Sequence[Path], output: Path, command: str) -> dict[Path, Path]:
    """Folder of every input below ``output``. ``UsageError`` when two would share one."""
    ending = "" if command == "run" else f".{command}"
    folders = {path: output / f"{session_folder_name(path.stem)}{ending}" for path in inputs}
    owners: dict[Path, Path] = {}
    for path, folder in folders.items():
        if folder in owners:
            raise UsageError(f"{owners[folder]} and {path} would both write {folder}; rename one of them")
        owners[folder] = path
    if len(folders) < len(inputs):
        twice = next(path for path in inputs if list(inputs).count(path) > 1)
        raise UsageError(f"{twice} is given twice")
    return folders


def run_batch(
    folders: dict[Path, Path],
    process: Callable[[Path], Outcome],
    tell: Callable[[Report], None],
    strict: bool,
) -> ExitCode:
    """Process and write every input; ``tell`` hears of each as it ends. Returns the exit code of all."""
    reports = []
    for path, folder in folders.items():
        report = _one(path, folder, process, strict)
        tell(report)
        reports.append(report)
    return _common_code([report.code for report in reports])


def _one(path: Path, folder: Path, process: Callable[[Path], Outcome], strict: bool) -> Report:
    try:
        require_place(folder)
        outcome = process(path)
        write_folder(folder, outcome.files)
    except FieldprocError as error:
        return Report(path, folder, error.exit_code, str(error))
    except MemoryError:
        return Report(path, folder, ExitCode.LIMIT, f"{path}: out of memory; lower the orders or free memory")
    except Exception as error:
        where = traceback.format_exc()
        return Report(
            path,
            folder,
            ExitCode.BUG,
            f"{where}{path}: a bug of ours ({type(error).__name__}); the lines above say where, please report them",
        )
    code, message = ExitCode.DONE, outcome.message
    if outcome.failures:
        code, message = ExitCode.MISSED_TOLERANCE, f"{message}; missed: {'; '.join(outcome.failures)}"
    elif strict and outcome.untrusted:
        code, message = ExitCode.MISSED_TOLERANCE, f"{message}; some bands are not to be used"
    return Report(path, folder, code, f"{message} -> {folder}", outcome.notices)


def _common_code(codes: Sequence[ExitCode]) -> ExitCode:
    """A single input returns its own code; in a batch an unwritable output wins over "some failed"."""
    if len(codes) == 1:
        return codes[0]
    if ExitCode.NOT_WRITTEN in codes:
        return ExitCode.NOT_WRITTEN
    if any(code not in (ExitCode.DONE, ExitCode.MISSED_TOLERANCE) for code in codes):
        return ExitCode.BATCH_FAILED
    return max(codes)
