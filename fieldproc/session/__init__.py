"""Scans in: read, check and write scan session files, and read AES69 files as sessions or far fields.

``open_input`` is what the pipeline calls. ``check`` lists everything wrong with a file, ``read_session``
and ``write_session`` handle the scan session format, whose objects are listed as data in ``schema.py``.
"""

from fieldproc.session.read import read_session
from fieldproc.session.session import check, open_input
from fieldproc.session.write import write_session

__all__ = ["check", "open_input", "read_session", "write_session"]
