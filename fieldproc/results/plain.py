"""What the export formats share: facts as one line of text, units of columns, and angles as they are written.

Facts come from inside other people's files. A newline there must not start a header line of ours, nor a control
character reach a terminal.
"""

from __future__ import annotations

import unicodedata

import numpy as np

from fieldproc.conventions import Floats, angles_from_directions

# Characters of a fact; every format holds this much, and no fact of ours comes near it.
LONGEST = 1000
# Far below what a direction means, far above the rounding of sines and cosines: 30 is written as 30.
_ANGLE_DIGITS = 9
_UNITS = {"hz": "Hz", "db": "dB", "deg": "degree", "m": "m", "s": "s", "pa": "Pa", "w": "W", "percent": "percent"}


def one_line(fact: str | float | int) -> str:
    """A fact as printable text on one line: other characters are escaped, long text is cut.

    A number becomes the shortest text that reads back as the same number.
    """
    if not isinstance(fact, str):
        return repr(fact.item() if isinstance(fact, np.generic) else fact)
    line = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in fact[: LONGEST + 1])
    return line if len(line) <= LONGEST else line[: LONGEST - 3] + "..."


def ascii_line(fact: str | float | int) -> str:
    """As :func:`one_line`, in ASCII: letters lose their accents, what has no such likeness is escaped."""
    letters = unicodedata.normalize("NFKD", one_line(fact))
    bare = "".join(c for c in letters if not unicodedata.combining(c))
    line = bare.encode("ascii", "backslashreplace").decode()
    return line if len(line) <= LONGEST else line[: LONGEST - 3] + "..."


def unit_of(column: str) -> str:
    """Unit of a column of a table by the last part of its name; "1" for a bare number."""
    return _UNITS.get(column.rpartition("_")[2], "1")


def written_angles_deg(directions: Floats) -> tuple[Floats, Floats]:
    """Azimuth in (-180, 180] and elevation of directions (direction, 3), rounded to 1e-9 degrees.

    The azimuth of a pole is 0.
    """
    azimuth, elevation = (np.round(angle, _ANGLE_DIGITS) for angle in angles_from_directions(directions))
    azimuth = np.where(np.abs(elevation) == 90.0, 0.0, azimuth)
    azimuth = np.where(azimuth == -180.0, 180.0, azimuth)
    # -0 would be written with its sign
    return azimuth + 0.0, elevation + 0.0
