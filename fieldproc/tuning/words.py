"""What was swept and what is recommended: tables, and a page for the terminal of at most 100 columns."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Floats, Integers
from fieldproc.records import Table
from fieldproc.tuning.choose import Choice
from fieldproc.tuning.rows import octave_numbers
from fieldproc.tuning.sweep import Trial
from fieldproc.tuning.tune import Recommendation, gain_db

# Errors at left-out points this close, in dB, are no difference.
AS_GOOD_DB = 0.5
_WIDTH = 100
_HEADING = (
    '                                               left out/dB     far               "auto"',
    "octave/Hz  outgoing  regular   K/M  cond  gain/dB  point surface  field/dB    out    reg   point",
)


@dataclass(frozen=True, slots=True)
class _Octave:
    """Judged rows of an octave, and what was chosen there."""

    middle_hz: float
    rows: Integers
    trials: list[Trial]


def tables(found: Recommendation) -> list[Table]:
    """``sweep``: every trial; ``judged``: recommended and automatic degrees; ``orders``: degrees of every row."""
    return [_sweep_table(found), _judged_table(found), _orders_table(found)]


def _sweep_table(found: Recommendation) -> Table:
    rows = [
        (number, found.spectra.frequency_hz[found.judged[row]], *_numbers(trial))
        for number, choice in enumerate(found.choices)
        for row, of_row in enumerate(choice.sweep.trials)
        for trial in of_row.values()
    ]
    names = ["candidate", "frequency_hz", *_NUMBERS]
    facts = {
        f"candidate_{number}": f"{choice.sweep.candidate.name} {_place(choice)}"
        for number, choice in enumerate(found.choices)
    }
    content = "every pair of degrees tried"
    return Table.of_columns(
        "sweep", dict(zip(names, np.array(rows, dtype=np.float64).T, strict=True)), {"content": content, **facts}
    )


_NUMBERS = (
    "outgoing_order",
    "regular_order",
    "unknowns_per_point",
    "leave_one_out_db",
    "cross_validation_db",
    "condition",
    "noise_gain_db",
    "estimated_error_db",
)


def _numbers(trial: Trial) -> tuple[float, ...]:
    return (
        *trial.orders,
        trial.unknowns_per_point,
        trial.left_out_db,
        trial.cross_validation_db,
        trial.condition,
        trial.noise_gain_db,
        trial.error_db,
    )


def _judged_table(found: Recommendation) -> Table:
    rows = found.best.rows
    chosen = np.array([_numbers(trial) for trial in found.best.trials()]).T
    at, auto = found.judged[rows], found.auto
    columns = {
        "frequency_hz": found.spectra.frequency_hz[at],
        **dict(zip(_NUMBERS, chosen, strict=True)),
        "held_out_db": found.held_out_db[rows],
        "auto_outgoing_order": auto.outgoing_order[at],
        "auto_regular_order": auto.regular_order[at],
        "auto_leave_one_out_db": auto.quality.leave_one_out_db[at].mean(axis=1),
        "auto_condition": auto.quality.condition[at],
        "auto_noise_gain_db": auto.quality.noise_gain_db[at],
    }
    content = "recommended degrees at the judged frequencies, and the automatic ones"
    return Table.of_columns("judged", columns, {"content": content, "origin": _place(found.best)})


def _orders_table(found: Recommendation) -> Table:
    frequency_hz = found.spectra.frequency_hz
    outgoing, regular = found.best.degrees(frequency_hz)
    columns = {
        "frequency_hz": frequency_hz,
        "outgoing_order": outgoing,
        "regular_order": regular,
        "auto_outgoing_order": found.auto.outgoing_order,
        "auto_regular_order": found.auto.regular_order,
        "auto_gated_share": found.auto.quality.gated_share,
    }
    return Table.of_columns("orders", columns, {"content": "degrees of the table and automatic ones (-1 = no set)"})


def lines(found: Recommendation, name: str) -> list[str]:
    """The page: what was swept, octave by octave, and what is recommended."""
    frequency_hz = found.spectra.frequency_hz[found.judged]
    tried = sum(len(of_row) for choice in found.choices for of_row in choice.sweep.trials)
    return [
        f"{name}: {found.spectra.pressure_pa.shape[2]} points; {tried} fits at {len(frequency_hz)} frequencies from "
        f"{frequency_hz[0]:.0f} to {frequency_hz[-1]:.0f} Hz",
        *_origin_lines(found),
        "",
        *_HEADING,
        *(_octave_line(found, octave) for octave in _octaves(found)),
        "",
        *_closing(found),
    ]


def _octaves(found: Recommendation) -> list[_Octave]:
    best = found.best
    numbers = octave_numbers(found.spectra.frequency_hz[found.judged[best.rows]])
    trials = best.trials()
    return [
        _Octave(
            float(1000.0 * 2.0**number),
            best.rows[numbers == number],
            [trials[at] for at in np.flatnonzero(numbers == number)],
        )
        for number in np.unique(numbers)
    ]


def _origin_lines(found: Recommendation) -> list[str]:
    first = found.choices[0]
    told = []
    for choice in found.choices:
        mark = "*" if choice is found.best else " "
        gain = "" if choice is first else f"  {_better(gain_db(choice, first))}"
        told.append(f"{mark} {choice.sweep.candidate.name:16s} {_place(choice)}{gain}")
    return told


def _better(gain: float) -> str:
    if not np.isfinite(gain):
        return "does not reach as far up"
    return f"left out {abs(gain):.1f} dB {'better' if gain >= 0 else 'worse'}"


def _place(choice: Choice) -> str:
    candidate = choice.sweep.candidate
    place = ", ".join(f"{x:.3f}" for x in candidate.solver.origin_m)
    if candidate.of_cells is None:
        return f"({place}) m"
    return f"{len(candidate.of_cells.cells.centers_m)} about ({place}) m, degrees of each"


def _octave_line(found: Recommendation, octave: _Octave) -> str:
    trials = octave.trials
    at, quality = found.judged[octave.rows], found.auto.quality
    left_out, gain, error = (
        float(np.mean(values))
        for values in zip(*[(one.left_out_db, one.noise_gain_db, one.error_db) for one in trials], strict=True)
    )
    orders = np.array([trial.orders for trial in trials])
    return (
        f"{octave.middle_hz:9.4g}  {_span(orders[:, 0]):>8s}  {_span(orders[:, 1]):>7s}  "
        f"{max(trial.unknowns_per_point for trial in trials):4.2f}  {_condition(found, trials)}  "
        f"{gain:7.1f}  {left_out:5.1f} {_or_dash(found.held_out_db[octave.rows], 7)}  {error:8.1f}  "
        f"{_span(found.auto.outgoing_order[at]):>5s}  {_span(found.auto.regular_order[at]):>5s}   "
        f"{quality.leave_one_out_db[at].mean():5.1f}"
    )


def _condition(found: Recommendation, trials: list[Trial]) -> str:
    """Cells stand in for each other by design: what that costs, the noise gain says."""
    return "   -" if found.best.sweep.candidate.of_cells else f"{max(trial.condition for trial in trials):4.0f}"


def _span(degrees: Integers) -> str:
    low, high = int(np.min(degrees)), int(np.max(degrees))
    if high < 0:
        return "-"
    return f"{low}" if low == high else f"{low}-{high}"


def _or_dash(values: Floats, width: int) -> str:
    """Mean, where it is known throughout."""
    return f"{np.mean(values):{width}.1f}" if np.isfinite(values).all() else "-".rjust(width)


def _closing(found: Recommendation) -> list[str]:
    told = [
        f"point: points left out one by one; surface: {_held_words(found)}",
        "gain: noise gain; far field: its error, as the scan lets expect; K/M: unknowns per point",
    ]
    differences = [(octave.middle_hz, _auto_better_db(found, octave)) for octave in _octaves(found)]
    better = [f"{-by:.1f} dB at {hz:.4g} Hz" for hz, by in differences if by < -AS_GOOD_DB]
    worse = [f"{by:.1f} dB at {hz:.4g} Hz" for hz, by in differences if by > AS_GOOD_DB]
    if not better and not worse:
        told.append(f'"auto" is as good: left-out points are predicted alike, to {AS_GOOD_DB:g} dB in every octave')
    told += [f'the table predicts left-out points better than "auto": {", ".join(better)}'] if better else []
    told += [f'"auto" predicts left-out points better: {", ".join(worse)}'] if worse else []
    if found.why_auto:
        told.append(f'recommended: "auto" orders; {found.why_auto}. The table, for comparison, is in table.toml')
    else:
        told.append("recommended: the table, in settings.toml; above its last frequency the last degrees hold")
    return [line for one in told for line in textwrap.wrap(one, _WIDTH, subsequent_indent="  ")]


def _held_words(found: Recommendation) -> str:
    if found.best.sweep.candidate.of_cells is not None:
        return "not left out (cells)"
    if np.isnan(found.held_out_db).all():
        return "not left out (needs two that the file names, and points to spare)"
    surfaces = len(np.unique(found.spectra.surface))
    return "every other ring of one" if surfaces == 2 else "one after the other"


def _auto_better_db(found: Recommendation, octave: _Octave) -> float:
    """By how much automatic degrees predict left-out points better than the table."""
    at = found.judged[octave.rows]
    auto_db = float(found.auto.quality.leave_one_out_db[at].mean())
    return float(np.mean([trial.left_out_db for trial in octave.trials])) - auto_db
