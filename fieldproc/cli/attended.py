"""The command for a caller that holds its standard input open: when the caller is gone, it ends and clears up.

``python -m fieldproc.cli.attended SCRATCH COMMAND ...``; SCRATCH is a folder to remove in that case.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
import threading

from fieldproc.cli.main import main
from fieldproc.errors import ExitCode


def attended(scratch: str, arguments: list[str]) -> int:
    """The exit code of the command."""

    def watch() -> None:
        sys.stdin.buffer.read()
        os.kill(os.getpid(), signal.SIGTERM)

    threading.Thread(target=watch, daemon=True).start()
    code = main(arguments)
    if code == ExitCode.TERMINATED:
        shutil.rmtree(scratch, ignore_errors=True)
    return code


if __name__ == "__main__":
    raise SystemExit(attended(sys.argv[1], sys.argv[2:]))
