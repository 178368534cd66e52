"""The empty session: a scan session file that has everything but responses, and says so.

Same objects, axes and units as a scan session. Its ``schema`` attribute keeps every reader of scans from taking it
for one; whoever fills in the responses sets it to that of a scan session.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from fieldproc.child import reading
from fieldproc.conventions import DEFAULT_TEMPERATURE_C, Floats
from fieldproc.errors import NumericalError, SessionError
from fieldproc.records import Cabinet, FarField, ReferenceAxis, Session
from fieldproc.scanplan.grid import Grid, in_time_order, sound_speed_at
from fieldproc.session import open_input
from fieldproc.session.contents import Contents
from fieldproc.session.guard import Refusal, Source, open_source, read_attribute
from fieldproc.session.schema import SCHEMA, SCHEMA_VERSION, UNITS_PER_METRE
from fieldproc.session.verify import verify

# the one writer of session bytes; it has no public name because scans go through write_session
from fieldproc.session.write import hdf5_bytes

# What a reader of scans finds in place of its own schema, and tells.
PLAN_SCHEMA = "pressure-scan plan, no responses yet"
COMMENT = (
    f"Planned positions in the order of visits. To make it a scan session, add /impulse_response or "
    f'/transfer_function with units, replace the planned measured_at_s, and set schema to "{SCHEMA}".'
)
# What is wrong with a plan as a scan: these and nothing else.
_EXPECTED = {"/@schema", "/impulse_response"}


def plan_bytes(grid: Grid, title: str, device: str) -> bytes:
    """The empty session of a grid."""
    arrays: dict[str, Any] = {
        "/positions": grid.positions_m,
        "/measured_at_s": grid.at_s,
        "/loudspeaker/axis_origin_m": grid.axis.origin_m,
        "/loudspeaker/axis_direction": grid.axis.direction,
        "/loudspeaker/up_direction": grid.axis.up,
    }
    if np.all(grid.surface >= 0):
        arrays["/surface"] = grid.surface
    if grid.cabinet is not None:
        arrays["/loudspeaker/cabinet_size_m"] = grid.cabinet.size_m
        arrays["/loudspeaker/cabinet_center_m"] = grid.cabinet.center_m
    if np.isfinite(grid.reflectors_m).any():
        arrays["/room/reflector_distances_m"] = grid.reflectors_m
    attributes: dict[tuple[str, str], str | float] = {
        ("/", "schema"): PLAN_SCHEMA,
        ("/", "schema_version"): SCHEMA_VERSION,
        ("/", "title"): title,
        ("/", "device"): device,
        ("/", "comment"): COMMENT,
        ("/positions", "units"): "m",
    }
    return bytes(hdf5_bytes(Contents(arrays, attributes)))


def positions_csv(grid: Grid) -> bytes:
    """The positions as the file that ``fieldproc pack`` takes: a row per visit, names of the WAV files to record."""
    digits = len(str(len(grid.at_s)))
    lines = ["file,x_m,y_m,z_m,surface,measured_at_s"]
    for number, (place_m, surface, at_s) in enumerate(
        zip(grid.positions_m.tolist(), grid.surface.tolist(), grid.at_s.tolist(), strict=True), start=1
    ):
        lines.append(f"point_{number:0{digits}d}.wav,{','.join(map(repr, place_m))},{surface},{at_s!r}")
    return ("\n".join(lines) + "\n").encode()


def read_grid(path: Path) -> Grid:
    """The grid of a scan session, an AES69 scan, or a plan.

    Raises ``UsageError`` if there is no such file, ``SessionError`` with every problem of the file,
    ``NumericalError`` for an imported far field, which has no grid.
    """
    with reading(path), open_source(path) as source:
        if _schema(source) == PLAN_SCHEMA:
            findings = verify(source)
            problems = [problem for problem in findings.problems if problem.where not in _EXPECTED]
            if problems:
                raise SessionError(str(path), problems)
            return _grid_of_plan(findings.contents)
    session = open_input(path)
    if isinstance(session, FarField):
        raise NumericalError("plan", "kind of input", "a far field", "a scan or a plan", "give a file with positions")
    return grid_of_session(session)


def _schema(source: Source) -> str | float | None:
    try:
        return read_attribute(source, "/", "schema")
    except Refusal:
        # the reader of scans will tell what is wrong with it
        return None


def grid_of_session(session: Session) -> Grid:
    """The grid that a session was scanned on, its valid points alone; without times, in the order of the file."""
    time_s = np.arange(len(session.valid), dtype=np.float64)
    stated = session.room.reflector_distances_m
    good = np.flatnonzero(session.valid)
    return in_time_order(
        Grid(
            session.positions_m[good],
            session.surface[good],
            (time_s if session.measured_at_s is None else session.measured_at_s)[good],
            session.axis,
            np.full(6, np.inf) if stated is None else stated,
            session.cabinet,
            _speed(session),
        )
    )


def _speed(session: Session) -> float:
    """Mean speed of sound of a session, by its temperatures where it does not state it."""
    if session.air.sound_speed_m_per_s is not None:
        return float(session.air.sound_speed_m_per_s.mean())
    stated_c = session.air.temperature_c
    temperature_c = DEFAULT_TEMPERATURE_C if stated_c is None else float(stated_c.mean())
    return sound_speed_at(temperature_c)


def _grid_of_plan(contents: Contents) -> Grid:
    def floats(path: str, default: Floats) -> Floats:
        return np.asarray(contents.arrays.get(path, default), dtype=np.float64)

    metre = UNITS_PER_METRE[contents.text("/positions", "units")]
    positions_m = contents.arrays["/positions"].astype(np.float64) / metre
    count = len(positions_m)
    axis = ReferenceAxis()
    size_m = contents.arrays.get("/loudspeaker/cabinet_size_m")
    grid = Grid(
        positions_m,
        contents.arrays.get("/surface", np.full(count, -1)).astype(np.int64),
        floats("/measured_at_s", np.arange(count, dtype=np.float64)),
        ReferenceAxis(
            floats("/loudspeaker/axis_origin_m", axis.origin_m),
            floats("/loudspeaker/axis_direction", axis.direction),
            floats("/loudspeaker/up_direction", axis.up),
        ),
        floats("/room/reflector_distances_m", np.full(6, np.inf)),
        None if size_m is None else Cabinet(size_m, floats("/loudspeaker/cabinet_center_m", np.zeros(3))),
    )
    return in_time_order(grid)
