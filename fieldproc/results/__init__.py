"""What goes to disk, and the only writers: tables, field file, summary, and the folder they appear in.

Everything is serialised to bytes in memory first; ``write_folder`` and ``write_file`` then see to it that
nothing half-written ever stands under a final name.
"""

from fieldproc.results.csv_table import csv_bytes, sidecar_bytes
from fieldproc.results.field_file import field_bytes, read_field
from fieldproc.results.folder import require_folder, require_place, session_folder_name, write_file, write_folder
from fieldproc.results.summary import provenance, summary_bytes

__all__ = [
    "csv_bytes",
    "field_bytes",
    "provenance",
    "read_field",
    "require_folder",
    "require_place",
    "session_folder_name",
    "sidecar_bytes",
    "summary_bytes",
    "write_file",
    "write_folder",
]
