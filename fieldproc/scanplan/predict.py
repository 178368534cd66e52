"""What a grid will give: error per octave, degrees, forbidden bands, holes, and what a drift does to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.errors import NumericalError
from fieldproc.expand.coverage import Sector, unscanned
from fieldproc.expand.rings import recognise_rings
from fieldproc.expand.shell import shell_thickness, thinnest_shell
from fieldproc.records import Expansion, Table
from fieldproc.scanplan.carried import Sweep, frequencies, sweep
from fieldproc.scanplan.grid import Grid
from fieldproc.scanplan.leak import LOWEST_LEAK_HZ, leak_db
from fieldproc.scanplan.rehearse import Progress, rehearse
from fieldproc.scanplan.settings import AssumptionsModel, BandModel
from fieldproc.scanplan.surroundings import gate_lengths

# Rows of the rehearsal per octave: enough for a mean, and for the seam to find its place.
_REHEARSED_PER_OCTAVE = 6
# Steps of an octave in which forbidden bands are looked for, on rings and where every fit takes a second.
_SWEPT_PER_OCTAVE = {True: 24, False: 6}


@dataclass(frozen=True, slots=True)
class Octave:
    """One octave of the prediction: rms error, worst noise gain, highest degree, worst verdict; rows of the band."""

    middle_hz: float
    rows: Integers


@dataclass(frozen=True, slots=True)
class Prediction:
    """What a scan on a grid will come to.

    ``expansion`` is that of the rehearsal, ``error_db`` (frequency,) its far-field error re the true far field, and
    ``notices`` are errors of the scan that it was wrongly found to have. ``both`` and ``alone`` say how far the
    points carry both wave sets and outgoing waves by themselves; ``both`` is None where they lie on one surface.
    ``gate_s`` are the shortest and longest time to the first reflection.
    """

    grid: Grid
    expansion: Expansion
    error_db: Floats
    both: Sweep | None
    alone: Sweep
    gate_s: tuple[float, float] | None
    sectors: tuple[Sector, ...]
    leak_at_hz: float
    leak_db: float
    notices: tuple[str, ...]

    def octaves(self) -> list[Octave]:
        """Rows in octaves about 1 kHz, partial ones at the ends included."""
        number = np.rint(np.log2(self.expansion.frequency_hz / 1000.0)).astype(np.int64)
        return [Octave(float(1000.0 * 2.0**one), np.flatnonzero(number == one)) for one in np.unique(number)]

    def error_of(self, octave: Octave) -> float:
        """Rms error over an octave, in dB."""
        return float(10.0 * np.log10(np.mean(10.0 ** (self.error_db[octave.rows] / 10.0))))

    def table(self) -> Table:
        """Table ``prediction``: one row per frequency of the rehearsal."""
        quality = self.expansion.quality
        columns = {
            "frequency_hz": self.expansion.frequency_hz,
            "outgoing_order": self.expansion.outgoing_order,
            "regular_order": self.expansion.regular_order,
            "noise_gain_db": quality.noise_gain_db,
            "condition": quality.condition,
            "gated_share": quality.gated_share,
            "predicted_error_db": self.error_db,
            "verdict_code": quality.verdict.max(axis=1),
        }
        return Table.of_columns(
            "prediction", columns, {"content": "rehearsal of the scan with stand-in loudspeakers"}
        )


def predict(grid: Grid, band: BandModel, assumed: AssumptionsModel, progress: Progress | None = None) -> Prediction:
    """Rehearse a grid over a band. ``NumericalError`` where its points carry nothing of it."""
    points = grid.first_visits()
    offsets_m = grid.positions_m[points] - grid.reach()[0]
    surface = grid.surface[points]
    separate = shell_thickness(offsets_m) >= thinnest_shell(surface)
    steps = _SWEPT_PER_OCTAVE[recognise_rings(offsets_m, 1) is not None]
    both = sweep(grid, band.lowest_hz, steps, separate=True) if separate else None
    alone = sweep(grid, band.lowest_hz, steps, separate=False)
    top_hz = min(band.highest_hz, alone.highest_hz)
    if top_hz <= band.lowest_hz:
        raise NumericalError(
            "plan",
            "highest frequency that the points carry",
            f"{alone.highest_hz:.0f} Hz",
            f"above {band.lowest_hz:g} Hz, the lowest wanted",
            "scan more points, or raise band.lowest_hz",
        )
    done = rehearse(grid, frequencies(band.lowest_hz, top_hz, _REHEARSED_PER_OCTAVE), assumed, progress=progress)
    gate_s = gate_lengths(grid)
    bare = unscanned(offsets_m, np.zeros((0, 3)), max(alone.degree, 1))
    leak_at_hz = max(band.lowest_hz, LOWEST_LEAK_HZ)
    return Prediction(
        grid=grid,
        expansion=done.expansion,
        error_db=done.error_db,
        both=both,
        alone=alone,
        gate_s=None if gate_s is None else (float(gate_s.min()), float(gate_s.max())),
        sectors=bare.sectors,
        leak_at_hz=leak_at_hz,
        leak_db=leak_db(grid, leak_at_hz, separate, assumed),
        notices=done.notices,
    )
