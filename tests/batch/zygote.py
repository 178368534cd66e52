"""The command many times over: from one process that has everything loaded, a fork for each.

``python -m batch.zygote`` reads a JSON list per line: where standard error goes, then the arguments. It tells the
number of the process, which leads a session of its own, and in the end its exit code. Its children are forked from it
rather than from a server: a start costs a hundredth of a second and not two.

``python -m batch.zygote SETTINGS FIGURES SCAN ...`` knows beforehand what becomes of these scans, with figures or
not (1 or 0), so that commands do little but write.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

import fieldproc.batch.preload  # noqa: F401
from fieldproc import child, pipeline
from fieldproc.cli import main
from fieldproc.outcome import Outcome
from fieldproc.settings import load_settings


def serve() -> None:
    """Until there are no more orders."""
    process = None
    for line in sys.stdin:
        if process is not None:
            os.waitpid(process, 0)
        log, *arguments = json.loads(line)
        process = os.fork()
        if not process:
            _run(log, arguments)
        # its number stays its own until the next command, whoever wants to end it too late
        ended = os.waitid(os.P_PID, process, os.WEXITED | os.WNOWAIT)
        assert ended is not None
        print(ended.si_status if ended.si_code == os.CLD_EXITED else -ended.si_status, flush=True)


def _run(log: str, arguments: list[str]) -> None:
    os.setsid()
    print(os.getpid(), flush=True)
    for target, descriptor in ((os.devnull, 0), (os.devnull, 1), (log, 2)):
        opened = os.open(target, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        os.dup2(opened, descriptor)
        os.close(opened)
    child.METHOD = "fork"
    raise SystemExit(main(arguments))


def remember(settings: str, figures: str, *scans: str) -> None:
    """What becomes of them, once for all commands."""
    known = {
        Path(scan): pipeline.process_session(
            Path(scan), load_settings(Path(settings)), lambda _done, _total: None, figures=figures == "1"
        )
        for scan in scans
    }

    def process_session(path: Path, *_arguments: Any, **_options: Any) -> Outcome:
        return known[path]

    pipeline.process_session = process_session


if __name__ == "__main__":
    if sys.argv[1:]:
        remember(*sys.argv[1:])
    serve()
