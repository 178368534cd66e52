"""Entry point: argv to exit code."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from fieldproc.cli.parser import VECTOR_OPTIONS, command_parser
from fieldproc.cli.talk import complain
from fieldproc.errors import ExitCode, FieldprocError


def main(argv: Sequence[str] | None = None) -> int:
    """Entry point of the command; returns the exit code."""
    arguments = command_parser().parse_args(_joined(sys.argv[1:] if argv is None else argv))
    try:
        code: ExitCode = arguments.act(arguments)
    except FieldprocError as error:
        complain(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        complain("interrupted")
        return ExitCode.INTERRUPTED
    except BrokenPipeError:
        # whoever read our output has gone; there is nobody left to tell
        sys.stderr.close()
        return ExitCode.NOT_WRITTEN
    except MemoryError:
        complain("out of memory; lower the orders or free memory")
        return ExitCode.LIMIT
    except Exception as error:
        import traceback

        traceback.print_exc()
        complain(f"a bug of ours ({type(error).__name__}); the lines above say where, please report them")
        return ExitCode.BUG
    return code


def _joined(words: Sequence[str]) -> list[str]:
    """Vectors that begin with a minus sign joined to their option, which would take them for another."""
    joined: list[str] = []
    for word in words:
        if joined and joined[-1] in VECTOR_OPTIONS and word.startswith("-"):
            joined[-1] += f"={word}"
        else:
            joined.append(word)
    return joined
