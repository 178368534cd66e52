"""Scans from raw material: a folder of WAV files, or scans in pieces, become one session.

``pack_folder`` takes impulse responses or records of a sweep, ``merge_sessions`` joins sessions of one loudspeaker.
"""

from fieldproc.pack.merge import merge_sessions
from fieldproc.pack.merge_settings import MergeSettings, load_merge_settings
from fieldproc.pack.pack import Harmonics, Packed, pack_folder
from fieldproc.pack.settings import PackSettings, load_pack_settings

__all__ = [
    "Harmonics",
    "MergeSettings",
    "PackSettings",
    "Packed",
    "load_merge_settings",
    "load_pack_settings",
    "merge_sessions",
    "pack_folder",
]
