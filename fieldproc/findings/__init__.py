"""What the curves say about a loudspeaker: departures and their cause, and what may be done about them.

From a far field and its tables alone. ``find`` reads everything off one channel, ``findings_tables`` and
``findings_bytes`` are what a result folder gets of it.
"""

from fieldproc.findings.document import findings_bytes
from fieldproc.findings.find import Findings, Subject, find
from fieldproc.findings.tabled import findings_tables

__all__ = ["Findings", "Subject", "find", "findings_bytes", "findings_tables"]
