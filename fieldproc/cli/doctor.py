"""The command that begins with the machine."""

from __future__ import annotations

import argparse
import os

from fieldproc.cli.talk import complain, put, say
from fieldproc.errors import ExitCode


def doctor(arguments: argparse.Namespace) -> ExitCode:
    """What is installed here, and is it fit for work?"""
    try:
        from fieldproc.doctor import examine

        found = examine(arguments.output, fixed_clock="SOURCE_DATE_EPOCH" in os.environ)
    except ImportError as error:
        # its name alone: the message may hold paths, which tell whose machine it is
        complain(f"not fit for work: {error.name or 'a library'} is missing or broken; install fieldproc anew")
        return ExitCode.MISSED_TOLERANCE
    if arguments.json:
        put(found.json())
    else:
        for line in found.lines():
            say(line)
    return ExitCode.DONE if found.passed else ExitCode.MISSED_TOLERANCE
