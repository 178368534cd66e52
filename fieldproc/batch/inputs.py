"""Which files a batch is of, and where the results of each go."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from fieldproc.errors import UsageError
from fieldproc.results import session_folder_name

_SUFFIXES = (".h5", ".hdf5", ".sofa")


def find_inputs(arguments: Sequence[Path]) -> list[Path]:
    """Files as given; a folder stands for the scan files directly in it, in name order, but for hidden ones."""
    inputs: list[Path] = []
    for argument in arguments:
        if not argument.is_dir():
            inputs.append(argument)
            continue
        try:
            visible = [path for path in argument.iterdir() if not path.name.startswith(".")]
        except OSError as error:
            raise UsageError(f"{argument}: cannot be listed ({error.strerror}); give a readable folder") from error
        found = sorted(path for path in visible if path.suffix.lower() in _SUFFIXES)
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
