"""What goes to disk, and the only writers: tables, field file, summary, and the folder they appear in.

Everything is serialised to bytes in memory first; ``write_folder`` and ``write_file`` then see to it that
nothing half-written ever stands under a final name.
"""

from fieldproc.results.aes69_file import aes69_bytes, aes69_harmonics_bytes
from fieldproc.results.csv_table import csv_bytes, sidecar_bytes
from fieldproc.results.curves_json import curves_json_bytes
from fieldproc.results.field_file import field_bytes, read_field
from fieldproc.results.folder import (
    MARKER,
    require_folder,
    require_place,
    session_folder_name,
    sweep,
    write_file,
    write_folder,
)
from fieldproc.results.netcdf_file import netcdf_bytes
from fieldproc.results.plain import written_angles_deg
from fieldproc.results.read_table import read_table, read_text
from fieldproc.results.summary import code_sha256, provenance, signed_bytes, summary_bytes, summary_sha256, versions
from fieldproc.results.text_files import direction_name, text_files
from fieldproc.results.wav_file import wav_bytes

__all__ = [
    "MARKER",
    "aes69_bytes",
    "aes69_harmonics_bytes",
    "code_sha256",
    "csv_bytes",
    "curves_json_bytes",
    "direction_name",
    "field_bytes",
    "netcdf_bytes",
    "provenance",
    "read_field",
    "read_table",
    "read_text",
    "require_folder",
    "require_place",
    "session_folder_name",
    "sidecar_bytes",
    "signed_bytes",
    "summary_bytes",
    "summary_sha256",
    "sweep",
    "text_files",
    "versions",
    "wav_bytes",
    "write_file",
    "write_folder",
    "written_angles_deg",
]
