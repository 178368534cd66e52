"""Imported first by the server that children are forked from: it ends with the process that began it.

By itself it would first load all that it was told to, for seconds, and only then see that nobody needs it.
"""

import contextlib
import ctypes
import os
import signal
import sys

_PR_SET_PDEATHSIG = 1
ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
# whoever began it, and is gone already, was of the same session
with contextlib.suppress(OSError):
    if os.getsid(os.getppid()) != os.getsid(0):
        os._exit(0)


def _told(kind, error, trace):  # type: ignore[no-untyped-def]
    """Of too little memory the parent tells."""
    if not issubclass(kind, MemoryError):
        sys.__excepthook__(kind, error, trace)


sys.excepthook = _told
