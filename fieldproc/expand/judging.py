"""Frequencies and orders at which errors of the apparatus can be told from the field."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldproc.conventions import Complexes, Floats, Integers, power_db, wavenumber
from fieldproc.expand.cells import divide
from fieldproc.expand.geometry import expansion_origin, source_reach
from fieldproc.expand.order import automatic_orders
from fieldproc.expand.panel import TARGETS_DB, Panel, prepare
from fieldproc.records import Spectra
from fieldproc.settings import Settings

# Below, the waves take up what an error does; above, position errors do more than it.
_BAND_HZ = (150.0, 2500.0)
_MOST_ROWS = 12
# Frequencies where left-out points are predicted worse than this are no judge of errors of a percent; so many are.
_POOR_DB, _FEWEST_ROWS = -30.0, 3
# Sources that the outgoing degrees may be meant for, by their share of the distance to the nearest point.
_SHARES = (0.2, 0.3, 0.45)
# A smaller source is believed where left-out points are predicted as well, to this many dB.
_AS_WELL_DB = 0.1


def judging_panel(spectra: Spectra, settings: Settings, bad: Integers | None) -> Panel | None:
    """The frequencies that the surfaces are compared at; None of a loudspeaker too tall for waves from one origin.

    What such waves leave out of it passes for errors of the apparatus: a gain of -0.016 dB between the surfaces that
    was not there took a far field from -70 to -45 dB.
    """
    if divide(spectra, expansion_origin(spectra, settings.expansion)) is not None:
        return None
    panel = prepare(spectra, settings, _BAND_HZ, _MOST_ROWS)
    if panel is None:
        return None
    panel = panel.without(np.setdiff1d([] if bad is None else bad, panel.left_out).astype(np.int64))
    good = np.flatnonzero(left_out_db(panel, panel.missed(panel.spectra.pressure_pa)) <= _POOR_DB)
    return panel.of_rows(good) if len(good) >= _FEWEST_ROWS else None


def left_out_db(panel: Panel, missed: Complexes) -> Floats:
    """Rms error of predicting each point from all others, re rms data, worst channel, (frequency,)."""
    error, data = np.abs(missed / panel.spare[:, None]) ** 2, np.abs(panel.spectra.pressure_pa) ** 2
    seen = np.ones(error.shape[2], dtype=np.bool_)
    seen[panel.left_out] = False
    return power_db((error[:, :, seen].sum(axis=2) / data[:, :, seen].sum(axis=2)).max(axis=1))


def fewest_orders(panel: Panel, change: Complexes, settings: Settings) -> tuple[tuple[int, int], ...]:
    """Per frequency, the orders of the smallest source that predicts left-out points as well as any.

    Errors of the surfaces must not ask for degrees: whatever combination of ``change`` would explain, is explained.
    """
    spectra = panel.spectra
    reach = source_reach(spectra, settings.expansion, panel.origin_m)
    k = wavenumber(spectra.frequency_hz, float(spectra.sound_speed_m_per_s.mean()))
    candidates = [panel.orders]
    for share in _SHARES:
        small = replace(reach, source_radius_m=min(share * reach.inner_radius_m, reach.source_radius_m))
        plan = automatic_orders(k, small, True, len(spectra.positions_m), TARGETS_DB[0])
        candidates.append(
            tuple(
                (min(int(one), top), regular) for one, (top, regular) in zip(plan.outgoing, panel.orders, strict=True)
            )
        )
    missed_db = []
    for orders in candidates:
        trial = panel.with_orders(orders)
        missed_db.append(left_out_db(trial, _unexplained(trial, change)))
    as_well = np.array(missed_db) <= np.min(missed_db, axis=0) + _AS_WELL_DB
    degrees = np.array([[outgoing for outgoing, _ in orders] for orders in candidates])
    best = np.where(as_well, degrees, degrees.max() + 1).argmin(axis=0)
    return tuple(candidates[which][at] for at, which in enumerate(best))


def _unexplained(panel: Panel, change: Complexes) -> Complexes:
    """What neither waves nor any combination of changes explains, each frequency and channel on its own."""
    data = np.concatenate([panel.spectra.pressure_pa[None], change])
    beside = np.moveaxis(data, 0, 1)
    frequencies, count, channels, points = beside.shape
    missed = panel.missed(beside.reshape(frequencies, count * channels, points)).reshape(beside.shape)
    missed[..., panel.left_out] = 0.0
    columns = np.moveaxis(missed[:, 1:], 1, 3)
    share = np.linalg.pinv(columns) @ missed[:, 0, :, :, None]
    return np.asarray(missed[:, 0] - (columns @ share)[..., 0])
