"""One plain text file for each direction: frequency, level, phase."""

from __future__ import annotations

from fieldproc.conventions import known_phase_deg, level_db
from fieldproc.records import Facts, FarField
from fieldproc.results.plain import ascii_line, written_angles_deg

# A hundredth of a degree tells the directions of any grid apart.
_NAME_DIGITS = 2


def text_files(far_field: FarField, facts: Facts, channel: int) -> dict[str, bytes]:
    """Files of one channel by name, ``az+030_el+000.txt``: ASCII, three columns, facts in lines beginning with ``#``.

    Angles in a name are whole degrees where they are whole, else ``az+012.5``. Of directions that share a name
    (the planes of a polar share two) the first is taken. Numbers read back exactly; undefined is ``nan``, the level
    of zero pressure ``-inf``.
    """
    levels = level_db(far_field.pressure_pa[:, channel])
    phases = known_phase_deg(far_field.pressure_pa[:, channel], far_field.phase_known)
    stated = [f"# {ascii_line(name)}: {ascii_line(fact)}" for name, fact in facts.items()]
    frequencies = [repr(frequency) for frequency in far_field.frequency_hz.tolist()]
    files: dict[str, bytes] = {}
    angles = (angle.tolist() for angle in written_angles_deg(far_field.directions))
    for direction, (azimuth, elevation) in enumerate(zip(*angles, strict=True)):
        name = f"{direction_name(azimuth, elevation)}.txt"
        if name in files:
            continue
        head = [f"# azimuth_deg: {azimuth!r}", f"# elevation_deg: {elevation!r}", "# frequency_hz level_db phase_deg"]
        columns = (frequencies, levels[:, direction].tolist(), phases[:, direction].tolist())
        rows = [f"{frequency} {level!r} {phase!r}" for frequency, level, phase in zip(*columns, strict=True)]
        files[name] = ("\n".join([*stated, *head, *rows]) + "\n").encode("ascii")
    return files


def direction_name(azimuth_deg: float, elevation_deg: float) -> str:
    """``az+030_el+000``; whole degrees where they are whole, else ``az+012.5_el+007.25``."""
    return f"az{_signed(azimuth_deg)}_el{_signed(elevation_deg)}"


def _signed(angle_deg: float) -> str:
    """Sign and three digits, with the decimals that it needs; -180 is 180."""
    angle = round(angle_deg, _NAME_DIGITS) + 0.0
    angle = 180.0 if angle == -180.0 else angle
    text = f"{angle:+0{5 + _NAME_DIGITS}.{_NAME_DIGITS}f}"
    return text.rstrip("0").rstrip(".")
