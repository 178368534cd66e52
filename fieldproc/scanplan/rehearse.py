"""A scan rehearsed: what the expansion of a run makes of stand-in loudspeakers on a grid, whose truth is known.

Everything that a run decides from its data (orders, one centre or several, the seam of gated and separated spectra)
is decided by the same code, from one noisy rehearsal. The error to expect is then a closed form: what the orders
leave out of noiseless fields, plus noise and position errors times the noise gain of the very fits. Taken for
granted: noise, position errors, walls that mirror, and that nothing outlasts a gate that is long enough.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, amplitude_db, wavenumber
from fieldproc.expand import expand, mend
from fieldproc.expand.solver import Solver
from fieldproc.expand.spread import unit_noise
from fieldproc.records import Expansion, Gated
from fieldproc.scanplan.carried import fit_rows
from fieldproc.scanplan.grid import Grid
from fieldproc.scanplan.settings import AssumptionsModel
from fieldproc.scanplan.stand_in import StandIn, stand_in
from fieldproc.scanplan.surroundings import TRUSTED_LENGTHS, gate_lengths, images, source_of
from fieldproc.settings import ScatteringSettings, Settings, UncertaintySettings

Progress = Callable[[int, int], None]

# Loudspeakers that the error is the mean of; the first of them is rehearsed with.
_LOUDSPEAKERS = 4
# How much of the sound outlasts a gate that is too short, and one that is trusted.
_TAIL_DB = (-20.0, -80.0)
# Share of its length by which a gate with a rounded end weighs noise, and the time it is open ahead.
_GATE_SHARE, _GATE_AHEAD_S = 0.4 + 0.6 * 3.0 / 8.0, 0.5e-3 + 0.5e-3 * 3.0 / 8.0
_SEED = 30
# What a single rehearsal may come out worse by than expected before it is believed instead: few waves matter at the
# lowest frequencies, and a position error is the same at all of them.
_SCATTER_DB = 8.0
# No body stands in the rehearsal, so none is looked for; the error is known, so nothing need be told of it.
SETTINGS = Settings(scattering=ScatteringSettings(body="none"), uncertainty=UncertaintySettings(enabled=False))


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """The expansion of the rehearsed scan, and the rms error of the far field to expect re it, (frequency,) in dB.

    ``notices`` are what mending told, where there was nothing to mend.
    """

    expansion: Expansion
    error_db: Floats
    notices: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Hearing:
    """What the microphone hears at the points, and the rms ``error`` to expect of noise and of being misplaced.

    Both (frequency, channel, point).
    """

    pressure: Complexes
    error: Floats

    def only(self, rows: Integers) -> Hearing:
        """Some of the frequencies."""
        return Hearing(self.pressure[rows], self.error[rows])

    def drawn(self, channel: int) -> Complexes:
        """One channel as one scan would hear it, (frequency, 1, point)."""
        pressure, error = (values[:, channel : channel + 1] for values in (self.pressure, self.error))
        return np.asarray(pressure + error * unit_noise(pressure.shape, np.random.default_rng(_SEED)))


def rehearse(
    grid: Grid, frequency_hz: Floats, assumed: AssumptionsModel, progress: Progress | None = None
) -> Rehearsal:
    """The grid scanned and expanded at some frequencies, rising; ``progress`` as for the expansion of a run."""
    loudspeakers = stand_in(*source_of(grid), _LOUDSPEAKERS)
    whole, direct = heard(grid, loudspeakers, frequency_hz, assumed)
    spectra = grid.spectra(frequency_hz, whole.drawn(0), _gated(grid, frequency_hz, direct))
    mended = mend(spectra, SETTINGS)
    expansion = expand(mended, SETTINGS) if progress is None else expand(mended, SETTINGS, progress)
    upper = expansion.quality.gated_share >= 0.5
    error = np.full(len(frequency_hz), np.nan)
    for hearing, mine in ((whole, ~upper), (direct, upper)):
        rows = np.flatnonzero(mine)
        if rows.size and hearing is not None:
            error[rows] = _expected(grid, loudspeakers, expansion, rows, hearing.only(rows))
    expected_db, drawn_db = amplitude_db(error), _drawn_db(grid, loudspeakers.only(0), expansion)
    error_db = np.where(drawn_db > expected_db + _SCATTER_DB, drawn_db, expected_db)
    return Rehearsal(expansion, error_db, mended.notices)


def heard(
    grid: Grid, loudspeakers: StandIn, frequency_hz: Floats, assumed: AssumptionsModel
) -> tuple[Hearing, Hearing | None]:
    """Loudspeakers at the points of a grid, with what the walls return, and before it does, if a gate tells."""
    positions_m = grid.positions_m[grid.first_visits()]
    images_m = images(grid, positions_m)
    away_m = [np.linalg.norm(image_m - loudspeakers.places_m.mean(axis=0), axis=1) for image_m in images_m]
    kept = _noise_kept(grid, assumed)
    columns: list[tuple[Complexes, Floats, Complexes, Floats]] = []
    for at_hz in frequency_hz:
        k = float(wavenumber(at_hz, grid.sound_speed_m_per_s))
        direct = loudspeakers.pressure(at_hz, k, positions_m)
        near = loudspeakers.slope(at_hz, k, positions_m) ** 2
        total, slope = direct, near
        for image_m, distance_m in zip(images_m, away_m, strict=True):
            image = assumed.reflection * loudspeakers.pressure(at_hz, k, image_m)
            # far away, a source is as steep as one point source
            total, slope = total + image, slope + np.abs(image) ** 2 * (k**2 + 1.0 / distance_m**2)
        noise = 10.0 ** (assumed.noise_db / 20.0) * _rms(total)
        errors = [
            np.sqrt((share * noise) ** 2 + assumed.position_error_m**2 * square)
            for share, square in ((1.0, slope), (1.0 if kept is None else kept, near))
        ]
        columns.append((total, errors[0], direct, errors[1]))
    whole, whole_error, before, before_error = (np.array(column) for column in zip(*columns, strict=True))
    return Hearing(whole, whole_error), None if kept is None else Hearing(before, before_error)


def _gated(grid: Grid, frequency_hz: Floats, direct: Hearing | None) -> Gated | None:
    lengths_s = gate_lengths(grid)
    if direct is None or lengths_s is None:
        return None
    trusted = frequency_hz * np.median(lengths_s) >= TRUSTED_LENGTHS
    return Gated(direct.drawn(0), lengths_s, np.where(trusted, _TAIL_DB[1], _TAIL_DB[0])[:, None])


def _expected(grid: Grid, loudspeakers: StandIn, expansion: Expansion, rows: Integers, hearing: Hearing) -> Floats:
    """Rms error of the far field at rows of the expansion, all loudspeakers together; hearing at these rows."""
    plain = expansion.quality.regularisation[rows, 0] == 0
    error = np.empty(len(rows))
    if plain.any():
        error[plain] = _plainly(grid, loudspeakers, expansion, rows[plain], hearing.only(np.flatnonzero(plain)))
    for at in np.flatnonzero(~plain):
        error[at] = _held_by_a_prior(grid, loudspeakers.only(0), expansion, int(rows[at]))
    return error


def _plainly(
    grid: Grid, loudspeakers: StandIn, expansion: Expansion, rows: Integers, hearing: Hearing
) -> list[float]:
    """Of plain fits: what they leave out of the noiseless field, and noise gain times error at the points."""
    frequency_hz = expansion.frequency_hz[rows]
    k = wavenumber(frequency_hz, grid.sound_speed_m_per_s)
    orders = [(int(expansion.outgoing_order[row]), int(expansion.regular_order[row])) for row in rows]
    band = float(k.min()), float(k.max())
    spectra = grid.spectra(frequency_hz, hearing.pressure)
    solver = Solver(spectra, expansion.origin_m[0], max(max(pair) for pair in orders), band)
    errors = []
    for at, fit in enumerate(fit_rows(solver, orders)):
        origin_m = expansion.origin_m[rows[at]]
        true = _true(loudspeakers, float(frequency_hz[at]), float(k[at]), origin_m, fit.outgoing.shape[1])
        missed = _energy(_missed(true, fit.outgoing))
        scattered = fit.far_field_variance * np.mean(hearing.error[at] ** 2, axis=1)
        errors.append(float(np.sqrt(np.mean((missed + scattered) / _energy(true)))))
    return errors


def _held_by_a_prior(grid: Grid, loudspeaker: StandIn, expansion: Expansion, row: int) -> float:
    """Of a regularised fit: the posterior says what to expect, the rehearsal what came; the larger counts."""
    at_hz, found = float(expansion.frequency_hz[row]), expansion.outgoing[row]
    k = float(wavenumber(at_hz, grid.sound_speed_m_per_s))
    true = _true(loudspeaker, at_hz, k, expansion.origin_m[row], found.shape[1])
    came = float(np.sqrt(_energy(_missed(true, found))[0] / _energy(true)[0]))
    return max(came, float(10.0 ** (expansion.quality.random_error_db[row, 0] / 20.0)))


def _drawn_db(grid: Grid, loudspeaker: StandIn, expansion: Expansion) -> Floats:
    """Error of the rehearsal itself, (frequency,)."""
    k = wavenumber(expansion.frequency_hz, grid.sound_speed_m_per_s)
    errors = []
    for row, at_hz in enumerate(expansion.frequency_hz.tolist()):
        found = expansion.outgoing[row]
        true = _true(loudspeaker, at_hz, float(k[row]), expansion.origin_m[row], found.shape[1])
        errors.append(np.linalg.norm(_missed(true, found)) / np.linalg.norm(true))
    return amplitude_db(np.array(errors))


def _missed(true: Complexes, found: Complexes) -> Complexes:
    """The difference, ``found`` filled up with zeros, (channel, coefficient)."""
    missed = true.copy()
    missed[:, : found.shape[1]] -= found
    return missed


def _energy(coefficients: Complexes) -> Floats:
    """Sum of squares, (channel,)."""
    return np.asarray(np.sum(np.abs(coefficients) ** 2, axis=1))


def _true(loudspeakers: StandIn, frequency_hz: float, k: float, origin_m: Floats, columns: int) -> Complexes:
    """True coefficients, at least so many columns of them."""
    order = max(int(np.sqrt(columns)) - 1, loudspeakers.top_degree(k, origin_m))
    return loudspeakers.outgoing(frequency_hz, k, origin_m, order)


def _noise_kept(grid: Grid, assumed: AssumptionsModel) -> Floats | None:
    """What a gate leaves of the noise of a whole response, (point,); None without a gate."""
    lengths_s = gate_lengths(grid)
    if lengths_s is None:
        return None
    return np.sqrt(np.minimum((_GATE_AHEAD_S + _GATE_SHARE * lengths_s) / assumed.response_s, 1.0))


def _rms(pressure: Complexes) -> Floats:
    """Over the points, (channel, 1)."""
    return np.asarray(np.sqrt(np.mean(np.abs(pressure) ** 2, axis=1, keepdims=True)))
