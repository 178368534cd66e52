"""The command: argv to settings, work and exit code. No numerics; heavy imports wait until they are needed.

Nothing else in the package prints.
"""

from fieldproc.cli.main import main
from fieldproc.cli.parser import SCENES

__all__ = ["SCENES", "main"]
