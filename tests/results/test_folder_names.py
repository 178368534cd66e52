"""Whatever an input is called, its results have a plain name of their own inside the output folder."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from pathlib import Path

import pytest

from fieldproc.results import session_folder_name

# What Microsoft's "Naming Files, Paths, and Namespaces" reserves, from memory.
DEVICES = {"CON", "PRN", "AUX", "NUL", *(f"{port}{number}" for port in ("COM", "LPT") for number in range(10))}
SPELLED = [
    ("kitchen_shelf-2.1", "kitchen_shelf-2.1"),
    ("K\u00fcche links", "K_che_links"),
    ("a/b\\c\n\x1b", "a_b_c__"),
    ("", "_"),
    (".", "_"),
    ("..", "__"),
    ("...", "___"),
    ("../../etc/passwd", ".._.._etc_passwd"),
    (".hidden", ".hidden"),
    (".fieldproc.lock", "_fieldproc.lock"),
    ("..scan.fieldproc-tmp", "__scan.fieldproc-tmp"),
    ("a.", "a."),
    ("-rf", "-rf"),
    ("CON", "CON_"),
    ("con", "con_"),
    ("nul.left", "nul_.left"),
    ("Com1", "Com1_"),
    ("console", "console"),
    ("com10", "com10"),
    ("my.con", "my.con"),
    ("x" * 80, "x" * 80),
]
HOSTILE = [
    *(stem for stem, _ in SPELLED),
    *sorted(DEVICES - {stem for stem, _ in SPELLED}),
    "aux.h5",
    "/etc/shadow",
    "~root",
    "$HOME",
    "$(reboot)",
    "`reboot`",
    "a;b|c&d",
    "a b",
    "a\tb",
    "a\rb",
    "a\0b",
    "C:",
    "C:\\x",
    "*",
    "?",
    "a'b",
    'a"b',
    "<script>",
    "=cmd()",
    "%2e%2e%2f",
    "\u202egpj.h5",
    "\u2024\u2024/",
    "\uff0e\uff0e",
    "\U0001f50a" * 64,
    "\udcff\udcfe",
    "\ud800",
    "\ud800" * 99,
    unicodedata.normalize("NFC", "h\u00f6rer"),
    unicodedata.normalize("NFD", "h\u00f6rer"),
    "\u017f\u212a",
    "x" * 81,
    "x" * 255,
    "." * 255,
    "con." + "x" * 76,
    "con." + "x" * 77,
    "\u00fc" * 127,
]


@pytest.mark.parametrize(("stem", "name"), SPELLED)
def test_how_a_name_is_made(stem: str, name: str) -> None:
    assert session_folder_name(stem) == name


@pytest.mark.parametrize("stem", HOSTILE)
def test_a_name_is_plain_and_stays_inside(stem: str, tmp_path: Path) -> None:
    name = session_folder_name(stem)
    assert re.fullmatch(r"[A-Za-z0-9._-]{1,80}", name)
    assert name.strip(".")
    assert not name.startswith(".fieldproc")
    assert name.partition(".")[0].upper() not in DEVICES
    assert os.path.realpath(tmp_path / name) == f"{os.path.realpath(tmp_path)}/{name}"
    (tmp_path / name).mkdir()


def test_there_are_enough_of_them() -> None:
    assert len(set(HOSTILE)) == len(HOSTILE) >= 60


def test_long_names_that_differ_only_at_their_end_do_not_meet() -> None:
    stems = ["x" * 200 + f"{number:05}" for number in range(20000)]
    assert len({session_folder_name(stem) for stem in stems}) == len(stems)


def test_a_long_name_is_cut_and_told_apart_by_its_hash() -> None:
    stem = "\u00fc" * 100
    assert session_folder_name(stem) == "_" * 71 + "-" + hashlib.sha256(stem.encode()).hexdigest()[:8]
